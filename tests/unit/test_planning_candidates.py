"""No plan breaks a limit, and nothing that keeps all limits is turned down."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st
from plans import candidates_with, drape, exact, goal, problem, set_of, study_of

from roomsim.errors import SceneError
from roomsim.planning.candidates import candidates_of, start_of, study_of_sets
from roomsim.planning.search import search
from roomsim.planning.surrogate import fit, largest_sum, propose
from roomsim.scene.limits import Limits
from roomsim.venue.document import SourcesDocument, VenueDocument

NAMES = "abcde"
whole = st.integers(0, 6)
lines = st.lists(
    st.fixed_dictionaries(
        {
            "hire": whole,
            "rigging_hours": whole,
            "roof_points": whole,
            "point_load": whole,
            "stock": st.dictionaries(st.sampled_from(["wool", "felt"]), whole, max_size=2),
        }
    ),
    min_size=1,
    max_size=5,
)
limits = st.fixed_dictionaries(
    {"labour_rate": st.integers(0, 2), "fixed": st.integers(0, 3)},
    optional={
        "budget": st.integers(0, 20),
        "hours_available": st.integers(0, 15),
        "roof_points_available": st.integers(0, 12),
        "point_load_limit": st.integers(0, 6),
        "stock": st.fixed_dictionaries({"wool": st.integers(0, 12)}),
    },
)
pair = st.lists(st.sampled_from(NAMES), min_size=2, max_size=3, unique=True)
relations = st.fixed_dictionaries(
    {},
    optional={
        "together": st.lists(pair, max_size=2),
        "only_one_of": st.lists(pair, max_size=2),
        "requires": st.dictionaries(st.sampled_from(NAMES), st.lists(st.sampled_from(NAMES), max_size=2), max_size=2),
    },
)  # fmt: skip


def keeps_relations(chosen: set[str], plan: dict) -> bool:
    """Said once more, in the words of sets."""
    together = all(not chosen & set(group) or set(group) <= chosen for group in plan.get("together", ()))
    one = all(len(chosen & set(group)) <= 1 for group in plan.get("only_one_of", ()))
    needed = all(
        name not in chosen or set(other) <= chosen for name, other in plan.get("requires", {}).items()
    )
    return together and one and needed


@given(lines, limits, relations)
@example(
    [{"hire": 3, "rigging_hours": 0, "roof_points": 0, "point_load": 0, "stock": {}}],
    {"budget": 4, "fixed": 2},
    {},
)
def test_allowed_sets_are_those_that_break_no_limit_and_no_relation(drapes, costs, plan):
    named = [drape(name, **line) for name, line in zip(NAMES, drapes)]
    study = study_of(named, costs, plan)
    names = [line["name"] for line in named]
    expected = {
        frozenset(chosen)
        for size in range(len(names) + 1)
        for chosen in combinations(names, size)
        if keeps_relations(set(chosen), plan)
        and not Limits(study).broken(study_of_sets(study, start_of(study), [chosen]).document.scenario[0].elements)
    }
    try:
        candidates = candidates_of(study, {})
    except SceneError:
        assert expected <= {frozenset()}
        return
    found = candidates.all_sets()[candidates.allowed(candidates.all_bits())]
    assert {frozenset(candidates.members(int(mask))) for mask in found} == expected
    for mask in candidates.all_sets():
        assert bool(candidates.broken(int(mask))) == (
            frozenset(candidates.members(int(mask))) not in expected
        )


@given(lines, limits, relations, st.integers(0, 2**31))
def test_whatever_is_proposed_breaks_nothing(drapes, costs, plan, seed):
    study = study_of([drape(name, **line) for name, line in zip(NAMES, drapes)], costs, plan)
    try:
        candidates = candidates_of(study, {})
    except SceneError:
        return
    rng = np.random.default_rng(seed)
    bits = candidates.all_bits()
    surrogate = fit(bits, rng.normal(size=len(bits)))
    budget = study.document.costs.budget
    sets = propose(candidates, [goal()], [surrogate], budget, [], 3)
    assert sets, "nothing at all is always allowed"
    assert candidates.allowed(candidates.bits(sets)).all()
    assert len(set(sets)) == len(sets)


some_points = st.lists(st.sampled_from("pq"), max_size=2, unique=True)
hung = st.lists(
    st.fixed_dictionaries(
        {"weight": st.integers(1, 6), "hang_from": some_points}, optional={"roof_points": st.just(2)}
    ),
    max_size=2,
)
boxes = st.lists(
    st.fixed_dictionaries({"mass": st.integers(1, 6), "hang_from": some_points}), min_size=1, max_size=3
)
some_boxes = st.lists(st.integers(0, 2), max_size=2, unique=True)
switching = st.lists(
    st.tuples(some_boxes, some_boxes, st.integers(0, 9), st.integers(0, 3), st.integers(0, 4)),
    min_size=1,
    max_size=3,
)
roof_limits = st.fixed_dictionaries(
    {
        "p": st.integers(4, 12),
        "q": st.integers(4, 12),
        "truss": st.integers(6, 20),
        "existing": st.sampled_from([0, 2, 13]),
    },
    optional={"roof_points_available": st.integers(1, 4), "point_load_limit": st.integers(4, 8)},
)


def roof_study(cloth, sources, changes, limits):
    """Lines, hung boxes and changes of them under two points on a truss; a talker plays always."""
    names = [f"s{i}" for i in range(len(sources))]
    switched = []
    for i, (on, off, weight, points, point_load) in enumerate(changes):
        here = {
            key: [names[k] for k in chosen if k < len(names)] for key, chosen in (("on", on), ("off", off))
        }
        here["off"] = [name for name in here["off"] if name not in here["on"]]
        if here["on"] or here["off"]:
            takes = {"weight": weight, "roof_points": points, "point_load": point_load}
            switched.append({"name": f"c{i}", "switch_on": here["on"], "switch_off": here["off"], **takes})
    lines = [drape(name, **line) for name, line in zip("ab", cloth)]
    costs = {key: value for key, value in limits.items() if key not in ("p", "q", "truss", "existing")}
    candidates = [entry["name"] for entry in (*lines, *switched)]
    study = study_of(lines, costs, {"candidates": candidates}, system_change=switched)
    described = [{"name": "talker", "position": [0, 0, 1], "level": [70] * 8}]
    # Away from all points and the truss: only what names a point hangs from it.
    described += [
        {"name": name, "position": [40, 40, 3], "level": [70] * 8, **source}
        for name, source in zip(names, sources)
    ]
    points = [
        {"name": name, "position": [20, y, 9], "limit": limits[name]} for name, y in (("p", 0), ("q", 4))
    ]
    truss = {"name": "t", "line": [[20, 0, 9], [20, 4, 9]], "limit": limits["truss"]}
    points[0]["existing_load"] = limits["existing"]
    venue = {**study.venue.model_dump(by_alias=True), "roof_point": points, "truss": [truss]}
    return study.model_copy(
        update={
            "sources": SourcesDocument.model_validate({"schema": 1, "source": described}),
            "venue": VenueDocument.model_validate(venue),
        }
    )


def switches_one_both_ways(study, chosen):
    changes = [change for change in study.elements.system_change if change.name in chosen]
    return bool(
        {name for change in changes for name in change.switch_on}
        & {name for change in changes for name in change.switch_off}
    )


@given(hung, boxes, switching, roof_limits, st.integers(0, 2**31))
@example(
    [],
    [{"mass": 5, "hang_from": ["p"]}] * 3,
    [([1], [0], 0, 0, 0), ([2], [0], 0, 0, 0)],
    {"p": 8, "q": 8, "truss": 20, "existing": 0},
    0,
)
def test_no_set_hangs_more_than_the_roof_carries_with_the_loudspeakers_there(
    cloth, sources, changes, limits, seed
):
    """Sets that are allowed are those in which `Limits.broken` finds nothing, and what is proposed is among
    them. In the example either change alone puts one box in the other's place, both together two."""
    study = roof_study(cloth, sources, changes, limits)
    assume(not Limits(study).broken(start_of(study).elements))
    names = study.document.plan.candidates
    expected = {
        frozenset(chosen)
        for size in range(len(names) + 1)
        for chosen in combinations(names, size)
        if not switches_one_both_ways(study, chosen)
        and not Limits(study).broken(study_of_sets(study, start_of(study), [chosen]).document.scenario[0].elements)
    }
    try:
        candidates = candidates_of(study, {})
    except SceneError:
        assert expected == {frozenset()}
        return
    bits = candidates.all_bits()
    found = candidates.all_sets()[candidates.allowed(bits)]
    assert {frozenset(candidates.members(int(mask))) for mask in found} == expected
    surrogate = fit(bits, np.random.default_rng(seed).normal(size=len(bits)))
    sets = propose(candidates, [goal()], [surrogate], None, [], 4)
    assert candidates.allowed(candidates.bits(sets)).all()
    assert len(sets) == min(4, len(expected))


