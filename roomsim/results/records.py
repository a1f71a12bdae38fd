"""The results of a finished study, which are stored in one HDF5 file and are the only input of reports."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ..errors import suggestion
from ..estimate import Estimate
from ..metrics.registry import METRICS
from ..scene.plan_lines import PlanDrawing


@dataclass(frozen=True)
class ScenarioRecord:
    """One scenario: its elements, costs and loads."""

    name: str
    description: str
    elements: tuple[str, ...]
    compare_with: int
    """Index of the scenario that it is compared with; its own index for the bare venue."""
    hire: float
    rigging_hours: float
    cost: float
    """Hire, labour and, if anything is hung, the fixed sum."""
    weight: float
    roof_points: int
    limits_broken: tuple[str, ...]
    """Limits of stock, hours, points, loads or budget that it exceeds, as text."""
    sources: tuple[str, ...]
    """Sources that are active in it."""
    hung: tuple[str, ...] = ()
    """Its elements and sources that hang overhead and therefore require the cautions on loads."""


@dataclass(frozen=True)
class Caveat:
    """A reason to doubt results of the whole run or of one scenario. `report.caveat_messages` has the messages."""

    code: str
    """Code of the message, or of a finding of the check."""
    scenario: str = ""
    """Empty if it concerns the whole run."""
    subject: str = ""
    """Registry name of the quantity concerned; empty if there is none. Caveats of the same code and subject share one
    message for all their scenarios."""
    severity: float = 0.0
    """Of several scenarios, the message states the values of the one with the largest severity."""
    bands: tuple[int, ...] = ()
    """Indices of the octave bands concerned."""
    values: dict[str, float] = field(default_factory=dict)
    """Numbers in the message, by name."""
    texts: dict[str, str] = field(default_factory=dict)
    """Place and text of a finding of the check, which has its own text."""


DIFFUSE_FIELD_QUANTITIES = {
    "schroeder_frequency": ("Hz", "below it single modes stand out"),
    "critical_distance": ("m", "direct and reverberant sound are equally strong there, all sources on"),
    "articulation_loss": ("%", "of consonants, by Peutz, at the median seat's distance"),
}
"""Further quantities of a diffuse field: unit and description."""


@dataclass(frozen=True)
class InputUncertainty:
    """Uncertainty of the results that is due to the uncertainty of absorption, in addition to the Monte Carlo error.

    Standard uncertainties, with the same shapes as the estimates to which they belong.
    """

    n_draws: int
    """Number of sets of absorption coefficients; the relative error of each uncertainty is about
    1 / sqrt(2 n_draws)."""
    seats: dict[str, np.ndarray]
    gains: dict[str, np.ndarray]
    room: dict[str, np.ndarray]
    room_gains: dict[str, np.ndarray]
    sign_kept: np.ndarray
    """(n_scenarios,) probability that the sign of the gain at the median seat is correct, considering both Monte Carlo
    error and input uncertainty; NaN for the reference and for a gain of zero."""
    best: np.ndarray
    """(n_scenarios,) probability that no scenario is better at the median seat."""
    ahead: np.ndarray
    """(n_scenarios,) probability of being better than the next best scenario; NaN for the last."""


COVERAGE_FACTOR = 2.0
"""Ratio of expanded to standard uncertainty for 95 % (JCGM 100:2008, 6.3.3, from memory)."""


class ByQuantity(dict[str, Estimate]):
    """Estimates by the names of the registry, or by their symbols, such as "STI"."""

    def __missing__(self, key: str) -> Estimate:
        for name, metric in METRICS.items():
            if key == metric.symbol and name in self:
                return self[name]
        known = [*self, *(METRICS[name].symbol for name in self if name in METRICS)]
        raise KeyError(f"there is no quantity {key!r} here. {suggestion(key, known)}")


@dataclass(frozen=True)
class Results:
    """The results of a study. Axis order (receiver, scenario, band)."""

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
    """Registry name or symbol -> (n_receivers, n_scenarios) or (n_receivers, n_scenarios, 8); NaN if not evaluable."""
    gains: dict[str, Estimate]
    """Registry name -> difference from `compare_with`, same shape; the errors are those of the difference."""
    room: dict[str, Estimate]
    """Registry name -> mean over seats, (n_scenarios,) or (n_scenarios, 8); and of the STI over seats:
    "sti_median", "sti_worst_tenth", "sti_share_of_seats" (n_scenarios,)."""
    room_gains: dict[str, Estimate]
    """Same names -> difference from `compare_with`."""
    statistical: dict[str, np.ndarray]
    """"sabine", "eyring", "kuttruff", ... -> reverberation time (n_scenarios, 8), s."""
    caveats: tuple[Caveat, ...]
    """Violated assumptions, lost energy, precision not reached, warnings of the check."""
    plan: PlanDrawing
    sti_target: float
    share_target: float
    currency: str
    provenance: dict[str, str] = field(default_factory=dict)
    """Versions, seed, digests of the inputs, rays, replicates, precision reached, dates."""
    diffuse_room: dict[str, np.ndarray] = field(default_factory=dict)
    """Further quantities of a diffuse field, (n_scenarios, 8), as listed in `DIFFUSE_FIELD_QUANTITIES`."""
    input_uncertainty: InputUncertainty | None = None
    """None if no draws were requested."""

    def input_half_width(self, group: str, name: str, scenario: int) -> float | None:
        """Half the 95 % interval due to the uncertainty of absorption of a quantity over the seats; None if unknown.

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
