"""The rows of the comparison, of reverberation times and of listening positions, for tables and files."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from typing import Any, Literal

import numpy as np

from .. import bands
from ..estimate import Estimate
from ..metrics.common_seats import TIMES, common_seats
from ..metrics.registry import METRICS
from ..physics.reverberation import FORMULAS
from ..results.interval import Interval, interval_of
from ..results.records import Results
from ..results.verdicts import Verdict, verdicts
from .quantities import STI, T20


@dataclass(frozen=True)
class ComparisonRow:
    """One scenario in the comparison."""

    number: int
    """Counted from 1, the bare venue."""
    scenario: str
    description: str
    elements: tuple[str, ...]
    against: int | None
    """Number of the scenario that it is compared with; None for the bare venue."""
    sti_median: Interval
    sti_worst_tenth: Interval
    share_of_seats: Interval
    """Share of seats with a speech transmission index at or above the target."""
    target: Literal["met", "missed", "unclear"]
    """Whether that share reaches the study's target; unclear if the target lies within its interval."""
    verdict: Verdict
    reverberation_mid: Interval
    """T20, mean of 500 Hz and 1 kHz and over the seats, s."""
    reverberation_bass: Interval
    """T20, mean of 63 Hz and 125 Hz and over the seats, s."""
    cost: float
    extra_cost: float
    """Cost in excess of the scenario that it is compared with."""
    gain_per_1000: Interval | None
    """Gain in the median speech transmission index per 1000 of the study's currency; None if there is no significant
    gain or no extra cost."""
    rigging_hours: float
    roof_points: int
    weight: float
    """kg."""
    limits_broken: tuple[str, ...]
    gain_holds: float | None = None
    """Probability that the sign of the gain is correct, considering both Monte Carlo error and input uncertainty. Here
    and below: None if absorption was not varied or there is nothing to compare."""
    is_best: float | None = None
    """Probability that no scenario within the limits is better at the median seat; None if it breaks a limit."""
    is_ahead: float | None = None
    """Probability that it is better than the next best scenario within the limits; None if it breaks a limit."""

    def as_dict(self) -> dict[str, Any]:
        """Plain numbers, texts and lists."""
        content = asdict(self)
        return {**content, "verdict": {**content["verdict"], "words": self.verdict.text}}


def comparison_rows(results: Results) -> list[ComparisonRow]:
    """One row per scenario, the bare venue first."""
    median, worst = results.room["sti_median"], results.room["sti_worst_tenth"]
    share, times = results.room["sti_share_of_seats"], results.room[T20]
    mid, bass = mean_of_bands(times, bands.MID), mean_of_bands(times, bands.BASS)
    rows = []
    for i, (record, verdict) in enumerate(zip(results.scenarios, verdicts(results))):
        extra = record.cost - results.scenarios[record.compare_with].cost
        is_bought = verdict.outcome == "better" and extra > 0.0
        of_input = results.input_half_width("room", "sti_median", i)
        rows.append(
            ComparisonRow(
                number=i + 1,
                scenario=record.name,
                description=record.description,
                elements=record.elements,
                against=None if record.compare_with == i else record.compare_with + 1,
                sti_median=replace(interval_of(median, i), input_half_width=of_input),
                sti_worst_tenth=interval_of(worst, i),
                share_of_seats=interval_of(share, i),
                target=_target(interval_of(share, i), results.share_target),
                verdict=verdict,
                reverberation_mid=interval_of(mid, i),
                reverberation_bass=interval_of(bass, i),
                cost=record.cost,
                extra_cost=extra,
                gain_per_1000=verdict.gain.scaled(1000.0 / extra) if is_bought else None,
                rigging_hours=record.rigging_hours,
                roof_points=record.roof_points,
                weight=record.weight,
                limits_broken=record.limits_broken,
                **_probabilities(results, i),
            )
        )
    return rows


def _probabilities(results: Results, scenario: int) -> dict[str, float]:
    uncertainty = results.input_uncertainty
    if uncertainty is None:
        return {}
    fields = {"gain_holds": uncertainty.sign_kept, "is_best": uncertainty.best, "is_ahead": uncertainty.ahead}
    return {name: float(p[scenario]) for name, p in fields.items() if np.isfinite(p[scenario])}