def test_cost_has_the_fixed_sum_once_and_only_if_something_hangs():
    carpet = {"name": "carpet", "polygon": [[0, 0], [1, 0], [1, 1]], "material": "wood", "hire": 5.0}
    study = study_of(
        [drape("a", hire=10, rigging_hours=2), drape("b", hire=20)],
        {"labour_rate": 3.0, "fixed": 100.0},
        {"start_from": "start"},
        floor_covering=[carpet],
    )
    candidates = candidates_of(study, {})
    sets = [(), ("carpet",), ("a",), ("a", "b"), ("a", "b", "carpet")]
    cost = candidates.cost(candidates.bits([set_of(candidates, *names) for names in sets]))
    assert cost.tolist() == [0.0, 5.0, 116.0, 136.0, 141.0]


def test_what_may_not_hang_is_no_candidate_and_says_why():
    study = study_of([drape("a", point_load=80.0), drape("b"), drape("c")], {"point_load_limit": 75.0})
    candidates = candidates_of(study, {"b": "it hangs in the exit"})
    assert candidates.names == ("c",)
    assert candidates.refused == {
        "a": "by itself it exceeds a limit: load on one roof point, of a, 80 of 75 kg",
        "b": "it hangs in the exit",
    }
    with pytest.raises(SceneError, match=r"no candidates to choose from.*exit"):
        candidates_of(study_of([drape("b")]), {"b": "it hangs in the exit"})


