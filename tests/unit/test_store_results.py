"""The results file: what is written is read back exactly, by this program and by others, and nothing else
gets in."""

from __future__ import annotations

import dataclasses
import resource
from pathlib import Path

import h5py
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from invented_results import invented_results
from path_logs import reseal

from roomsim.bands import NOMINAL
from roomsim.errors import StoreError
from roomsim.estimate import Estimate
from roomsim.results.records import Caveat, Results, ScenarioRecord
from roomsim.results.results_file import load_results, write_results
from roomsim.scene.plan_lines import PlanDrawing, Tier


def assert_same(one: object, other: object, where: str = "results") -> None:
    """Equal to the last bit and of the same type; NaN equals NaN."""
    assert type(one) is type(other), where
    if dataclasses.is_dataclass(one):
        for field in dataclasses.fields(one):
            assert_same(getattr(one, field.name), getattr(other, field.name), f"{where}.{field.name}")
    elif isinstance(one, np.ndarray):
        assert one.dtype == other.dtype, where
        assert one.shape == other.shape, where
        assert one.tobytes() == other.tobytes(), where
    elif isinstance(one, dict):
        assert set(one) == set(other), where
        for name in one:
            assert_same(one[name], other[name], f"{where}[{name!r}]")
    elif isinstance(one, tuple):
        assert len(one) == len(other), where
        for i, (a, b) in enumerate(zip(one, other)):
            assert_same(a, b, f"{where}[{i}]")
    else:
        assert one == other or (one != one and other != other), where


@pytest.fixture(scope="module")
def results() -> Results:
    return invented_results(with_gaps=True)


@pytest.fixture
def path(tmp_path: Path, results: Results) -> Path:
    write_results(tmp_path / "results.h5", results)
    return tmp_path / "results.h5"


def test_results_are_read_as_they_were_written(path: Path, results: Results) -> None:
    assert_same(load_results(path), results)
    assert_same(load_results(path.parent), results)  # the folder will do
    shifted = dataclasses.replace(results, positions=np.nextafter(results.positions, 100.0))
    with pytest.raises(AssertionError, match="positions"):  # control: the last bit counts
        assert_same(load_results(path), shifted)


def test_the_same_results_give_the_same_file(path: Path, results: Results, tmp_path: Path) -> None:
    write_results(tmp_path / "again.h5", results)
    assert (tmp_path / "again.h5").read_bytes() == path.read_bytes()


# What may stand in a file of a study: printable characters of all scripts, and several lines.
text = st.text(st.characters(exclude_categories=("C", "Zl", "Zp"), include_characters="\n\t\u200d"), max_size=12)
number = st.floats(width=64, allow_nan=False)
any_number = st.floats(width=64)

caveat = st.builds(
    Caveat,
    code=text,
    scenario=text,
    subject=text,
    severity=any_number,
    bands=st.lists(st.integers(0, 7), max_size=3).map(tuple),
    values=st.dictionaries(text, any_number, max_size=2),
    texts=st.dictionaries(text, text, max_size=2),
)


@st.composite
def small_results(draw: st.DrawFn) -> Results:
    n_receivers, n_scenarios = draw(st.integers(1, 3)), draw(st.integers(1, 3))
    names = draw(st.lists(text, min_size=n_scenarios, max_size=n_scenarios))
    lists = st.lists(text, max_size=3).map(tuple)

    def estimate(*shape: int) -> Estimate:
        values = arrays(np.float64, shape, elements=any_number)
        return Estimate(draw(values), draw(values), draw(st.integers(2, 99)))

    def line(n_least: int) -> st.SearchStrategy[np.ndarray]:
        return st.integers(n_least, 4).flatmap(lambda n: arrays(np.float64, (n, 2), elements=number))

    scenarios = tuple(
        ScenarioRecord(
            name=name,
            description=draw(text),
            elements=draw(lists),
            compare_with=draw(st.integers(0, n_scenarios - 1)),
            hire=draw(number),
            rigging_hours=draw(number),
            cost=draw(number),
            weight=draw(number),
            roof_points=draw(st.integers(0, 10**6)),
            limits_broken=draw(lists),
            sources=draw(lists),
            hung=draw(lists),
        )
        for name in names
    )
    return Results(
        title=draw(text),
        venue=draw(text),
        scenarios=scenarios,
        positions=draw(arrays(np.float64, (n_receivers, 3), elements=number)),
        area=draw(arrays(np.int64, n_receivers, elements=st.integers(0, 1))),
        area_names=(draw(text), draw(text)),
        cells=draw(arrays(np.float64, (n_receivers, 4, 2), elements=number)),
        seats={"speech_transmission_index": estimate(n_receivers, n_scenarios)},
        gains={"clarity_c50": estimate(n_receivers, n_scenarios, 8)},
        room={"sti_median": estimate(n_scenarios), "reverberation_time_t20": estimate(n_scenarios, 8)},
        room_gains={},
        statistical={"sabine": draw(arrays(np.float64, (n_scenarios, 8), elements=any_number))},
        caveats=draw(st.lists(caveat, max_size=2).map(tuple)),
        plan=PlanDrawing(
            tiers=(
                Tier(
                    areas=(0, 1),
                    walls=tuple(draw(st.lists(line(1), max_size=2))),
                    laid=draw(st.dictionaries(text, st.lists(line(3), max_size=2).map(tuple), max_size=2)),
                ),
            ),
            elements=draw(st.dictionaries(text, st.lists(line(1), max_size=2).map(tuple), max_size=2)),
            zones=draw(st.dictionaries(text, line(3), max_size=2)),
            sources=draw(st.dictionaries(text, arrays(np.float64, 2, elements=number), max_size=2)),
            noise=draw(st.lists(text, max_size=2).map(tuple)),
            stage=draw(st.none() | st.tuples(number, number)),
            north=draw(st.none() | number),
        ),
        sti_target=draw(number),
        share_target=draw(number),
        currency=draw(text),
        provenance=draw(st.dictionaries(st.sampled_from(["seed", "host", "inputs"]), text)),
    )


