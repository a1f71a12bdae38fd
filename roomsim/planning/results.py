"""What a finished search knows; read from and written to one file. Reports see nothing else."""

from __future__ import annotations

from dataclasses import dataclass

from ..scene.drawing import PlanDrawing


@dataclass(frozen=True)
class Known:
    """A value and half the widths of its 95 % intervals; NaN where it cannot be evaluated."""

    value: float
    half_width: float
    """Chance of the rays."""
    input_half_width: float | None = None
    """From absorption not being known better; None where it was not looked at."""

    @property
    def is_sure(self) -> bool:
        """More than the chance of the rays explains."""
        return abs(self.value) > self.half_width


@dataclass(frozen=True)
class FigureRecord:
    name: str
    words: str
    unit: str
    """"%" for a share (0.12 is shown as 12 %), "s", "dB", or empty."""
    better: int
    """1 if more is better, -1 if less is, 0 if it depends."""
    noticeable: float | None
    decimals: int


@dataclass(frozen=True)
class GoalRecord:
    figure: str
    target: float | None
    tolerance: float


@dataclass(frozen=True)
class CandidateRecord:
    name: str
    description: str
    cost: float
    """Hire, and rigging hours at the labour rate."""
    hire: float
    rigging_hours: float
    roof_points: int
    weight: float
    """kg."""
    hangs: bool


@dataclass(frozen=True)
class Option:
    """A set of elements: what it takes and what it gives."""

    elements: tuple[str, ...]
    """Candidates in it, without those of the start."""
    cost: float
    rigging_hours: float
    roof_points: int
    weight: float
    broken: tuple[str, ...]
    """Limits and relations that it breaks."""
    figures: dict[str, Known]
    gains: dict[str, Known]
    """Over the start."""
    is_retraced: bool
    """The figures come from paths traced for the finalists alone, with other random numbers."""


@dataclass(frozen=True)
class WorkedOut:
    """A set that the search worked out."""

    members: tuple[int, ...]
    """Places among the candidates."""
    cost: float
    is_allowed: bool
    """It keeps all limits and relations but, maybe, the budget."""
    values: dict[str, float]
    """Of every figure; errors are those of the options near it."""


@dataclass(frozen=True)
class StepRecord:
    """What can be had for an amount of money, and how much more that is than the last step worth taking."""

    money: float
    option: int
    against: int
    """Place among the steps of the one that this one is judged against: the last before it whose gain was noticeable,
    or sure where no just noticeable difference is known; else the start. So the verdict on a large step does not
    depend on the small ones in between."""
    came: tuple[str, ...]
    went: tuple[str, ...]
    figures: dict[str, Known]
    """From the paths of the search, like the differences."""
    more: dict[str, Known]
    """Differences to the set that it is judged against, from the same paths."""
    verdict: str
    """"noticeable", "more than chance", "below one JND", "within chance"; of the first goal that changes."""


@dataclass(frozen=True)
class ReachRecord:
    figure: str
    target: float
    likely: int | None
    """Option that reaches the target by its value, at the least cost; None if none does."""
    sure: int | None
    """By the worse end of its interval."""
    near: int | None
    """The cheapest option that misses the target by less than half its interval, if it is cheaper than `likely`."""
    near_value: Known | None
    """Its figure, from the paths of the search."""


@dataclass(frozen=True)
class ElementValue:
    element: str
    cost: float
    alone: Known
    last: Known
    average: Known


@dataclass(frozen=True)
class ValueTable:
    figure: str
    of_plan: bool
    """Of the elements of the proposed plan among themselves; otherwise of all candidates."""
    together: Known
    """Gain of all of them."""
    rows: tuple[ElementValue, ...]
    n_orders: int | None
    """Orders tried; None for all."""


@dataclass(frozen=True)
class LeftOutRecord:
    elements: tuple[str, ...]
    saves: float
    saves_hours: float
    saves_points: int
    more: dict[str, Known]
    """Change of each figure."""