def test_changes_of_the_sound_system_are_candidates_by_name_and_do_not_contradict_each_other():
    changes = [
        {"name": "off", "switch_off": ["talker"]},
        {"name": "second", "switch_on": ["second"], "power": 2.0},
        {"name": "not second", "switch_off": ["second"], "hire": 1.0},
    ]
    names = ["off", "second", "not second", "a"]
    sources = [{"name": name, "position": [0, 0, 1], "level": [70] * 8} for name in ("talker", "second")]
    unnamed = study_of([drape("a")], system_change=changes)
    assert candidates_of(unnamed, {}).names == ("a",)
    study = study_of([drape("a")], {"power_available": 3.0}, {"candidates": names}, system_change=changes)
    both = study.sources.model_validate({"schema": 1, "source": sources})
    candidates = candidates_of(study.model_copy(update={"sources": both}), {})
    assert candidates.refused == {"off": "with it no source would play"}
    allowed = candidates.all_sets()[candidates.allowed(candidates.all_bits())]
    together = {frozenset(candidates.members(int(mask))) for mask in allowed}
    assert frozenset({"a", "second"}) in together
    assert not [chosen for chosen in together if {"second", "not second"} <= chosen]


def started_with(study, *names):
    """The study whose plan starts with the crowd and these elements."""
    start = study.document.scenario[0].model_copy(update={"elements": ("people", *names)})
    plan = study.document.plan.model_copy(update={"start_from": "start"})
    document = study.document.model_copy(update={"scenario": (start,), "plan": plan})
    return study.model_copy(update={"document": document})