@given(small_results())
@settings(max_examples=25)
def test_anything_that_fits_the_type_survives(
    tmp_path_factory: pytest.TempPathFactory, results: Results
) -> None:
    path = tmp_path_factory.mktemp("any") / "results.h5"
    write_results(path, results)
    assert_same(load_results(path), results)


def test_other_readers_find_axes_units_and_words(path: Path) -> None:
    """As netCDF-4 asks of an HDF5 file: a scale on every dimension of every dataset that is one of
    numbers."""
    numbers = []
    with h5py.File(path) as file:

        def look(name: str, item: h5py.HLObject) -> None:
            if not isinstance(item, h5py.Dataset):
                return
            assert item.attrs["long_name"], name
            assert item.dtype != np.float16, name
            if item.is_scale:
                return
            assert all(len(dimension) == 1 for dimension in item.dims), name
            assert [len(dimension[0]) for dimension in item.dims] == list(item.shape), name
            if item.dtype.kind == "f":
                assert item.attrs["units"], name
                assert (item.compression, item.shuffle, item.fletcher32) == ("gzip", True, True)
                numbers.append(name)

        file.visititems(look)
        seats = file["seats/reverberation_time_t20"]
        assert [dimension.label or dimension[0].name for dimension in seats.dims] == [
            "/receiver",
            "/scenario",
            "/band",
        ]
        np.testing.assert_array_equal(seats.dims[2][0], NOMINAL)
        assert seats.attrs["units"] == "s"
        assert file["scenario"].asstr()[1] == "back wall"
        for name in numbers:
            if (
                name.split("/")[0] in ("seats", "gains", "room", "room_gains")
                and "standard_error" not in name
            ):
                assert name + "_standard_error" in numbers
        assert file["provenance"].attrs["seed"] == "1"


# --- what is refused ------------------------------------------------------------------------------------


def test_no_results_yet(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="there are no results") as none:
        load_results(tmp_path)
    assert "Run the study first" in str(none.value)


def test_a_newer_file_is_told_from_a_broken_one(path: Path) -> None:
    reseal(path, lambda file: file.attrs.__setitem__("schema", 5))
    with pytest.raises(StoreError, match=r"newer roomsim \(schema 5; this one reads schema 4\)") as newer:
        load_results(path)
    assert newer.value.exit_code == 4
    assert "Update" in str(newer.value)


def test_an_older_file_is_told_from_a_broken_one(path: Path) -> None:
    reseal(path, lambda file: file.attrs.__setitem__("schema", 1))
    with pytest.raises(StoreError, match=r"older roomsim \(schema 1; this one reads schema 4\)") as older:
        load_results(path)
    assert "again" in str(older.value)


def _replace(name: str, value: object = None, **how: object):
    def change(file: h5py.File) -> None:
        del file[name]
        if how or value is None:
            file.create_dataset(name, **how) if how else None
        else:
            file[name] = value

    return change


