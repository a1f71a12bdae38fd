"""From what was searched, traced and weighed to the records that reports are made from."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from ..estimate import Estimate, student_factor
from ..scene.drawing import PlanDrawing
from ..scene.scenarios import demand_of, hangs
from ..scene.scene import Scene
from ..scene.wall_lines import covered
from ..venue.document import Drape, Study
from .candidates import BUDGET, Candidates, study_of_sets
from .goals import Figure, Goal
from .origin import Blame, outlines
from .results import (
    BlameRecord,
    CandidateRecord,
    ElementValue,
    FigureRecord,
    GoalRecord,
    Known,
    LeftOutRecord,
    NewLine,
    Option,
    PlanResults,
    ReachRecord,
    RetracedRecord,
    RobustnessRecord,
    SearchRecord,
    StandingRecord,
    StepRecord,
    ValueTable,
    WorkedOut,
)
from .robustness import Robustness, Shifts
from .search import Searched
from .steps import LeftOut, Reach, Step, leave_out_each, leave_out_in_turn
from .valuation import Valuation
from .values import values_of

COVERAGE_FACTOR = 2.0
"""Expanded uncertainty over standard uncertainty for 95 % (JCGM 100:2008, 6.3.3, from memory)."""


WORTH_TAKING = ("noticeable", "more than chance")
"""Verdicts on a step of money after which the next ones are judged against it."""


@dataclass
class Answers:
    """All that was worked out, and the options that the records speak of so far."""

    study: Study
    candidates: Candidates
    figures: Mapping[str, Figure]
    goals: Sequence[Goal]
    valuation: Valuation
    """Of the search."""
    direct: Valuation
    """Of the finalists, from paths of their own."""
    shifts: Shifts
    plan: int
    highest: int
    _options: dict[int, Option] = field(default_factory=dict)

    # --- options ----------------------------------------------------------------------------------------

    def option(self, mask: int) -> int:
        """Number of a set among the options; it becomes one if it is none yet."""
        if mask not in self._options:
            self._options[mask] = self._made(mask)
        return list(self._options).index(mask)

    def _made(self, mask: int) -> Option:
        is_retraced = mask in self.direct.sets
        valuation = self.direct if is_retraced else self.valuation
        of_set = study_of_sets(self.study, self.candidates.start, [self.candidates.members(mask)])
        demand = demand_of(of_set, of_set.document.scenario[0])
        place = self.shifts.sets.index(mask) if mask in self.shifts.sets else None
        figures, gains = {}, {}
        for name in self.figures:
            own = None if place is None else COVERAGE_FACTOR * float(self.shifts.value_error(name)[place])
            gained = None if place is None else COVERAGE_FACTOR * float(self.shifts.input_error(name)[place])
            figures[name] = known(valuation.estimate(name, [mask]), own)
            gains[name] = known(valuation.difference(name, [mask], [0]), gained)
        return Option(
            elements=self.candidates.members(mask),
            cost=demand.cost,
            rigging_hours=demand.rigging_hours,
            roof_points=demand.roof_points,
            weight=demand.weight,
            broken=self.candidates.broken(mask),
            figures=figures,
            gains=gains,
            is_retraced=is_retraced,
        )

    def _differences(self, after: int, before: int) -> dict[str, Known]:
        """Of the same paths: those of the finalists if both are among them."""
        both = {after, before} <= set(self.direct.sets)
        valuation = self.direct if both else self.valuation
        return {name: known(valuation.difference(name, [after], [before])) for name in self.figures}

    # --- records ----------------------------------------------------------------------------------------

    def results(
        self,
        *,
        searched: Searched,
        finalists: Sequence[int],
        fronts: Mapping[str, Sequence[int]],
        money: Sequence[Step],
        reaches: Sequence[Reach],
        n_orders: int | None,
        robust: Robustness,
        blame: Sequence[tuple[int, Blame]],
        scene: Scene,
        new_lines: Sequence[tuple[Drape, float, float, Mapping[str, tuple[float, float]]]],
        drawing: PlanDrawing,
        warnings: Sequence[str],
        provenance: Mapping[str, str],
    ) -> PlanResults:
        start = self.candidates.start
        costs = self.study.document.costs
        corners, patch = outlines(scene)
        retraced = [self._retraced(mask) for mask in finalists]
        parts = {
            "start_option": self.option(0),
            "proposed": self.option(self.plan),
            "highest": self.option(self.highest),
            "finalists": tuple(self.option(mask) for mask in finalists),
            "front": {name: tuple(self.option(mask) for mask in sets) for name, sets in fronts.items()},
            "steps": self._steps(money),
            "reaches": tuple(self._reach(reach) for reach in reaches),
            "values": self._value_tables(n_orders),
            "left_out": tuple(self._left_out(out) for out in leave_out_each(self.candidates, self.plan)),
            "left_out_in_turn": tuple(
                self._left_out(out)
                for out in leave_out_in_turn(self.candidates, self.valuation, self.goals, self.plan)
            ),
            "blame": tuple(self._blame(mask, found) for mask, found in blame),
        }
        return PlanResults(
            title=self.study.document.title,
            venue=self.study.venue.name,
            currency=costs.currency,
            start=start.name,
            start_elements=start.elements,
            budget=costs.budget,
            money_step=self.study.document.plan.money_step,
            figures=tuple(_figure(figure) for figure in self.figures.values()),
            goals=tuple(GoalRecord(goal.figure.name, goal.target, goal.tolerance) for goal in self.goals),
            candidates=tuple(self._candidates()),
            refused=dict(self.candidates.refused),
            robustness=self._robust(robust),
            retraced=tuple(retraced),
            search=self._search(searched),
            outlines=tuple(tuple(tuple(map(float, point)) for point in face) for face in corners),  # type: ignore[misc]
            outline_patch=tuple(int(number) for number in patch),
            outline_is_sheet=tuple(scene.patches[number].is_sheet for number in patch),
            worked_out=tuple(self._worked_out()),
            new_lines=tuple(self._new_line(*line) for line in new_lines),
            drawing=drawing,
            warnings=(*warnings, *self._doubts(retraced)),
            provenance=dict(provenance),
            **parts,  # type: ignore[arg-type]
            options=tuple(self._options.values()),
        )

    def _candidates(self) -> Iterable[CandidateRecord]:
        for element, cost in zip(self.candidates.elements, self.candidates.cost_each):
            yield CandidateRecord(
                name=element.name,
                description=element.description,
                cost=float(cost),
                hire=element.hire,
                rigging_hours=element.rigging_hours,
                roof_points=element.roof_points,
                weight=element.weight,
                hangs=hangs(element),
            )

    def _worked_out(self) -> Iterable[WorkedOut]:
        sets = self.valuation.sets
        bits = self.candidates.bits(sets)
        cost, fine = self.candidates.cost(bits), self.candidates.allowed(bits, but=(BUDGET,))
        values = self.valuation.values(list(self.figures), sets)
        for i in range(len(sets)):
            members = tuple(int(k) for k in np.flatnonzero(bits[i]))
            of_set = {name: float(found[i]) for name, found in values.items()}
            yield WorkedOut(members, float(cost[i]), bool(fine[i]), of_set)

    def _steps(self, money: Sequence[Step]) -> tuple[StepRecord, ...]:
        records = []
        taken = 0
        for place, step in enumerate(money):
            before = money[taken].best
            # All from the paths of the search: the finalists' own would show levels that the differences do not join.
            more = {
                name: known(self.valuation.difference(name, [step.best], [before])) for name in self.figures
            }
            verdict = self._verdict(more, before)
            records.append(
                StepRecord(
                    money=step.money,
                    option=self.option(step.best),
                    against=taken,
                    came=self.candidates.members(step.best & ~before),
                    went=self.candidates.members(before & ~step.best),
                    figures={name: known(self.valuation.estimate(name, [step.best])) for name in self.figures},
                    more=more,
                    verdict=verdict,
                )
            )
            if verdict in WORTH_TAKING:
                taken = place
        return tuple(records)

    def _verdict(self, more: Mapping[str, Known], before: int) -> str:
        """Of the first goal that is sure to gain and was not reached before; of none, chance."""
        for goal in self.goals:
            if goal.is_reached(float(self.valuation.estimate(goal.figure.name, [before]).value[0])):
                continue
            change = more[goal.figure.name]
            if change.is_sure and goal.figure.better * change.value > 0.0:
                noticeable = goal.figure.noticeable
                slight = noticeable is not None and abs(change.value) < noticeable
                return "below one JND" if slight else "noticeable" if noticeable else "more than chance"
        return "within chance"

    def _reach(self, reach: Reach) -> ReachRecord:
        assert reach.goal.target is not None
        name = reach.goal.figure.name
        likely, sure, near = (
            None if mask is None else self.option(mask) for mask in (reach.likely, reach.sure, reach.near)
        )
        missed = None if reach.near is None else known(self.valuation.estimate(name, [reach.near]))
        return ReachRecord(name, reach.goal.target, likely, sure, near, missed)

    def _value_tables(self, n_orders: int | None) -> tuple[ValueTable, ...]:
        everyone = [1 << i for i in range(self.candidates.n)]
        inside = [one for one in everyone if one & self.plan]
        tables = []
        for players, of_plan, orders in ((everyone, False, n_orders), (inside, True, None)):
            for name in self.figures if len(players) > 1 else ():
                found = values_of(self.valuation, name, players, n_orders=orders)
                together = known(self.valuation.difference(name, [sum(players)], [0]))
                error = np.hypot(found.average.standard_error, found.order_error)
                average = Estimate(found.average.value, error, found.average.n_replicates)
                names = [self.candidates.members(one)[0] for one in players]
                rows = [
                    ElementValue(
                        element,
                        float(self.candidates.cost_each[self.candidates.names.index(element)]),
                        known(found.alone, place=i),
                        known(found.last, place=i),
                        known(average, place=i),
                    )
                    for i, element in enumerate(names)
                ]
                tables.append(ValueTable(name, of_plan, together, tuple(rows), orders))
        return tuple(tables)

    def _left_out(self, out: LeftOut) -> LeftOutRecord:
        gone = self.candidates.members(out.before & ~out.after)
        cost = self.candidates.cost(self.candidates.bits([out.before, out.after]))
        elements = [element for element in self.candidates.elements if element.name in gone]
        return LeftOutRecord(
            elements=gone,
            saves=float(cost[0] - cost[1]),
            saves_hours=sum(element.rigging_hours for element in elements),
            saves_points=sum(element.roof_points for element in elements),
            more=self._differences(out.after, out.before),
        )

    def _robust(self, found: Robustness) -> RobustnessRecord:
        cases = [
            StandingRecord(
                one.case,
                self.candidates.members(one.choice),
                one.choice == self.plan,
                one.value,
                one.behind,
            )
            for one in found.cases
        ]
        return RobustnessRecord(
            found.figure, found.n_sets, tuple(cases), found.n_draws, found.stays_proposed, found.stays_as_good,
            found.behind,
        )  # fmt: skip

    def _retraced(self, mask: int) -> RetracedRecord:
        searched, ratio = {}, {}
        for name in self.figures:
            first, second = self.valuation.estimate(name, [mask]), self.direct.estimate(name, [mask])
            error = float(np.hypot(first.standard_error[0], second.standard_error[0]))
            gap = float(second.value[0] - first.value[0])
            searched[name] = known(first)
            ratio[name] = gap / error if error > 0.0 else (0.0 if gap == 0.0 else math.inf)
        return RetracedRecord(self.option(mask), searched, ratio)

    def _doubts(self, retraced: Sequence[RetracedRecord]) -> list[str]:
        """Where the finalists' own paths do not bear the search out."""
        ratios = [
            (abs(value), record.option, name)
            for record in retraced
            for name, value in record.ratio.items()
            if math.isfinite(value)
        ]
        # Sets and figures share their paths: counting them as independent makes the limit wider, not stricter.
        limit = student_factor(20, 1.0 - 0.01 / max(len(ratios), 1))
        far = [entry for entry in ratios if entry[0] > limit]
        if not far:
            return []
        worst = max(far)
        words = self.figures[worst[2]].words
        elements = " + ".join(list(self._options.values())[worst[1]].elements) or "nothing"
        return [
            f"Traced anew, {len(far)} of {len(ratios)} figures of the finalists differ from the search by more than "
            f"chance explains, most of all {words} with {elements} ({worst[0]:.1f} standard errors). Ask for a smaller "
            "error (--sti-error) before you rely on small differences."
        ]

    def _search(self, found: Searched) -> SearchRecord:
        return SearchRecord(
            found.n_possible, found.n_worked_out, found.is_exhaustive, found.is_local_best, found.error, found.bound,
            found.diminishing, tuple(_how_near(found)),
        )  # fmt: skip

    def _blame(self, mask: int, found: Blame) -> BlameRecord:
        return BlameRecord(
            option=self.option(mask),
            after=found.after,
            surfaces=found.surfaces,
            square_metres=tuple(map(float, found.square_metres)),
            area_names=found.area_names,
            share=_nested(found.share.value),
            half_width=_nested(found.share.half_width()),
            overall=tuple(tuple(map(float, row)) for row in found.overall),
            density=tuple(map(float, found.density)),
        )

    def _new_line(
        self, line: Drape, metres: float, share: float, gains: Mapping[str, tuple[float, float]]
    ) -> NewLine:
        start, end = line.runs[0][0], line.runs[0][-1]
        rate = self.study.document.costs.labour_rate
        return NewLine(
            run=(start, end),
            top=line.top,
            drop=line.drop,
            fabric=line.fabric,
            square_metres=covered(line),
            cost=line.hire + rate * line.rigging_hours,
            late_share=share,
            gains={name: Known(float(value), float(half)) for name, (value, half) in gains.items()},
        )


