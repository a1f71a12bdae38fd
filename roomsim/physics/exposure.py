"""Published limits of sound exposure, from memory. National laws differ and change and must be checked."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class ExposureLimit:
    """A level published as a limit, or as an action value from which measures are required."""

    who: str
    """The group that it protects, or the country in which it applies."""
    level: float
    """dB(A), equivalent over `hours`."""
    hours: float
    source: str


EXPOSURE_LIMITS = (
    ExposureLimit("crew, lower action value", 80.0, 8.0, "Directive 2003/10/EC"),
    ExposureLimit("crew, upper action value", 85.0, 8.0, "Directive 2003/10/EC"),
    ExposureLimit("crew, limit under hearing protection", 87.0, 8.0, "Directive 2003/10/EC"),
    ExposureLimit("audience, anywhere", 100.0, 0.25, "World Health Organization, 2022"),
    ExposureLimit("audience, Germany", 99.0, 0.5, "DIN 15905-5"),
    ExposureLimit("audience, France", 102.0, 0.25, "decree of 2017"),
    ExposureLimit("audience, Sweden", 100.0, 1.0, "FoHMFS, adults; 97 dB where children come"),
)
"""All from memory."""

PEAK_LIMIT = 140.0
"""dB(C), peak, for crew (Directive 2003/10/EC, from memory); action values 135 and 137."""
