"""From a study's files to its results, more than once: what is kept is used, and nothing else changes."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from venues import write_shoebox

from roomsim.errors import SceneError, StoreError
from roomsim.results.records import Results
from roomsim.results.results_file import load_results
from roomsim.study import traced_paths
from roomsim.study.duration import PILOT_BATCH
from roomsim.study.progress import Progress, Step
from roomsim.study.run import run
from roomsim.study.store import StudyStore

QUICK = {"precision": {"sti": 0.05, "max_rays": 100_000}, "uncertainty": {"draws": 0}}


@pytest.fixture(scope="module", autouse=True)
def few_rays() -> None:
    """Batches of a few hundred rays: these tests ask nothing of acoustics."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(traced_paths, "RAYS_PER_BATCH", 256)
        yield


def write(folder: Path, **study: object) -> Path:
    return write_shoebox(folder, free_sheet=True, study={**QUICK, **study})


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Results]:
    """A study that has been run: its file and its results."""
    path = write(tmp_path_factory.mktemp("study"))
    return path, run(path, threads=1)


@pytest.fixture
def traced(monkeypatch: pytest.MonkeyPatch) -> list[tuple[int, int]]:
    """Source and batch of everything that is traced in the test, but for the few rays that say for how long."""
    calls: list[tuple[int, int]] = []
    trace = traced_paths.Tracer.trace

    def counted(self, source: int, batch: int, n_rays: int):
        if batch != PILOT_BATCH:
            calls.append((source, batch))
        return trace(self, source, batch, n_rays)

    monkeypatch.setattr(traced_paths.Tracer, "trace", counted)
    return calls


def figures(results: Results) -> dict[str, bytes]:
    """Every figure and error of a study, to the last bit."""
    return {
        f"{level} {name} {part}": getattr(estimate, part).tobytes()
        for level in ("seats", "gains", "room", "room_gains")
        for name, estimate in getattr(results, level).items()
        for part in ("value", "standard_error")
    }


def test_what_is_handed_back_is_what_is_stored(first: tuple[Path, Results]) -> None:
    path, results = first
    stored = load_results(path.with_suffix(".roomsim"))
    assert figures(stored) == figures(results)
    for field in dataclasses.fields(Results):
        if field.name in ("title", "venue", "scenarios", "caveats", "area_names", "provenance", "currency"):
            assert getattr(stored, field.name) == getattr(results, field.name)
    assert [record.name for record in results.scenarios] == [
        "bare",
        "occupied",
        "east drape",
        "sheet",
        "both",
    ]
    assert results.seats["speech_transmission_index"].value.shape == (len(results.positions), 5)
    assert np.isfinite(results.seats["speech_transmission_index"].value).all()
    assert (path.with_suffix(".roomsim") / "study" / "study.toml").read_bytes() == path.read_bytes()


def test_a_second_run_traces_nothing(first: tuple[Path, Results], traced: list[tuple[int, int]]) -> None:
    path, results = first
    again = run(path, threads=2)
    assert traced == []
    assert figures(again) == figures(results)


def test_a_fresh_run_traces_all_and_finds_the_same(
    first: tuple[Path, Results], tmp_path: Path, traced: list[tuple[int, int]]
) -> None:
    """With another number of threads into another folder: the same to the last bit."""
    path, results = first
    again = run(path, tmp_path / "elsewhere", threads=3)
    n_batches = traced_paths.N_REPLICATES * int(results.provenance["rounds"])
    assert sorted(traced) == [(0, batch) for batch in range(n_batches)]
    assert figures(again) == figures(results)
    run(path, tmp_path / "elsewhere", fresh=True)
    assert len(traced) == 2 * n_batches


def test_other_prices_need_no_rays(
    first: tuple[Path, Results], tmp_path: Path, traced: list[tuple[int, int]]
) -> None:
    path, results = first
    write(tmp_path, costs={"labour_rate": 50.0, "fixed": 100.0, "budget": 400.0})
    dearer = run(tmp_path / "study.toml", path.with_suffix(".roomsim"))
    assert traced == []
    assert figures(dearer) == figures(results)
    # By hand: 300 hire and 4 h at 50 and 100.
    assert (results.scenarios[2].cost, dearer.scenarios[2].cost) == (300.0, 600.0)
    assert dearer.scenarios[2].limits_broken != ()


def test_another_seed_is_another_trace(first: tuple[Path, Results], tmp_path: Path) -> None:
    path, results = first
    write(tmp_path, seed=2)
    other = run(tmp_path / "study.toml", path.with_suffix(".roomsim"))
    name = "speech_transmission_index"
    assert not np.array_equal(other.seats[name].value, results.seats[name].value)


class Stop(Exception):
    """As from a key that interrupts."""


def interrupt_after(n: int) -> Callable[[Step], None]:
    def tell(step: Step) -> None:
        if step.stage == "Tracing" and step.done >= n:
            raise Stop

    return tell


def test_an_interrupted_run_goes_on(
    first: tuple[Path, Results], tmp_path: Path, traced: list[tuple[int, int]]
) -> None:
    path, results = first
    folder = tmp_path / "interrupted"
    with pytest.raises(Stop):
        run(path, folder, threads=1, progress=interrupt_after(7))
    with pytest.raises(StoreError, match="no results"):
        load_results(folder)
    begun = set(traced)
    assert len(begun) >= 7
    resumed = run(path, folder, threads=1)
    # Nothing was traced twice, and nothing is missing.
    assert len(traced) == len(set(traced))
    assert set(traced) > begun
    assert figures(resumed) == figures(results)


def test_a_folder_in_use_is_refused(first: tuple[Path, Results]) -> None:
    path, _ = first
    with StudyStore(path.with_suffix(".roomsim")), pytest.raises(StoreError, match="in use by another run"):
        run(path)


def test_precision_that_is_not_reached_is_recorded(tmp_path: Path) -> None:
    results = run(write(tmp_path, precision={"sti": 1e-6, "max_rays": 1000}))
    assert results.provenance["precision_met"] == "no"
    assert any(caveat.code == "precision_missed_run" for caveat in results.caveats)
    asked = run(tmp_path / "study.toml", sti_error=0.5)
    assert asked.provenance["precision_met"] == "yes"
    assert not any(caveat.code == "precision_missed_run" for caveat in asked.caveats)


def test_what_must_not_hang_is_not_run(tmp_path: Path) -> None:
    """The east drape of the shoebox hangs at x = 5.85 m over all the width: across this exit."""
    exit_zone = {
        "name": "east exit",
        "kind": "exit",
        "polygon": [[5.0, 2.0], [6.0, 2.0], [6.0, 3.0], [5.0, 3.0]],
    }
    path = write_shoebox(tmp_path, study=QUICK, zones=[exit_zone])
    with pytest.raises(SceneError, match="east exit") as refused:
        run(path)
    assert "'east drape'" in str(refused.value)
    assert not path.with_suffix(".roomsim").exists()


def test_progress_tells_stages_and_time_left() -> None:
    """With a clock that is set by hand: 3 of 12 steps in 6 s leave 18 s."""
    now = [100.0]
    steps: list[Step] = []
    progress = Progress(steps.append, clock=lambda: now[0])
    progress.start("Tracing", 12)
    now[0] = 106.0
    progress.advance(3)
    progress.message("a batch was damaged")
    assert steps[0] == Step("Tracing", 0, 12, None)
    assert steps[1] == Step("Tracing", 3, 12, 18.0)
    assert steps[2] == Step("Tracing", 3, 12, 18.0, "a batch was damaged")
    progress.start("Evaluating", 2)
    assert steps[3] == Step("Evaluating", 0, 2, None)
