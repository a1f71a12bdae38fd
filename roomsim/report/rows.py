"""The figures of the comparison, scenario by scenario: what tables print and files hold."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np

from .. import bands
from ..estimate import Estimate
from ..metrics.common_seats import TIMES, common_seats
from ..physics.reverberation import FORMULAS
from ..study.compare import Verdict, verdicts
from ..study.results import Results
from .quantities import T20


@dataclass(frozen=True)
class Figure:
    """A value and half the width of its 95 % interval; NaN where it cannot be evaluated."""

    value: float
    half_width: float

    @property
    def low(self) -> float:
        return self.value - self.half_width

    @property
    def high(self) -> float:
        return self.value + self.half_width


@dataclass(frozen=True)
class ComparisonRow:
    """One scenario in the comparison."""

    number: int
    """From 1, the bare venue."""
    scenario: str
    description: str
    elements: tuple[str, ...]
    against: int | None
    """Number of the scenario that it is measured against; None for the bare venue."""
    sti_median: Figure
    sti_worst_tenth: Figure
    share_of_seats: Figure
    """With a speech transmission index at or above the target."""
    target: Literal["met", "missed", "unclear"]
    """Whether that share reaches the study's target; unclear while its interval holds both."""
    verdict: Verdict
    reverberation_mid: Figure
    """T20, mean of 500 Hz and 1 kHz and over the seats, s."""
    reverberation_bass: Figure
    """T20, mean of 63 Hz and 125 Hz and over the seats, s."""
    cost: float
    extra_cost: float
    """Over the scenario that it is measured against."""
    gain_per_1000: Figure | None
    """Gain in the median speech transmission index per 1000 of the study's currency; None where there is no
    significant gain or it costs nothing more."""
    rigging_hours: float
    roof_points: int
    weight: float
    """kg."""
    limits_broken: tuple[str, ...]
    sti_median_input: float | None = None
    """Half the 95 % interval of the median seat's index from absorption not being known better. None, here
    and below, where no draws of it were asked for or there is nothing to compare."""
    gain_input: float | None = None
    """The same of its gain."""
    gain_holds: float | None = None
    """Probability that the gain has the sign that it shows, rays and input in doubt together."""
    is_best: float | None = None
    """Probability that no scenario within the limits serves the median seat better; None if it breaks a limit."""
    is_ahead: float | None = None
    """Probability of being better than the next in order of those within the limits; None if it breaks a limit."""

    def as_dict(self) -> dict[str, Any]:
        """Plain numbers, texts and lists."""
        content = asdict(self)
        return {**content, "verdict": {**content["verdict"], "words": self.verdict.words}}


def comparison_rows(results: Results) -> list[ComparisonRow]:
    """One row a scenario, the bare venue first."""
    median, worst = results.room["sti_median"], results.room["sti_worst_tenth"]
    share, times = results.room["sti_share_of_seats"], results.room[T20]
    mid, bass = mean_of_bands(times, bands.MID), mean_of_bands(times, bands.BASS)
    rows = []
    for i, (record, verdict) in enumerate(zip(results.scenarios, verdicts(results))):
        reference = results.scenarios[record.compare_with]
        extra = record.cost - reference.cost
        rows.append(
            ComparisonRow(
                number=i + 1,
                scenario=record.name,
                description=record.description,
                elements=record.elements,
                against=None if record.compare_with == i else record.compare_with + 1,
                sti_median=figure(median, i),
                sti_worst_tenth=figure(worst, i),
                share_of_seats=figure(share, i),
                target=_target(figure(share, i), results.share_target),
                verdict=verdict,
                reverberation_mid=figure(mid, i),
                reverberation_bass=figure(bass, i),
                cost=record.cost,
                extra_cost=extra,
                gain_per_1000=_gain_per_1000(verdict, extra),
                rigging_hours=record.rigging_hours,
                roof_points=record.roof_points,
                weight=record.weight,
                limits_broken=record.limits_broken,
                **_certainty(results, i),
            )
        )
    return rows