@pytest.mark.parametrize(
    ("costs", "takes"),
    [
        ({"budget": 25}, {"hire": 10}),
        ({"budget": 25, "labour_rate": 5}, {"rigging_hours": 2}),
        # The fixed sum is paid once: 15 for the start, 25 with one line more.
        ({"budget": 27, "fixed": 5}, {"hire": 10}),
        ({"hours_available": 25}, {"rigging_hours": 10}),
        ({"roof_points_available": 25}, {"roof_points": 10}),
        ({"stock": {"wool": 25}}, {"stock": {"wool": 10}}),
    ],
)
def test_limits_count_what_the_start_takes_already(costs, takes):
    """Each of three lines takes 10 of 25: with one of them at the start, there is room for one of the others."""
    study = started_with(study_of([drape(name, **takes) for name in "abc"], costs), "a")
    candidates = candidates_of(study, {})
    assert candidates.names == ("b", "c")
    allowed = candidates.all_sets()[candidates.allowed(candidates.all_bits())]
    assert allowed.tolist() == [0b00, 0b01, 0b10]
    key = next(iter(costs))
    assert [len(candidates.broken(mask)) for mask in range(4)] == [0, 0, 0, 1]
    row = next(row for row in candidates.rows if row.key.split(":")[0] == key.split("_available")[0])
    # What is left: 25 less the 10 of the start, and of the budget with a fixed sum 27 less 15.
    assert row.bound == (12 if "fixed" in costs else 15)
    surrogate = fit(candidates.all_bits(), np.array([0.0, 1.0, 1.0, 2.0]))
    sets = propose(candidates, [goal()], [surrogate], study.document.costs.budget, [], 3)
    assert sorted(sets) == [0b00, 0b01, 0b10]


def test_limits_of_power_points_and_trusses_count_what_the_start_takes_already():
    change = {"switch_on": ["s0"], "power": 10.0}
    changes = [{"name": "c0", **change}, {"name": "c1", "switch_on": ["s1"], "power": 10.0}]
    changes.append({"name": "c2", "switch_on": ["s2"], "power": 10.0})
    study = study_of([], {"power_available": 25.0}, {"candidates": ["c1", "c2"]}, system_change=changes)
    sources = [
        {"name": name, "position": [0, 0, 1], "level": [70] * 8} for name in ("talker", "s0", "s1", "s2")
    ]
    heard = study.model_copy(
        update={"sources": SourcesDocument.model_validate({"schema": 1, "source": sources})}
    )
    candidates = candidates_of(started_with(heard, "c0"), {})
    assert candidates.all_sets()[candidates.allowed(candidates.all_bits())].tolist() == [0b00, 0b01, 0b10]

    # A line of 5 kg at the start and two more on point p: 4 kg hung there before, a box of 3 kg plays all the time.
    cloth = [{"weight": 5, "hang_from": ["p"], "roof_points": 1}] * 2
    box = [{"mass": 3, "hang_from": ["p"]}]
    for p, truss, expected in ((16, 99, [0b0]), (17, 99, [0b0, 0b1]), (99, 16, [0b0]), (99, 17, [0b0, 0b1])):
        limits = {"p": p, "q": 9, "truss": truss, "existing": 4}
        study = roof_study(cloth, box, [([], [0], 0, 0, 0)], limits)
        venue = study.venue.model_dump(by_alias=True)
        venue["truss"][0]["existing_load"] = 4
        study = study.model_copy(update={"venue": VenueDocument.model_validate(venue)})
        plan = study.document.plan.model_copy(update={"candidates": ("b", "c0")})
        study = study.model_copy(update={"document": study.document.model_copy(update={"plan": plan})})
        candidates = candidates_of(started_with(study, "a"), {})
        # With the box silent (c0) there are 3 kg more.
        with_c0 = set_of(candidates, "c0")
        allowed = candidates.all_sets()[candidates.allowed(candidates.all_bits())]
        assert [mask for mask in allowed.tolist() if not mask & with_c0] == expected
        assert candidates.allowed(candidates.bits([candidates.everything]))[0]


