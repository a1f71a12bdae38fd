"""The whole way from a study's files to the answer: which set of elements, and what more money buys."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from pathlib import Path

from ..errors import SceneError
from ..scene.checks import check_venue, refused_scenarios
from ..scene.compile import compile_scene, with_scenarios_of
from ..scene.drawing import plan_drawing
from ..scene.footprints import free_sheets
from ..scene.rigging import Rig
from ..scene.rigging_checks import NOT_CHECKED, rigging_findings
from ..scene.scene import Scene
from ..scene.tiles import side_for
from ..scene.wall_lines import suggested_lines
from ..study.convergence import Convergence, converge
from ..study.evaluator import Evaluator
from ..study.folder import PLAN
from ..study.progress import NoProgress, Progress
from ..study.run import default_folder, provenance, with_sti_error
from ..study.store import StudyStore
from ..study.traced_paths import prepare_tracing
from ..venue.document import Drape, Study
from ..venue.mesh import VenueMesh, read_mesh
from ..venue.reading import read_study
from .answers import Answers
from .candidates import BUDGET, Candidates, asked_for, candidates_of, start_of, study_of_sets
from .goals import Figure, Goal, figures_of, goals_of, metrics_of, proposed, ranking, statistics
from .origin import Blame, blame_of, worst_lines
from .plan_file import write_plan
from .results import PlanResults
from .robustness import Robustness, Shifts, robustness, shifts_of
from .search import search, within_budget
from .steps import Reach, front, least_cost, steps
from .valuation import Valuation, traced_work
from .values import sets_needed

N_TILES = 300
"""Parts into which the surfaces are divided to see where late energy comes from."""
ALL_COMBINATIONS_UP_TO = 4
"""Free-hanging candidates of which every combination has its say in how paths are drawn."""
SMALLEST_TILE = 2.0
"""m; smaller parts would show chance."""
MOST_FINALISTS = 12
MOST_CONTENDERS = 15
"""Sets that are held against each other with other absorption; with the start they fill a block."""
N_NEW_LINES = 5
OTHER_SEED = 1_000_003
"""Added to the study's seed for the paths of the finalists: what was lucky in the search is not so
again."""
N_ORDERS = 16
"""Orders tried for the average value of an element where there are too many sets to try all."""
ALL_ORDERS_UP_TO = 256
"""Sets; with more candidates than eight a sample of orders tells as much for less."""


def plan_treatment(
    study_path: str | Path,
    folder: str | Path | None = None,
    *,
    sti_error: float | None = None,
    most_sets: int | None = None,
    threads: int | None = None,
    progress: Progress | None = None,
) -> PlanResults:
    """Find the set of elements that serves the study's goals best within its limits.

    Parameters
    ----------
    study_path : study file; its table [plan] says what may be chosen and what counts
    folder : where everything goes; `<study>.roomsim` beside the study unless said
    sti_error : standard error of the speech transmission index wanted, in place of the study's own
    most_sets : sets worked out at most, in place of the study's own number
    threads : all cores unless said; results do not depend on it
    progress : told how far the search is

    Raises
    ------
    DocumentError, MeshError, MaterialError, PhysicalRangeError, SceneError : the input is wrong
    StoreError : the folder is in use or cannot be written
    """
    progress = progress or NoProgress()
    study = with_sti_error(read_study(study_path), sti_error)
    mesh = read_mesh(study.venue.mesh, study.venue_folder)
    candidates = candidates_of(study, conflicts(study, mesh))
    with StudyStore(Path(folder or default_folder(study_path)), progress.message) as store:
        store.keep_inputs(study.folder, study.digests)
        wanted = most_sets or study.document.plan.most_sets
        results = _Search(study, mesh, candidates, store, wanted, threads, progress).answer()
        write_plan(store.folder / PLAN, results)
    return results


def conflicts(study: Study, mesh: VenueMesh) -> dict[str, str]:
    """Elements to choose from that must not be hung where they are drawn, and why.

    Raises
    ------
    SceneError : something is wrong whatever is chosen
    """
    start, wanted = start_of(study), asked_for(study)
    pool = study_of_sets(study, start, [(), *((element.name,) for element in wanted)])
    errors = refused_scenarios(pool, check_venue(pool, mesh))
    names = [scenario.name for scenario in pool.document.scenarios_in_order()]
    if names[0] in errors:
        first = errors[names[0]][0]
        raise SceneError(first.text, place=first.place, cure=first.cure)
    return {element.name: errors[name][0].text for name, element in zip(names[1:], wanted) if name in errors}


class _Search:
    """One search, stage by stage."""

    def __init__(
        self, study: Study, mesh: VenueMesh, candidates: Candidates, store: StudyStore, most_sets: int,
        threads: int | None, progress: Progress,
    ):  # fmt: skip
        self.study, self.mesh, self.candidates = study, mesh, candidates
        self.store, self.most_sets, self.threads, self.progress = store, most_sets, threads, progress
        self.budget = study.document.costs.budget
        self.figures: dict[str, Figure] = figures_of(study)
        self.goals: tuple[Goal, ...] = goals_of(study, self.figures)

    def answer(self) -> PlanResults:
        engine, reached = self._traced(self._pool_scene(), self.study.document.seed)
        work = traced_work(engine, self.study, self.mesh, self.candidates, self.figures)
        valuation = Valuation(work, self.figures, progress=self.progress)
        searched = search(self.candidates, valuation, self.goals, self.budget, self.most_sets)
        n_orders = self._value_all(valuation)
        finalists = self._finalists(valuation, searched.sets)
        shifts = self._shifts(engine, valuation, searched.sets, finalists)

        scene, extended, lines = self._final_scene(finalists)
        final, final_reached = self._traced(scene, (self.study.document.seed + OTHER_SEED) % 2**31)
        again = traced_work(final, extended, self.mesh, self.candidates, self.figures)
        direct = Valuation(again, self.figures, progress=self.progress)
        direct.ensure(finalists)
        plan, highest = self._chosen(direct, within_budget(self.candidates, finalists, self.budget))
        blame = self._blame(final, extended, finalists, plan)
        answers = Answers(
            study=self.study, candidates=self.candidates, figures=self.figures, goals=self.goals,
            valuation=valuation, direct=direct, shifts=shifts, plan=plan, highest=highest,
        )  # fmt: skip
        return answers.results(
            searched=searched,
            finalists=finalists,
            fronts={
                goal.figure.name: front(self.candidates, valuation, goal, searched.sets)
                for goal in self.goals
            },
            money=steps(
                self.candidates, valuation, self.goals, searched.sets, self.study.document.plan.money_step
            ),
            reaches=self._reaches(valuation, searched.sets),
            n_orders=n_orders,
            robust=self._robust(valuation, shifts, plan),
            blame=blame,
            scene=scene,
            new_lines=self._new_lines(final, extended, scene, plan, lines, blame[-1][1]),
            drawing=plan_drawing(self.study, self.mesh, scene.receivers),
            warnings=self._warnings(reached, final_reached),
            provenance=provenance(self.study, final_reached),
        )

    # --- paths ------------------------------------------------------------------------------------------

    def _pool_scene(self) -> Scene:
        """All candidates in one geometry, and the sets for which paths are drawn.

        What covers a surface changes the weight of a path, free cloth changes where it goes: so the
        candidates alone, all together, and free ones in every combination, or in pairs if there are many.
        """
        candidates = self.candidates
        free = [element.name for element in candidates.elements if free_sheets(element)]
        sizes = range(len(free) + 1) if len(free) <= ALL_COMBINATIONS_UP_TO else (2,)
        together = [chosen for size in sizes for chosen in combinations(free, size)]
        sets = [(), *((name,) for name in candidates.names), *together, candidates.names]
        pool = list(dict.fromkeys(sets))
        return compile_scene(study_of_sets(self.study, candidates.start, pool), self.mesh)

    def _traced(self, scene: Scene, seed: int) -> tuple[Evaluator, Convergence]:
        document = self.study.document
        setup = prepare_tracing(scene, seed, document.image_order, self.store, self.threads)
        return converge(setup, document.precision, self.progress)

    def _final_scene(self, finalists: Sequence[int]) -> tuple[Scene, Study, tuple[Drape, ...]]:
        """The finalists alone, surfaces divided, and all new lines that could hang, none of them hung."""
        start = self.candidates.start
        present = [
            element
            for element in self.study.elements.all()
            if element.name in start.elements or element.name in self.candidates.names
        ]
        lines = suggested_lines(self.study, self.mesh, present)
        elements = self.study.elements.model_copy(update={"drape": (*self.study.elements.drape, *lines)})
        extended = self.study.model_copy(update={"elements": elements})
        sets = [self.candidates.members(mask) for mask in finalists]
        geometry = study_of_sets(extended, start, [*sets, tuple(line.name for line in lines)])
        whole = compile_scene(geometry, self.mesh)
        area = sum(patch.area for patch in whole.patches)
        divided = compile_scene(geometry, self.mesh, max(side_for(area, N_TILES), SMALLEST_TILE))
        scene = with_scenarios_of(divided, study_of_sets(extended, start, sets), self.mesh)
        return scene, extended, lines

    # --- choosing ---------------------------------------------------------------------------------------

    def _value_all(self, valuation: Valuation) -> int | None:
        """Work out what the values of all candidates need; number of orders tried, None for all."""
        n = self.candidates.n
        players = [1 << i for i in range(n)]
        n_orders = None if 1 << n <= min(self.most_sets, ALL_ORDERS_UP_TO) else N_ORDERS
        valuation.ensure(sets_needed(players, n_orders=n_orders))
        return n_orders

    def _chosen(self, valuation: Valuation, sets: Sequence[int]) -> tuple[int, int]:
        """What is proposed, and what is highest whatever it costs within the budget."""
        names = [goal.figure.name for goal in self.goals]
        values = valuation.values(names, sets)
        bits = self.candidates.bits(sets)
        cost, hours = self.candidates.cost(bits), bits @ self.candidates.hours
        burden = [(float(c), float(h), float(n)) for c, h, n in zip(cost, hours, bits.sum(axis=1))]
        plan = proposed(self.goals, sets, values, valuation.half_widths, burden)
        return plan, sets[int(ranking(self.goals, values, cost)[0])]

    def _finalists(self, valuation: Valuation, sets: Sequence[int]) -> list[int]:
        """The start, what the search proposes, the highest few, the fronts, and what reaches targets."""
        affordable = within_budget(self.candidates, sets, self.budget)
        plan, highest = self._chosen(valuation, affordable)
        values = valuation.values([goal.figure.name for goal in self.goals], affordable)
        order = ranking(self.goals, values, self.candidates.cost(self.candidates.bits(affordable)))
        best = [affordable[i] for i in order[:4]]
        reaching = [
            mask
            for reach in self._reaches(valuation, sets)
            for mask in (reach.sure, reach.likely)
            if mask is not None
        ]
        fronts = [
            mask
            for goal in self.goals
            for mask in reversed(front(self.candidates, valuation, goal, affordable))
        ]
        chosen = dict.fromkeys([0, plan, highest, *best, *reaching, *fronts])
        return list(chosen)[:MOST_FINALISTS]

    def _reaches(self, valuation: Valuation, sets: Sequence[int]) -> list[Reach]:
        return [
            least_cost(self.candidates, valuation, goal, sets)
            for goal in self.goals
            if goal.target is not None
        ]

    # --- other absorption -------------------------------------------------------------------------------

    def _shifts(
        self, engine: Evaluator, valuation: Valuation, sets: Sequence[int], finalists: Sequence[int]
    ) -> Shifts:
        affordable = within_budget(self.candidates, sets, self.budget)
        values = valuation.values([goal.figure.name for goal in self.goals], affordable)
        order = ranking(self.goals, values, self.candidates.cost(self.candidates.bits(affordable)))
        highest = [affordable[i] for i in order]
        fronts = [mask for goal in self.goals for mask in front(self.candidates, valuation, goal, sets)]
        chosen = list(dict.fromkeys([*finalists[1:], *fronts, *highest]))[:MOST_CONTENDERS]
        return shifts_of(
            engine, self.study, self.mesh, self.candidates, self.figures, [0, *(m for m in chosen if m)]
        )

    def _robust(self, valuation: Valuation, shifts: Shifts, plan: int) -> Robustness:
        sets = within_budget(self.candidates, shifts.sets, self.budget)
        fine = self.candidates.allowed(self.candidates.bits(sets), but=(BUDGET,))
        allowed = [mask for mask, is_fine in zip(sets, fine) if is_fine]
        return robustness(self.candidates, valuation, self.goals, shifts, plan, allowed)

    # --- where late energy comes from -------------------------------------------------------------------

    def _blame(
        self, engine: Evaluator, extended: Study, finalists: Sequence[int], plan: int
    ) -> list[tuple[int, Blame]]:
        after = self.study.document.plan.late_after / 1000.0
        sets = [self.candidates.members(mask) for mask in finalists]
        of_sets = study_of_sets(extended, self.candidates.start, sets)
        return [
            (mask, blame_of(engine, of_sets, self.mesh, finalists.index(mask), after))
            for mask in dict.fromkeys([0, plan])
        ]

    def _new_lines(
        self, engine: Evaluator, extended: Study, scene: Scene, plan: int, lines: Sequence[Drape], blame: Blame
    ) -> list[tuple[Drape, float, float, Mapping]]:
        """The lines over the worst places: the line, m2, its share of late energy, and gains over the
        plan."""
        worst = worst_lines(blame, scene, [line.name for line in lines])[:N_NEW_LINES]
        if not worst:
            return []
        members = self.candidates.members(plan)
        sets = [members, *((*members, name) for name, _, _ in worst)]
        of_sets = study_of_sets(extended, self.candidates.start, sets)
        metrics = metrics_of(self.figures)
        found = statistics(
            self.figures,
            engine.with_scenarios(with_scenarios_of(scene, of_sets, self.mesh)).evaluate(metrics),
        )
        by_name = {line.name: line for line in lines}
        n = len(worst)
        gains = {
            name: known.scenarios(range(1, n + 1)).difference(known.scenarios([0] * n))
            for name, known in found.items()
        }
        return [
            (by_name[name], metres, share, {f: (g.value[i], g.half_width()[i]) for f, g in gains.items()})
            for i, (name, share, metres) in enumerate(worst)
        ]

    def _warnings(self, reached: Convergence, final: Convergence) -> list[str]:
        wanted = self.study.document.precision
        said = [
            f"The precision asked for was not reached for {what} before the time or the rays allowed were spent: the "
            f"standard error of the STI is {run.standard_error:.3f}, where {wanted.sti:g} was wanted."
            for what, run in (("the search", reached), ("the finalists", final))
            if not run.is_met
        ]
        names = [(), *((name,) for name in self.candidates.names)]
        pool = study_of_sets(self.study, self.candidates.start, names)
        said += [
            f"{finding.place}: {finding.text}"
            for finding in rigging_findings(pool, Rig(pool), self.mesh)
            if finding.code in NOT_CHECKED
        ]
        said += [f"{name} was left aside: {why}" for name, why in self.candidates.refused.items()]
        return said
