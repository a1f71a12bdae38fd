"""Settings of a search for the best treatment: candidates, relations between them, and goals."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, field_validator

from roomsim.fields import Model, Name, NotNegative

Time = Annotated[float, Field(ge=0.01, le=100.0)]
Seconds = tuple[Time, Time, Time, Time, Time, Time, Time, Time]
"""Eight times, 63 Hz to 8 kHz, s."""

GoalQuantity = Literal[
    "sti_share_of_seats",
    "sti_worst_tenth",
    "sti_median",
    "reverberation_mid",
    "reverberation_bass",
    "level_spread",
]


class Goal(Model):
    """One criterion by which plans are compared. Goals take precedence in the order in which they are written."""

    figure: GoalQuantity
    """Quantity that is compared: share of the seats at the study's STI target or above; STI of the worst tenth or of
    the median seat; deviation of the reverberation at 500 Hz and 1 kHz, or at 63 and 125 Hz, from the target curve;
    level difference between the loudest and the softest tenth of the seats."""
    target: Annotated[float, Field(ge=-1000.0, le=1000.0)] | None = None
    """Value beyond which a further improvement does not count."""
    tolerance: NotNegative | None = None
    """Plans that differ by this amount or less count as equal, and the next goal decides. By default one just
    noticeable difference; never less than the difference that the Monte Carlo error can explain."""


class Plan(Model):
    """The search for the best treatment."""

    start_from: Name | None = None
    """Scenario to which elements are added, and with which the results are compared; by default the bare venue."""
    candidates: tuple[Name, ...] = ()
    """Elements to choose from, system changes among them; by default all drapes, banners, ceiling drapes,
    baffle arrays and floor coverings that the start does not have."""
    together: tuple[Annotated[tuple[Name, ...], Field(min_length=2)], ...] = ()
    """Lists of elements of which either all or none are chosen."""
    only_one_of: tuple[Annotated[tuple[Name, ...], Field(min_length=2)], ...] = ()
    """Lists of elements of which at most one may be chosen."""
    requires: dict[Name, tuple[Name, ...]] = Field(default_factory=dict)
    """Element -> elements without which it cannot be chosen."""
    goal: Annotated[tuple[Goal, ...], Field(min_length=1)] = (
        Goal(figure="sti_share_of_seats"),
        Goal(figure="sti_worst_tenth"),
    )
    """The goals, the most important first."""
    reverberation_at_most: Seconds | None = None
    """Upper edge of the target curve, s per octave."""
    reverberation_at_least: Seconds | None = None
    """Lower edge of the target curve, s per octave; none by default."""
    money_step: Annotated[float, Field(ge=0.01, le=1e9)] = 500.0
    """Steps of the table that shows the effect of a larger budget."""
    late_after: Literal[50, 80] = 50
    """ms after the first sound; later energy counts as late in the table of its origin: 50 for speech, 80 for
    music."""
    most_sets: Annotated[int, Field(ge=16, le=65536)] = 512
    """Largest number of sets of elements that are evaluated. If fewer are allowed, all are evaluated."""

    @field_validator("goal")
    @classmethod
    def _each_once(cls, goals: tuple[Goal, ...]) -> tuple[Goal, ...]:
        figures = [goal.figure for goal in goals]
        twice = [figure for i, figure in enumerate(figures) if figure in figures[:i]]
        if twice:
            raise ValueError(f'"{twice[0]}" is listed as a goal twice; leave one of them out')
        return goals