def mean_of_bands(estimate: Estimate, chosen: Iterable[int]) -> Estimate:
    """Mean of some bands, with a conservative error.

    The error of a mean is at most the mean of the errors, and equal to it if the errors of the bands are fully
    correlated, which is nearly true of bands of the same rays.
    """
    columns = list(chosen)
    return Estimate(
        estimate.value[..., columns].mean(axis=-1),
        estimate.standard_error[..., columns].mean(axis=-1),
        estimate.n_replicates,
    )


def _target(share: Interval, target: float) -> Literal["met", "missed", "unclear"]:
    if share.low >= target:
        return "met"
    return "missed" if share.high < target else "unclear"


@dataclass(frozen=True)
class ReverberationRow:
    """Reverberation time of one scenario by one method."""

    scenario: str
    method: str
    """"traced", or the name of a statistical formula."""
    time: tuple[Interval, ...]
    """Eight bands, s; the formulas have no Monte Carlo error."""
    is_off: tuple[bool, ...]
    """For a formula: whether it differs from the traced time by more than one just noticeable difference and the error
    together."""
    n_seats: tuple[int, ...] | None = None
    """For traced times, eight bands: the number of seats at which all reverberation times are known, over which the
    mean is taken. None for a formula."""


def reverberation_rows(results: Results) -> list[ReverberationRow]:
    """Traced times, mean over the seats, followed by the statistical estimates, scenario by scenario."""
    traced = results.room[T20]
    half, noticeable = traced.half_width(), METRICS[T20].just_noticeable_difference or 0.0
    counted = common_seats({name: np.isfinite(results.seats[name].value) for name in TIMES if name in results.seats})
    n_seats = counted[T20].sum(axis=0)
    rows = []
    for i, record in enumerate(results.scenarios):
        times = tuple(interval_of(traced, (i, band)) for band in range(bands.N_BANDS))
        of_seats = tuple(int(n) for n in n_seats[i])
        rows.append(ReverberationRow(record.name, "traced", times, (False,) * bands.N_BANDS, of_seats))
        allowed = noticeable * traced.value[i] + half[i]
        for name in [name for name in FORMULAS if name in results.statistical]:
            estimate = results.statistical[name]
            off = np.abs(estimate[i] - traced.value[i]) > allowed
            times = tuple(Interval(float(time), 0.0) for time in estimate[i])
            rows.append(ReverberationRow(record.name, name, times, tuple(bool(one) for one in off)))
    return rows


@dataclass(frozen=True)
class PositionRow:
    """One listening position, an audience area of a single seat such as the mixing position, in one scenario."""

    position: str
    """Name of the audience area."""
    number: int
    """Of the scenario, from 1."""
    scenario: str
    sti: Interval
    gain: Interval | None
    """Gain in the STI over the scenario that it is compared with; None for the bare venue."""
    signal_to_noise: Interval
    """dB, mean of the octaves 500 Hz to 4 kHz; includes noise sources."""
    level: Interval
    """Level of the programme, dB(A)."""


def position_rows(results: Results) -> list[PositionRow]:
    """Every scenario at every listening position; none if each audience area has several seats."""
    counts = np.bincount(results.area, minlength=len(results.area_names))
    if not (counts == 1).any():
        return []
    signal_to_noise = mean_of_bands(results.seats["signal_to_noise_ratio"], bands.SPEECH_MID)
    rows = []
    for area in np.flatnonzero(counts == 1):
        seat = int(np.flatnonzero(results.area == area)[0])
        for i, record in enumerate(results.scenarios):
            compared = record.compare_with != i
            rows.append(
                PositionRow(
                    position=results.area_names[area],
                    number=i + 1,
                    scenario=record.name,
                    sti=interval_of(results.seats[STI], (seat, i)),
                    gain=interval_of(results.gains[STI], (seat, i)) if compared else None,
                    signal_to_noise=interval_of(signal_to_noise, (seat, i)),
                    level=interval_of(results.seats["a_weighted_level"], (seat, i)),
                )
            )
    return rows