def test_a_point_that_is_overloaded_already_takes_nothing_more_not_even_of_unknown_weight():
    limits = {"p": 10, "q": 10, "truss": 99, "existing": 13}
    cloth = [{"weight": 5, "hang_from": ["q"], "roof_points": 1}, {"hang_from": ["p"], "roof_points": 1}]
    study = roof_study(cloth, [{"mass": 1, "hang_from": ["q"]}], [([], [0], 0, 0, 0)], limits)
    candidates = candidates_of(study, {})
    assert candidates.names == ("a", "c0")
    assert candidates.refused == {"b": "by itself it exceeds a limit: roof point p, with b, 13 of 10 kg"}


def test_a_change_that_switches_on_a_box_too_heavy_for_its_point_is_refused():
    """20 kg on a point for 10 kg; silencing the one of 8 kg that plays there already helps nobody."""
    boxes = [{"mass": 20, "hang_from": ["p"]}, {"mass": 8, "hang_from": ["p"]}]
    limits = {"p": 10, "q": 10, "truss": 99, "existing": 0}
    study = roof_study([{}], boxes, [([0], [], 0, 0, 0), ([], [1], 0, 0, 0)], limits)
    candidates = candidates_of(study, {})
    assert candidates.names == ("a", "c1")
    assert list(candidates.refused) == ["c0"] and "limit: roof point p" in candidates.refused["c0"]
    # With room for 28 kg on the point it is none.
    assert candidates_of(roof_study([{}], boxes, [([0], [], 0, 0, 0)], {**limits, "p": 28}), {}).names == ("a", "c0")


def test_example_of_the_guide_is_one_that_the_reader_takes():
    import re
    import tomllib
    from pathlib import Path

    from roomsim.venue.planning import Plan

    guide = (Path(__file__).parents[2] / "docs" / "plan.md").read_text("utf-8")
    written = tomllib.loads(re.findall(r"```toml\n(.*?)```", guide, re.DOTALL)[0])["plan"]
    plan = Plan.model_validate(written)
    assert plan.goal[0].target == 0.95 and plan.requires == {"front carpet": ("D4 upstage",)}
    # Every key of the table is explained by the example.
    assert set(written) == set(Plan.model_fields) - {"reverberation_at_least"}


def test_start_that_breaks_a_limit_is_refused():
    study = study_of([drape("a", hire=50.0), drape("b")], {"budget": 10.0}, {"start_from": "start"})
    crowd = study.document.scenario[0].model_copy(update={"elements": ("people", "a")})
    document = study.document.model_copy(update={"scenario": (crowd,)})
    with pytest.raises(SceneError, match=r"budget 50 of 10"):
        candidates_of(study.model_copy(update={"document": document}), {})


def test_sum_over_any_allowed_set_is_bounded_exactly():
    # Knapsack of Martello and Toth, Knapsack Problems (1990), Example 2.3 (from memory): best profit 107 of
    # weights (31, 10, 20, 19, 4, 3, 6), profits (70, 20, 39, 37, 7, 5, 10), capacity 50.
    candidates = candidates_with([31, 10, 20, 19, 4, 3, 6], 50.0)
    assert largest_sum(candidates, 50.0, np.array([70.0, 20, 39, 37, 7, 5, 10])) == pytest.approx(
        107.0, abs=1e-6
    )


def test_search_within_limits_of_every_kind():
    candidates = candidates_with([5, 4, 3], 8.0, plan={"only_one_of": [["a", "b"]]})
    found = search(problem(candidates, exact(lambda mask: mask.bit_count()), budget=8.0), 64)
    assert found.is_exhaustive
    assert set(found.sets) == {0b000, 0b001, 0b010, 0b100, 0b101, 0b110}