PLAN = '{"tiers": [], "elements": {}, "zones": {}, "sources": {}, "noise": [], "stage": null, "north": null}'
HOSTILE = {
    "another kind": (lambda file: file.attrs.__setitem__("kind", "photographs"), "not a file of the kind"),
    "kind is a number": (lambda file: file.attrs.__setitem__("kind", 3), "'kind' is not a single value"),
    "schema is a list": (lambda file: file.attrs.__setitem__("schema", [1, 1]), "'schema' is not a single"),
    "no title": (lambda file: file.attrs.__delitem__("title"), "'title' is missing"),
    "no seats": (_replace("seats"), "'seats' is missing"),
    "soft link": (_replace("positions", h5py.SoftLink("/cells")), "outside the file"),
    "external link": (_replace("seats", h5py.ExternalLink("other.h5", "/seats")), "outside the file"),
    "external data": (
        _replace("area", shape=(600,), dtype="<i8", external=[("secret.txt", 0, 4800)]),
        "outside the file",
    ),
    "a terabyte": (_replace("cells", shape=(600, 2**30, 2), dtype="<f8", chunks=(1, 4, 2)), "claims"),
    "fewer cells": (_replace("cells", np.zeros((599, 4, 2))), "shape"),
    "single precision": (_replace("cells", np.zeros((600, 4, 2), np.float32)), "type"),
    "no such area": (_replace("area", np.full(600, 2)), "'area' points past"),
    "areas below zero": (_replace("area", np.full(600, -1)), "'area' points past"),
    "reference past the end": (
        _replace("scenarios/compare_with", np.full(8, 8)),
        "'compare_with' points past",
    ),
    "an error without a value": (_replace("room/sti_median_standard_error"), "missing"),
    "caveats are a number": (_replace("caveats", data="3", dtype=h5py.string_dtype()), "3 is not of type list"),
    "caveats no JSON": (_replace("caveats", data="[", dtype=h5py.string_dtype()), "not a whole"),
    "caveats nested deep": (
        _replace("caveats", data="[" * 10**5, dtype=h5py.string_dtype()),
        "not a whole",
    ),
    "a plan of another kind": (_replace("plan", data="[]", dtype=h5py.string_dtype()), "[] is not of type dict"),
    "a plan in space": (
        _replace(
            "plan",
            data=PLAN.replace("[]", '[{"areas": [0], "walls": [[[1, 2, 3]]], "laid": {}}]', 1),
            dtype=h5py.string_dtype(),
        ),
        "an array has shape (1, 3), not (None, 2)",
    ),
    "a plan without tiers": (
        _replace("plan", data=PLAN, dtype=h5py.string_dtype()),
        "the plan has no tier",
    ),
}


@pytest.mark.parametrize(("change", "reason"), HOSTILE.values(), ids=HOSTILE)
def test_a_file_that_is_not_what_it_says_is_refused(change, reason: str, path: Path) -> None:
    reseal(path, change)
    with pytest.raises(StoreError, match="cannot be read as a results file") as refused:
        load_results(path)
    assert reason in str(refused.value)
    assert str(path) in str(refused.value)


def test_any_changed_byte_is_noticed(path: Path) -> None:
    """Before the HDF5 library sees the file: there, changed bytes can end in a loop or a crash."""
    content = path.read_bytes()
    rng = np.random.default_rng(3)
    for i in range(200):
        changed = bytearray(content)
        # Half of the changes fall into the first kilobytes, where the structure is; some into the seal.
        at = rng.integers(4096) if i % 2 else rng.integers(len(content))
        changed[-1 if i == 0 else at] ^= 1 << rng.integers(8)
        if i % 10 == 0:
            del changed[at:]
        path.write_bytes(changed)
        with pytest.raises(StoreError, match="cut short, or was changed"):
            load_results(path)
    path.write_bytes(content + b"more")
    with pytest.raises(StoreError, match="cut short, or was changed"):
        load_results(path)
    path.write_bytes(content)
    load_results(path)


def test_an_older_file_stays_when_the_new_one_cannot_be_written(path: Path, results: Results) -> None:
    before = path.read_bytes()
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, hard))
    try:
        with pytest.raises(StoreError, match="cannot write: File too large"):
            write_results(path, dataclasses.replace(results, title="Another night"))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert path.read_bytes() == before
    assert [entry.name for entry in path.parent.iterdir()] == ["results.h5"]


@pytest.mark.parametrize(
    "changes",
    [
        {"title": "a\x1b[2J"},
        {"venue": "abc\u202egnp"},
        {"area_names": ("stalls\x07", "gallery")},
        {"caveats": (Caveat("hole", texts={"place": "\x1b]0;owned\x07", "text": ""}),)},
    ],
)
def test_texts_that_steer_a_terminal_are_refused(
    tmp_path: Path, results: Results, changes: dict[str, object]
) -> None:
    # The program writes no such text, for no file of a study may hold one; a file from elsewhere may.
    write_results(tmp_path / "results.h5", dataclasses.replace(results, **changes))
    with pytest.raises(StoreError, match=r"contains the character U\+.*, which cannot be printed") as refusal:
        load_results(tmp_path / "results.h5")
    assert "".join(str(refusal.value).split("\n")).isprintable()
