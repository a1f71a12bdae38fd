"""Studies and figures for tests of the search, without files and without rays. All data are invented."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np

from roomsim.metrics.replicated import SeatStatistic
from roomsim.planning.candidates import Candidates, candidates_of
from roomsim.planning.evaluation import Problem, SetEvaluator
from roomsim.planning.results import Goal, Measure
from roomsim.venue.document import (
    ElementsDocument,
    MaterialsDocument,
    SourcesDocument,
    Study,
    StudyDocument,
    VenueDocument,
)

N_HALF_SAMPLES, N_REPLICATES = 32, 20


def drape(name: str, **more: Any) -> dict[str, Any]:
    """A line of cloth, of which only cost, hours, loads and stock are used here."""
    line = {"name": name, "runs": [[[0.0, 0.0], [1.0, 0.0]]], "top": 3.0, "drop": 2.0, "fabric": "wool"}
    return {**line, **more}


def study_of(
    drapes: Sequence[dict[str, Any]],
    costs: dict[str, Any] | None = None,
    plan: dict[str, Any] | None = None,
    **elements: Any,
) -> Study:
    """A study whose only scenario besides the bare venue is "start", with the crowd."""
    octaves = [0.1] * 8
    crowd = {"name": "people", "areas": ["seats"], "material": "wood"}
    every = {"schema": 1, "drape": list(drapes), "crowd": [crowd], **elements}
    documents: dict[str, Any] = {
        "document": StudyDocument.model_validate(
            {
                "schema": 1, "title": "t", "venue": "v", "elements": "e", "sources": "s", "noise": [30] * 8,
                "costs": costs or {}, "plan": plan or {}, "scenario": [{"name": "start", "elements": ["people"]}],
            }
        ),
        "venue": VenueDocument.model_validate(
            {
                "schema": 1, "name": "v", "mesh": {"file": "m.obj", "unit": "m", "up": "z"}, "surfaces": {"*": "wood"},
                "audience": [{"name": "seats", "polygon": [[0, 0], [1, 0], [1, 1]]}],
            }
        ),
        "elements": ElementsDocument.model_validate(every),
        "sources": SourcesDocument.model_validate(
            {"schema": 1, "source": [{"name": "talker", "position": [0, 0, 1], "level": [70] * 8}]}
        ),
        "materials": MaterialsDocument.model_validate(
            {
                "schema": 1, "material": {"wood": {"absorption": octaves, "scattering": octaves, "source": "invented"}},
                "fabric": {"wool": {"flow_resistance": 600, "surface_mass": 0.5, "source": "invented"}},
            }
        ),
    }  # fmt: skip
    return Study(folder=Path("."), digests={}, **documents)


def candidates_with(
    costs: Sequence[float], budget: float | None, *, fixed: float = 0.0, plan: dict[str, Any] | None = None,
    **limits: Any,
) -> Candidates:  # fmt: skip
    """Lines "a", "b", ... of these prices."""
    names = [chr(ord("a") + i) for i in range(len(costs))]
    lines = [drape(name, hire=float(cost)) for name, cost in zip(names, costs)]
    money = {"fixed": fixed, **({} if budget is None else {"budget": budget}), **limits}
    return candidates_of(study_of(lines, money, plan), {})


def set_of(candidates: Candidates, *names: str) -> int:
    """The set of these candidates."""
    return sum(1 << candidates.names.index(name) for name in names)


def goal(
    tolerance: float = 0.0, target: float | None = None, name: str = "gain", better: int = 1,
    noticeable: float | None = None,
) -> Goal:  # fmt: skip
    return Goal(Measure(name, name, "", better, noticeable, 3), target, tolerance)


def exact(*functions: Callable[[int], float], names: Sequence[str] = ("gain",)) -> SetEvaluator:
    """Evaluates a set, an int with a bit for each member, with one function for each measure."""

    def evaluate(sets: Sequence[int]) -> dict[str, SeatStatistic]:
        found = {}
        for name, function in zip(names, functions):
            value = np.array([function(mask) for mask in sets], dtype=float)
            same = np.tile(value, (N_HALF_SAMPLES, 1))
            found[name] = SeatStatistic(value, same, same, N_REPLICATES)
        return found

    return SetEvaluator(evaluate)


def problem(
    candidates: Candidates, evaluator: SetEvaluator, *goals: Goal, budget: float | None = None
) -> Problem:
    """With one goal, the gain, unless others are given."""
    return Problem(candidates, evaluator, goals or (goal(),), budget)


def choice(
    goals: Sequence[Goal],
    burden: Sequence[tuple[float, ...]],
    half_widths: Callable[[str, int, Sequence[int]], np.ndarray] = lambda measure, one, others: np.zeros(len(others)),
) -> Problem:
    """A problem that only ranks sets of which the values are known; the first entry of each burden is the cost."""
    costs = np.array([cost for cost, *_ in burden])
    candidates = SimpleNamespace(burden=lambda sets: burden, bits=lambda sets: sets, cost=lambda bits: costs)
    evaluator = SimpleNamespace(half_widths=half_widths)
    return Problem(cast(Candidates, candidates), cast(SetEvaluator, evaluator), goals, None)
