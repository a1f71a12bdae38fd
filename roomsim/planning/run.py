"""From the files of a study to the proposed set of elements and its alternatives for other amounts of money."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import combinations
from pathlib import Path

from ..elements.drape import Drape
from ..errors import SceneError
from ..estimate import student_factor
from ..metrics.replicated import SeatStatistic
from ..results.folder import PLAN, default_folder
from ..results.interval import Interval, interval_of
from ..results.records import COVERAGE_FACTOR, Caveat
from ..scene.checks import check_venue, refused_scenarios
from ..scene.compile import compile_scene, with_element_sets
from ..scene.drawing import plan_drawing
from ..scene.rigging_checks import NOT_CHECKED, rigging_findings
from ..scene.scenarios import demand_of
from ..scene.scene import Scene
from ..scene.wall_lines import suggested_lines
from ..study.caveats import finding_caveat, missed_precision
from ..study.convergence import Convergence, converge
from ..study.evaluator import Evaluator
from ..study.progress import Progress, Step
from ..study.run import provenance, with_sti_error
from ..study.store import StudyStore
from ..study.traced_paths import N_REPLICATES, prepare_tracing
from ..venue.document import Study
from ..venue.reading import read_study
from .candidates import Candidates, candidates_of, requested_elements, start_of, study_of_sets
from .contributions import contribution_tables, sets_needed
from .evaluation import Problem, SetEvaluator, evaluate_elements
from .goals import goals_of, measures_of
from .late_energy import late_energy_origin, outlines, worst_places
from .plan_file import write_plan
from .results import EvaluatedSet, LateEnergyOrigin, LeftOut, NewLine, Option, PlanResults, TargetCost
from .robustness import Shifts, robustness, shifts_of
from .search import search
from .trade_offs import best_for_money, cost_steps, front, least_cost, leave_out_in_turn, without_one

N_TILES = 300
"""Parts into which the surfaces are divided to show where late energy comes from."""
ALL_COMBINATIONS_UP_TO = 4
"""The largest number of free-hanging candidates of which paths are sampled for every combination."""
SMALLEST_TILE = 2.0
"""m; smaller parts would show Monte Carlo error."""
MOST_FINALISTS = 12
MOST_CONTENDERS = 15
"""Sets that are compared with different absorption; with the start they fill a block."""
N_NEW_LINES = 5
OTHER_SEED = 1_000_003
"""Added to the study's seed for the paths of the finalists, so that errors that favoured a set in the search do not
favour it again."""
N_ORDERS = 16
"""Orders evaluated for the average contribution of an element where there are too many sets to evaluate all."""
ALL_ORDERS_UP_TO = 256
"""Sets; with more than eight candidates a sample of orders is as good and takes less time."""


def plan(
    study_path: str | Path,
    folder: str | Path | None = None,
    *,
    sti_error: float | None = None,
    most_sets: int | None = None,
    threads: int | None = None,
    progress: Callable[[Step], None] | None = None,
) -> PlanResults:
    """Find the set of elements that meets the study's goals best within its limits.

    Paths traced by an earlier search into the same folder are used again.

    Parameters
    ----------
    study_path : study file, whose table [plan] states candidates and goals
    folder : for paths and the plan; by default `<study>.roomsim` beside the study
    sti_error : requested standard error of the speech transmission index, in place of the one in the study
    most_sets : largest number of sets evaluated, in place of the one in the study
    threads : by default one for each core; results do not depend on it
    progress : called with each step; an exception that it raises ends the search, and paths traced so far are stored

    Raises
    ------
    DocumentError, MeshError, MaterialError, PhysicalRangeError, SceneError : the input is wrong
    StoreError : the folder is in use or cannot be written
    """
    reports = Progress(progress)
    study = with_sti_error(read_study(study_path), sti_error)
    candidates = candidates_of(study, conflicts(study))
    with StudyStore(Path(folder or default_folder(study_path)), reports.message) as store:
        store.keep_inputs(study.folder, study.digests)
        most_sets = most_sets or study.document.plan.most_sets
        results = _Search(study, candidates, store, most_sets, threads, reports).results()
        write_plan(store.folder / PLAN, results)
    return results


def conflicts(study: Study) -> dict[str, str]:
    """Requested elements that must not be hung where they are drawn -> reason.

    Raises
    ------
    SceneError : the start itself has an error
    """
    start, requested = start_of(study), requested_elements(study)
    pool = study_of_sets(study, start, [(), *((element.name,) for element in requested)])
    errors = refused_scenarios(pool, check_venue(pool))
    names = [scenario.name for scenario in pool.document.scenarios_in_order()]
    if names[0] in errors:
        first = errors[names[0]][0]
        raise SceneError(first.text, place=first.place, cure=first.cure)
    return {element.name: errors[name][0].text for name, element in zip(names[1:], requested) if name in errors}


class _Search:
    """The stages of one search."""

    def __init__(
        self, study: Study, candidates: Candidates, store: StudyStore, most_sets: int,
        threads: int | None, progress: Progress,
    ):  # fmt: skip
        self.study, self.candidates = study, candidates
        self.store, self.most_sets, self.threads, self.progress = store, most_sets, threads, progress
        self.measures = measures_of(study)
        self.goals = goals_of(study, self.measures)

    def results(self) -> PlanResults:
        document, candidates, n = self.study.document, self.candidates, self.candidates.n
        evaluator, convergence = self._traced(self._search_scene(), document.seed)
        searched = self._problem(evaluator, self.study)
        outcome = search(searched, self.most_sets)
        n_orders = None if 1 << n <= min(self.most_sets, ALL_ORDERS_UP_TO) else N_ORDERS
        searched.evaluator.ensure(sets_needed([1 << i for i in range(n)], n_orders))
        fronts = {goal.measure.name: tuple(front(searched, goal, outcome.sets)) for goal in self.goals}
        targets = tuple(least_cost(searched, goal, outcome.sets) for goal in self.goals if goal.target is not None)
        finalists = self._finalists(searched, outcome.sets, targets)
        on_fronts = [mask for sets in fronts.values() for mask in sets]
        contenders = [*finalists[1:], *on_fronts, *searched.ranked(searched.within_budget(outcome.sets))]
        contenders = [0, *(mask for mask in list(dict.fromkeys(contenders))[:MOST_CONTENDERS] if mask)]
        shifts = shifts_of(evaluator, self.study, candidates, self.measures, contenders)

        scene, extended, lines = self._final_scene(finalists)
        final, final_convergence = self._traced(scene, (document.seed + OTHER_SEED) % 2**31)
        retraced = self._problem(final, extended)
        retraced.evaluator.ensure(finalists)
        affordable = retraced.within_budget(finalists)
        plan, highest = retraced.proposed(affordable), retraced.ranked(affordable)[0]
        origins = tuple(
            late_energy_origin(final, extended, candidates, mask, finalists.index(mask))
            for mask in dict.fromkeys([0, plan])
        )

        def changes(after: int, before: int) -> dict[str, Interval]:
            """Both sets from the same paths: those of the finalists if both are finalists."""
            are_finalists = {after, before} <= {*finalists}
            return (retraced if are_finalists else searched).evaluator.changes(after, before)

        of_money = cost_steps(searched, best_for_money(searched, outcome.sets, document.plan.money_step))
        left_out = tuple(LeftOut(plan, after, changes(after, plan)) for after in without_one(candidates, plan))
        in_turn = leave_out_in_turn(searched, plan, changes)
        referred = [*finalists, *on_fronts, *(step.option for step in of_money)]
        referred += [mask for cost in targets for mask in (cost.likely, cost.certain, cost.near) if mask is not None]
        referred += [left.after for left in (*left_out, *in_turn)]
        options = tuple(self._option(mask, searched, retraced, shifts) for mask in dict.fromkeys(referred))
        corners, patch = outlines(scene)
        return PlanResults(
            title=document.title,
            venue=self.study.venue.name,
            currency=document.costs.currency,
            start=candidates.start.name,
            start_elements=candidates.start.elements,
            budget=document.costs.budget,
            money_step=document.plan.money_step,
            n_replicates=N_REPLICATES,
            measures=tuple(row.measure for row in self.measures.values()),
            goals=self.goals,
            candidates=candidates.elements,
            refused=candidates.refused,
            options=options,
            evaluated=self._evaluated(searched),
            proposed=plan,
            highest=highest,
            finalists=tuple(finalists),
            front=fronts,
            steps=of_money,
            target_costs=targets,
            contributions=contribution_tables(candidates, searched.evaluator, [*self.measures], plan, n_orders),
            left_out=left_out,
            left_out_in_turn=in_turn,
            robustness=robustness(searched, shifts, plan, searched.allowed(searched.within_budget(shifts.sets))),
            search=outcome,
            late_energy=origins,
            outlines=corners,
            outline_patch=tuple(map(int, patch)),
            outline_is_sheet=tuple(scene.patches[number].is_sheet for number in patch),
            new_lines=self._new_lines(final, extended, plan, lines, origins[-1]),
            drawing=plan_drawing(self.study, scene.receivers),
            caveats=(*self._caveats(convergence, final_convergence), *self._unconfirmed(options[: len(finalists)])),
            provenance=provenance(self.study, final_convergence),
        )

    # --- paths ------------------------------------------------------------------------------------------

    def _search_scene(self) -> Scene:
        """All candidates in one geometry, and the sets for which paths are sampled.

        Coverings of a surface change only the weight of a path, but free-hanging cloth changes its course. Paths are
        sampled for each candidate by itself, for all together, and for every combination of free-hanging ones, or
        every pair if there are many.
        """
        names = self.candidates.names
        hung_free = {element.name for element in self.study.elements.all() if element.free_sheets()}
        free = [name for name in names if name in hung_free]
        sizes = range(len(free) + 1) if len(free) <= ALL_COMBINATIONS_UP_TO else (2,)
        together = [chosen for size in sizes for chosen in combinations(free, size)]
        pool = dict.fromkeys([(), *((name,) for name in names), *together, names])
        return compile_scene(study_of_sets(self.study, self.candidates.start, [*pool]))

    def _traced(self, scene: Scene, seed: int) -> tuple[Evaluator, Convergence]:
        document = self.study.document
        setup = prepare_tracing(scene, seed, document.image_order, self.store, self.threads)
        return converge(setup, document.precision, self.progress)

    def _problem(self, evaluator: Evaluator, study: Study) -> Problem:
        """Sets evaluated on the paths of an evaluator, with the goals and the budget of the study."""
        candidates, measures = self.candidates, self.measures

        def evaluate(sets: Sequence[int]) -> dict[str, SeatStatistic]:
            present = [candidates.present(mask) for mask in sets]
            return evaluate_elements(evaluator, study, candidates.start, present, measures)

        of_sets = SetEvaluator(evaluate, measures, progress=self.progress)
        return Problem(candidates, of_sets, self.goals, study.document.costs.budget)

    def _final_scene(self, finalists: Sequence[int]) -> tuple[Scene, Study, tuple[Drape, ...]]:
        """The finalists only, with surfaces divided into parts, and with all possible new lines, none of them hung."""
        candidates, elements = self.candidates, self.study.elements
        present = {*candidates.present(candidates.everything)}
        hung = [drape for drape in elements.of(Drape) if drape.name in present]
        lines = suggested_lines(self.study, hung)
        with_lines = elements.model_copy(update={"drape": (*elements.of(Drape), *lines)})
        extended = self.study.model_copy(update={"elements": with_lines})
        sets = [candidates.members(mask) for mask in finalists]
        geometry = study_of_sets(extended, candidates.start, [*sets, tuple(line.name for line in lines)])
        area = sum(patch.area for patch in compile_scene(geometry).patches)
        divided = compile_scene(geometry, max(math.sqrt(area / N_TILES), SMALLEST_TILE))
        present_in = [candidates.present(mask) for mask in finalists]
        noise = self.study.document.noise_of(candidates.start)
        return with_element_sets(divided, extended, present_in, noise), extended, lines

    # --- choosing ---------------------------------------------------------------------------------------

    def _finalists(self, problem: Problem, sets: Sequence[int], targets: Sequence[TargetCost]) -> list[int]:
        """The start, the set that the search proposes, the best few, those that reach targets, and the fronts."""
        affordable = problem.within_budget(sets)
        reaching = [mask for cost in targets for mask in (cost.certain, cost.likely) if mask is not None]
        fronts = [mask for goal in self.goals for mask in reversed(front(problem, goal, affordable))]
        chosen = [0, problem.proposed(affordable), *problem.ranked(affordable)[:4], *reaching, *fronts]
        return list(dict.fromkeys(chosen))[:MOST_FINALISTS]

    # --- results ----------------------------------------------------------------------------------------

    def _option(self, mask: int, searched: Problem, retraced: Problem, shifts: Shifts) -> Option:
        """A set with its cost and measures, with the uncertainty of absorption where it was evaluated."""
        candidates = self.candidates
        scenario = candidates.start.model_copy(update={"elements": candidates.present(mask)})
        demand = demand_of(self.study, scenario)
        evaluator = (retraced if mask in retraced.evaluator.sets else searched).evaluator
        values, gains = evaluator.intervals(mask), evaluator.changes(mask, 0)
        for name in self.measures:
            for part, error in zip((values, gains), shifts.input_error(name, mask) or ()):
                if math.isfinite(error):
                    part[name] = replace(part[name], input_half_width=COVERAGE_FACTOR * error)
        return Option(
            number=mask,
            elements=candidates.members(mask),
            cost=demand.cost,
            rigging_hours=demand.rigging_hours,
            roof_points=demand.roof_points,
            weight=demand.weight,
            broken=candidates.broken(mask),
            values=values,
            gains=gains,
            searched=searched.evaluator.intervals(mask),
        )

    def _evaluated(self, problem: Problem) -> tuple[EvaluatedSet, ...]:
        sets = problem.evaluator.sets
        values = {name: problem.evaluator.estimate(name, sets).value for name in self.measures}
        allowed = {*problem.allowed(sets)}
        return tuple(
            EvaluatedSet(mask, float(cost), mask in allowed, {name: float(of[i]) for name, of in values.items()})
            for i, (mask, cost) in enumerate(zip(sets, problem.costs(sets)))
        )

    def _new_lines(
        self, evaluator: Evaluator, extended: Study, plan: int, lines: Sequence[Drape], origin: LateEnergyOrigin
    ) -> tuple[NewLine, ...]:
        """The lines in front of the surfaces from which most late energy comes per square metre."""
        by_name = {line.name: line for line in lines}
        worst = worst_places(origin, evaluator.scene, [*by_name])[:N_NEW_LINES]
        if not worst:
            return ()
        # The plan, followed by the plan with each of the lines.
        present = self.candidates.present(plan)
        sets = [present, *((*present, name) for name, _ in worst)]
        statistics = evaluate_elements(evaluator, extended, self.candidates.start, sets, self.measures)
        rate = self.study.document.costs.labour_rate
        return tuple(
            NewLine(
                run=(line.runs[0][0], line.runs[0][-1]),
                top=line.top,
                drop=line.drop,
                fabric=line.fabric,
                square_metres=line.covered_area,
                cost=line.hire + rate * line.rigging_hours,
                late_share=share,
                gains={
                    name: interval_of(statistic.scenarios([i]).difference(statistic.scenarios([0])))
                    for name, statistic in statistics.items()
                },
            )
            for i, (line, share) in enumerate(((by_name[name], share) for name, share in worst), start=1)
        )

    # --- caveats ----------------------------------------------------------------------------------------

    def _caveats(self, searched: Convergence, final: Convergence) -> list[Caveat]:
        precision = self.study.document.precision
        names = [(), *((name,) for name in self.candidates.names)]
        pool = study_of_sets(self.study, self.candidates.start, names)
        loads = rigging_findings(pool, self.candidates.limits.rig)
        refused = self.candidates.refused.items()
        return [
            *missed_precision(precision, searched, "search"),
            *missed_precision(precision, final, "finalists"),
            *(finding_caveat(finding) for finding in loads if finding.code in NOT_CHECKED),
            *(Caveat("candidate_refused", texts={"element": name, "reason": why}) for name, why in refused),
        ]

    def _unconfirmed(self, finalists: Sequence[Option]) -> list[Caveat]:
        """A caveat if the finalists' own paths disagree with the search."""
        ratios = [
            (abs(option.retraced_apart(name, N_REPLICATES)), name, option.elements)
            for option in finalists
            for name in option.values
        ]
        ratios = [entry for entry in ratios if math.isfinite(entry[0])]
        # Sets and measures share their paths: treating them as independent makes the limit wider, not stricter.
        limit = student_factor(N_REPLICATES, 1.0 - 0.01 / max(len(ratios), 1))
        beyond = [entry for entry in ratios if entry[0] > limit]
        if not beyond:
            return []
        ratio, name, elements = max(beyond)
        label = self.measures[name].measure.label
        return [
            Caveat(
                "search_not_confirmed",
                severity=ratio,
                values={"beyond_chance": len(beyond), "compared": len(ratios)},
                texts={"figure": label, "elements": " + ".join(elements) or "nothing"},
            )
        ]
