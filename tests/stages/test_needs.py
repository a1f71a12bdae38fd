"""What a run will take is told before it begins, is about right, and is refused where it cannot fit."""

from __future__ import annotations

from pathlib import Path

import pytest
from venues import write_shoebox

from roomsim.cli.application import execute
from roomsim.errors import CapacityError
from roomsim.study import convergence, needs
from roomsim.study.progress import Step
from roomsim.study.run import run


@pytest.fixture
def study(tmp_path: Path) -> Path:
    return write_shoebox(tmp_path, absorption=0.3, study={"precision": {"sti": 0.05}, "uncertainty": {"draws": 0}})


def told(study: Path, **options: object) -> list[Step]:
    steps: list[Step] = []
    run(study, threads=2, progress=steps.append, **options)  # type: ignore[arg-type]
    return steps


def test_it_is_said_before_anything_is_traced(study: Path) -> None:
    steps = told(study)
    said = [i for i, step in enumerate(steps) if "of memory. A round of 81,920 rays takes about" in step.message]
    assert len(said) == 1 and "on the disk" in steps[said[0]].message
    assert said[0] < min(i for i, step in enumerate(steps) if step.stage == "Tracing")
    # Control: what is kept is not traced for an estimate again.
    assert any("1 round of rays stored" in step.message for step in told(study))


def test_the_disk_is_estimated_within_a_third(study: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A few hundred rays tell the mean length of a path to some 5 %; headers of 20 small files add a tenth."""
    found = []
    of_engine = needs.needs_of
    monkeypatch.setattr(convergence, "needs_of", lambda *a, **k: found.append(of_engine(*a, **k)) or found[-1])
    told(study)
    (folder,) = study.with_suffix(".roomsim").glob("paths-*")
    written = sum(path.stat().st_size for path in folder.glob("*.h5"))
    assert found[0].round_disk == pytest.approx(written, rel=0.33)


def test_results_of_more_seats_take_as_much_more_disk_as_estimated(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Within half of it, apart from what every file holds: how well figures compress differs from study to study."""
    found, sizes = [], []
    of_engine = needs.needs_of
    monkeypatch.setattr(convergence, "needs_of", lambda *a, **k: found.append(of_engine(*a, **k)) or found[-1])
    for seats in ((3, 2), (12, 10)):
        options = {"precision": {"sti": 0.5}, "uncertainty": {"draws": 0}}
        study = write_shoebox(tmp_path / f"{seats[0]}", (14.0, 12.0, 4.0), seats=seats, absorption=0.5, study=options)
        told(study)
        sizes.append((study.with_suffix(".roomsim") / "results.h5").stat().st_size)
    more = found[1].results_disk - found[0].results_disk
    assert 0.5 * more < sizes[1] - sizes[0] < 1.5 * more


def test_too_little_memory(study: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(needs, "available_memory", lambda: 0.25e9)
    with pytest.raises(CapacityError, match="250 MB are free"):
        run(study)
    assert execute(["run", str(study), "--no-pictures"]) == 4


def test_too_little_disk(study: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr(needs, "free_disk", lambda folder: 2e6)
    assert execute(["run", str(study), "--no-pictures"]) == 4
    said = capsys.readouterr().err
    assert "of disk space; 2.0 MB are free" in said and "--out" in said


def test_a_run_stops_at_what_the_disk_holds(study: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The rest is as if no more rays were allowed: results, and the word that the precision was not reached."""
    monkeypatch.setattr(convergence, "free_disk", lambda folder: 1e6)
    steps = told(study, sti_error=1e-3)
    assert any("The requested precision needs about" in s.message and "fit on the disk" in s.message for s in steps)
    results = run(study, sti_error=1e-3)
    assert results.provenance["rounds"] == "1" and results.provenance["precision_met"] == "no"


def test_without_an_answer_from_the_system_nothing_is_refused(study: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(needs, "available_memory", lambda: None)
    assert any("of memory" in step.message for step in told(study))


@pytest.mark.parametrize(
    ("size", "text"),
    [(4.6e9, "4.6 GB"), (120e6, "120 MB"), (12.3e9, "12 GB"), (2e12, "2.0 TB"), (10.0, "less than 1 MB")],
)
def test_sizes_in_words(size: float, text: str) -> None:
    assert needs.bytes_text(size) == text
    assert (needs.seconds_text(8.2), needs.seconds_text(200.0), needs.seconds_text(9000.0)) == ("8 s", "3 min", "2.5 h")
