"""What a finished study holds; read from and written to one HDF5 file. Reports see nothing else."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ..errors import suggestion
from ..estimate import Estimate
from ..metrics.registry import METRICS
from ..scene.plan_lines import PlanDrawing


@dataclass(frozen=True)
class ScenarioRecord:
    name: str
    description: str
    elements: tuple[str, ...]
    compare_with: int
    """Index of the scenario it is measured against; its own index for the bare venue."""
    hire: float
    rigging_hours: float
    cost: float
    """Hire, labour and, if anything is hung, the fixed sum."""
    weight: float
    roof_points: int
    limits_broken: tuple[str, ...]
    """Stock, hours, points, loads or budget that it would exceed, in words."""
    sources: tuple[str, ...]
    """Those that sound in it."""
    hung: tuple[str, ...] = ()
    """Its elements and sources that hang overhead: they bring the cautions about loads with them."""


@dataclass(frozen=True)
class Caveat:
    """Something that makes figures doubtful, in the whole run or in one scenario; `report.caveat_messages` words it."""

    code: str
    """Which of the messages there, or the code of a finding of the check."""
    scenario: str = ""
    """Empty where it concerns the whole run."""
    subject: str = ""
    """The quantity that it concerns, by its name in the registry; empty where there is none. Caveats of the same code
    and subject are worded once for all their scenarios."""
    severity: float = 0.0
    """How far it goes: of two scenarios the one with the larger number is worded."""
    bands: tuple[int, ...] = ()
    """Indices of the octave bands concerned."""
    values: dict[str, float] = field(default_factory=dict)
    """What the message states, by name."""
    texts: dict[str, str] = field(default_factory=dict)
    """Place and text of a finding of the check, which words itself."""


DIFFUSE_FIGURES = {
    "schroeder_frequency": ("Hz", "below it single modes stand out"),
    "critical_distance": ("m", "direct and reverberant sound are equally strong there, all sources on"),
    "articulation_loss": ("%", "of consonants, by Peutz, at the median seat's distance"),
}
"""Further figures of a diffuse room: unit, and what it is."""


@dataclass(frozen=True)
class InputUncertainty:
    """What the figures owe to absorption not being known better; something else than the errors of the rays.

    Standard uncertainties, of the same shapes as the estimates that they belong to.
    """

    n_draws: int
    """Sets of absorption coefficients behind them; each uncertainty is known to about 1 / sqrt(2 n_draws) of
    itself."""
    seats: dict[str, np.ndarray]
    gains: dict[str, np.ndarray]
    room: dict[str, np.ndarray]
    room_gains: dict[str, np.ndarray]
    sign_kept: np.ndarray
    """(n_scenarios,) probability that the gain of the median seat has the sign that it shows, errors of rays
    and input together; NaN for the reference and for a gain of nothing."""
    best: np.ndarray
    """(n_scenarios,) probability that no scenario serves the median seat better."""
    ahead: np.ndarray
    """(n_scenarios,) probability of being better than the next in order; NaN for the last."""


COVERAGE_FACTOR = 2.0
"""Expanded uncertainty over standard uncertainty for 95 % (JCGM 100:2008, 6.3.3, from memory)."""


class ByQuantity(dict[str, Estimate]):
    """Figures by the names of the registry; a symbol such as "STI" finds them too."""

    def __missing__(self, key: str) -> Estimate:
        for name, metric in METRICS.items():
            if key == metric.symbol and name in self:
                return self[name]
        known = [*self, *(METRICS[name].symbol for name in self if name in METRICS)]
        raise KeyError(f"there is no quantity {key!r} here. {suggestion(key, known)}")


@dataclass(frozen=True)
class Results:
    """Axis order (receiver, scenario, band)."""

    title: str
    venue: str
    scenarios: tuple[ScenarioRecord, ...]
    """The bare venue first."""
    positions: np.ndarray
    """(n_receivers, 3), m."""
    area: np.ndarray
    """(n_receivers,) int."""
    area_names: tuple[str, ...]
    cells: np.ndarray
    """(n_receivers, 4, 2), m."""
    seats: dict[str, Estimate]
    """Registry name or symbol -> (n_receivers, n_scenarios) or (n_receivers, n_scenarios, 8). Not evaluable: NaN."""
    gains: dict[str, Estimate]
    """Registry name -> difference against `compare_with`, same shape; errors are of the difference itself."""
    room: dict[str, Estimate]
    """Registry name -> mean over seats, (n_scenarios,) or (n_scenarios, 8); and of the STI over seats:
    "sti_median", "sti_worst_tenth", "sti_share_of_seats" (n_scenarios,)."""
    room_gains: dict[str, Estimate]
    """Same names -> difference against `compare_with`."""
    statistical: dict[str, np.ndarray]
    """"sabine", "eyring", "kuttruff", ... -> reverberation time (n_scenarios, 8), s."""
    caveats: tuple[Caveat, ...]
    """Broken assumptions, energy lost, precision not met, warnings of the check."""
    plan: PlanDrawing
    sti_target: float
    share_target: float
    currency: str
    provenance: dict[str, str] = field(default_factory=dict)
    """Versions, seed, digests of the inputs, rays, replicates, precision reached, dates."""
    diffuse_room: dict[str, np.ndarray] = field(default_factory=dict)
    """Further figures of a diffuse room, (n_scenarios, 8), as `DIFFUSE_FIGURES` lists them."""
    input_uncertainty: InputUncertainty | None = None
    """None where no draws were asked for."""

    def input_half_width(self, group: str, name: str, scenario: int) -> float | None:
        """Half the 95 % interval from the uncertainty of absorption of a figure over the seats; None where it is not
        known.

        Parameters
        ----------
        group : "room" or "room_gains"
        """
        if self.input_uncertainty is None:
            return None
        half = COVERAGE_FACTOR * float(getattr(self.input_uncertainty, group)[name][scenario])
        return half if np.isfinite(half) else None

    def __post_init__(self) -> None:
        for name in ("seats", "gains", "room", "room_gains"):
            object.__setattr__(self, name, ByQuantity(getattr(self, name)))