COVERAGE_FACTOR = 2.0
"""Expanded uncertainty over standard uncertainty for 95 % (JCGM 100:2008, 6.3.3, from memory)."""


def _certainty(results: Results, scenario: int) -> dict[str, float | None]:
    found = results.input_uncertainty
    if found is None:
        return {}
    values = {
        "sti_median_input": COVERAGE_FACTOR * found.room["sti_median"][scenario],
        "gain_input": COVERAGE_FACTOR * found.room_gains["sti_median"][scenario],
        "gain_holds": found.sign_kept[scenario],
        "is_best": found.best[scenario],
        "is_ahead": found.ahead[scenario],
    }
    if results.scenarios[scenario].compare_with == scenario:
        del values["gain_input"]
    return {name: float(value) for name, value in values.items() if np.isfinite(value)}


def figure(estimate: Estimate, index: int | tuple[int, ...]) -> Figure:
    """One value of an estimate with its 95 % interval."""
    return Figure(float(estimate.value[index]), float(estimate.half_width()[index]))


def mean_of_bands(estimate: Estimate, chosen: tuple[int, ...]) -> Estimate:
    """Mean of some bands, with an error on the safe side.

    The error of a mean is at most the mean of the errors, and equal to it where the bands err together, as
    those of the same rays nearly do.
    """
    columns = list(chosen)
    return Estimate(
        estimate.value[..., columns].mean(axis=-1),
        estimate.standard_error[..., columns].mean(axis=-1),
        estimate.n_replicates,
    )


def _target(share: Figure, target: float) -> Literal["met", "missed", "unclear"]:
    if share.low >= target:
        return "met"
    return "missed" if share.high < target else "unclear"


def _gain_per_1000(verdict: Verdict, extra_cost: float) -> Figure | None:
    if verdict.outcome != "better" or extra_cost <= 0.0:
        return None
    scale = 1000.0 / extra_cost
    return Figure(scale * verdict.gain, scale * (verdict.high - verdict.gain))


@dataclass(frozen=True)
class ReverberationRow:
    """Reverberation time of one scenario by one method."""

    scenario: str
    method: str
    """"traced", or the name of a statistical formula."""
    time: tuple[Figure, ...]
    """Eight bands, s; the formulas have no error of chance."""
    is_off: tuple[bool, ...]
    """For a formula: further from the traced time than one just noticeable difference and chance together."""
    n_seats: tuple[int, ...] | None = None
    """Of traced times, eight bands: seats that the mean is over, those at which all times given for the room are known.
    None for a formula."""


JUST_NOTICEABLE = 0.05
"""Of reverberation times, as a share of the value (ISO 3382-1:2009, Table A.1, from memory)."""


def reverberation_rows(results: Results) -> list[ReverberationRow]:
    """Traced times, mean over the seats, followed by the statistical estimates, scenario by scenario."""
    traced = results.room[T20]
    half = traced.half_width()
    counted = common_seats({name: np.isfinite(results.seats[name].value) for name in TIMES if name in results.seats})
    n_seats = counted[T20].sum(axis=0)
    rows = []
    for i, record in enumerate(results.scenarios):
        times = tuple(figure(traced, (i, band)) for band in range(bands.N_BANDS))
        of_seats = tuple(int(n) for n in n_seats[i])
        rows.append(ReverberationRow(record.name, "traced", times, (False,) * bands.N_BANDS, of_seats))
        allowed = JUST_NOTICEABLE * traced.value[i] + half[i]
        for name in [name for name in FORMULAS if name in results.statistical]:
            estimate = results.statistical[name]
            off = np.abs(estimate[i] - traced.value[i]) > allowed
            times = tuple(Figure(float(time), 0.0) for time in estimate[i])
            rows.append(ReverberationRow(record.name, name, times, tuple(bool(one) for one in off)))
    return rows