@dataclass(frozen=True)
class StandingRecord:
    case: str
    choice: tuple[str, ...]
    """Elements that would be proposed there."""
    is_plan: bool
    value: float
    behind: float


@dataclass(frozen=True)
class RobustnessRecord:
    figure: str
    n_sets: int
    cases: tuple[StandingRecord, ...]
    n_draws: int
    stays_proposed: float
    stays_as_good: float
    behind: float


@dataclass(frozen=True)
class RetracedRecord:
    option: int
    searched: dict[str, Known]
    """As the search saw it."""
    ratio: dict[str, float]
    """Difference of both over the standard error of the difference."""


@dataclass(frozen=True)
class SearchRecord:
    n_possible: int | None
    n_worked_out: int
    is_exhaustive: bool
    is_local_best: bool
    surrogate_error: float
    bound: float
    diminishing: float
    words: tuple[str, ...]
    """How near to the best the answer is known to be."""


@dataclass(frozen=True)
class BlameRecord:
    """Where the late energy of a set comes from."""

    option: int
    after: float
    """s."""
    surfaces: tuple[str, ...]
    square_metres: tuple[float, ...]
    area_names: tuple[str, ...]
    share: tuple[tuple[tuple[float, ...], ...], ...]
    """[area][surface][band]."""
    half_width: tuple[tuple[tuple[float, ...], ...], ...]
    overall: tuple[tuple[float, ...], ...]
    """[surface][band], of all seats together."""
    density: tuple[float, ...]
    """Of each patch: share of the late energy at 500 Hz to 4 kHz, for each square metre."""


@dataclass(frozen=True)
class NewLine:
    """A line along a wall that is no candidate yet and breaks no rule that the study knows of."""

    run: tuple[tuple[float, float], tuple[float, float]]
    top: float
    drop: float
    fabric: str
    square_metres: float
    cost: float
    """At the price of the study's own line for each square metre."""
    late_share: float
    """Of the late energy at 500 Hz to 4 kHz that comes off the wall there."""
    gains: dict[str, Known]
    """Over the proposed plan, if it is added."""


@dataclass(frozen=True)
class PlanResults:
    """The answer to: which set, and what does the next bit of money buy?"""

    title: str
    venue: str
    currency: str
    start: str
    start_elements: tuple[str, ...]
    budget: float | None
    money_step: float
    figures: tuple[FigureRecord, ...]
    goals: tuple[GoalRecord, ...]
    candidates: tuple[CandidateRecord, ...]
    refused: dict[str, str]
    options: tuple[Option, ...]
    """All that the lists below speak of by number."""
    worked_out: tuple[WorkedOut, ...]
    start_option: int
    proposed: int
    highest: int
    finalists: tuple[int, ...]
    front: dict[str, tuple[int, ...]]
    """Goal -> options, cheapest first."""
    steps: tuple[StepRecord, ...]
    reaches: tuple[ReachRecord, ...]
    values: tuple[ValueTable, ...]
    left_out: tuple[LeftOutRecord, ...]
    """Each element of the plan by itself."""
    left_out_in_turn: tuple[LeftOutRecord, ...]
    robustness: RobustnessRecord | None
    retraced: tuple[RetracedRecord, ...]
    search: SearchRecord
    blame: tuple[BlameRecord, ...]
    """Of the start and of the proposed plan."""
    outlines: tuple[tuple[tuple[float, float, float], ...], ...]
    """Four corners of every surface, m; the last of a triangle is repeated."""
    outline_patch: tuple[int, ...]
    """Patch of each, for `BlameRecord.density`."""
    outline_is_sheet: tuple[bool, ...]
    """Free-hanging cloth, hung or not."""
    new_lines: tuple[NewLine, ...]
    drawing: PlanDrawing
    warnings: tuple[str, ...]
    provenance: dict[str, str]

    def figure(self, name: str) -> FigureRecord:
        return next(figure for figure in self.figures if figure.name == name)

    @property
    def plan(self) -> Option:
        return self.options[self.proposed]