def known(estimate: Estimate, input_half_width: float | None = None, place: int = 0) -> Known:
    """One of an estimate's values with its intervals."""
    if input_half_width is not None and not math.isfinite(input_half_width):
        input_half_width = None
    return Known(float(estimate.value[place]), float(estimate.half_width()[place]), input_half_width)


def _figure(figure: Figure) -> FigureRecord:
    return FigureRecord(
        figure.name, figure.words, figure.unit, figure.better, figure.noticeable, figure.decimals
    )


def _nested(values: np.ndarray) -> tuple[tuple[tuple[float, ...], ...], ...]:
    return tuple(tuple(tuple(map(float, row)) for row in table) for table in values)


def _how_near(found: Searched) -> list[str]:
    """How near to the best the answer is known to be."""
    if found.is_exhaustive:
        return [
            f"All {found.n_possible:,} sets that keep the limits (the budget apart) were worked out. There is no "
            "better one; which of those that are equal within their error is ahead is chance."
        ]
    goal = found.goal
    words = [
        f"{found.n_worked_out:,} sets were worked out"
        + (f" of {found.n_possible:,} that keep the limits (the budget apart)" if found.n_possible else "")
        + ", chosen by a fitted model and by exchanging elements. A better one may have been missed."
    ]
    if found.is_local_best:
        words.append("No single addition, removal or exchange of an element within the limits is better.")
    words.append(
        f"The fitted model misses sets that it has not seen by {_amount(found.error, goal)} in "
        f"{goal.figure.words} (root mean square)."
    )
    if math.isfinite(found.bound):
        share = (
            "" if math.isnan(found.diminishing) else f" ({100.0 * found.diminishing:.0f} % of the cases seen)"
        )
        words.append(
            f"If no element adds more to a larger set than to a smaller one{share}, no allowed set is above the "
            f"highest by more than {_amount(found.bound, goal)} in {goal.figure.words}."
        )
    return words


def _amount(value: float, goal: Goal) -> str:
    if goal.figure.unit == "%":
        return f"{100.0 * value:.1f} points"
    return f"{value:.{goal.figure.decimals}f} {goal.figure.unit}".rstrip()
