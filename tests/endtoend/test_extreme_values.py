"""Whatever passes `check` can be run: every value of every file at its extremes, and whole studies that are extreme.

The full table (some 3,000 cases) is taken through check, run, system and plan by
`python tests/endtoend/test_extreme_values.py`, in as many processes as there are cores; the suite reads one case in
ten, and takes one in sixty through check and run.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[1]))

import extreme_values
import venues

from roomsim.cli.application import execute
from roomsim.errors import DocumentError, PhysicalRangeError
from roomsim.study import traced_paths
from roomsim.study.run import run
from roomsim.venue.reading import MODELS, read_study

Case = tuple[str, tuple[str | int, ...], Any]
DONE, WITH_FINDINGS, WRONG_INPUT = 0, 1, 3
RAYS = 64
"""A batch: nothing here depends on how well a figure is known."""


def table() -> list[Case]:
    """Every number and every text of every file at its extremes; of lists of eight the first entry."""
    numbers = [(s, path, value) for s, path, _ in extreme_values.numbers() for value in extreme_values.NUMBERS]
    texts = [(s, path, value) for s, path, _ in extreme_values.texts() for value in extreme_values.TEXTS]
    return [case for case in [*numbers, *texts] if case[1][-1] == 0 or not isinstance(case[1][-1], int)]


def checked_and_run(study: Path, *others: str) -> str:
    """What went wrong in a way that it must not, empty if nothing did. The other commands are run too."""
    code = execute(["check", str(study), "--quiet"])
    if code not in (DONE, WITH_FINDINGS, WRONG_INPUT):
        return f"check ends with {code}"
    if code == DONE:
        with patch.object(traced_paths, "RAYS_PER_BATCH", RAYS):
            code = execute(["run", str(study), "--no-pictures", "--quiet", "--threads", "2"])
            if code not in (DONE, WITH_FINDINGS):
                return f"check finds nothing, and run ends with {code}"
            for command in others:
                # A plan may have nothing to choose from, and a sound system no loudspeakers: that is wrong input.
                code = execute([command, str(study), "--no-pictures", "--quiet"])
                if code not in (DONE, WITH_FINDINGS, WRONG_INPUT):
                    return f"check finds nothing, and {command} ends with {code}"
    return ""


def tried(case: Case) -> str:
    """A case of the table in a folder of its own: what went wrong, with the case in front."""
    with tempfile.TemporaryDirectory() as folder, open(os.devnull, "w") as nowhere:
        study = extreme_values.write(Path(folder), extreme_values.changed(*case))
        with redirect_stdout(nowhere), redirect_stderr(nowhere):
            said = checked_and_run(study, "system", "plan")
    return f"{case[0]} {case[1]} {json.dumps(case[2])[:40]}: {said}" if said else ""


def test_the_study_has_every_key() -> None:
    """So that no key is left out of the table: those of the models against those that are written."""
    for kind, model in MODELS.items():
        definitions = model.model_json_schema(by_alias=True)["$defs"]
        known = {key for table in definitions.values() for key in table["properties"]}
        written = {key for path, _ in extreme_values._leaves(extreme_values.documents()[kind]) for key in path}
        empty = {"box", "reversed", "two_sided", "crest_factor"}
        # The last two are written in files of their own.
        assert known - written - empty <= {"file"}, kind


def test_the_study_is_good(tmp_path: Path) -> None:
    """Control: it is what is changed below that is refused."""
    study = extreme_values.write(tmp_path, extreme_values.changed("study", ("seed",), 3))
    assert execute(["check", str(study), "--strict"]) == DONE
    assert checked_and_run(study) == ""


def test_it_is_read_or_refused(tmp_path: Path) -> None:
    refused, cases = 0, table()[3::10]
    for stem, path, value in cases:
        study = extreme_values.write(tmp_path, extreme_values.changed(stem, path, value))
        try:
            read_study(study)
        except DocumentError:
            refused += 1
    # Most extremes are out of all bounds, and some are not: a table of which all is refused would show nothing.
    assert 0.5 * len(cases) < refused < 0.9 * len(cases)


@pytest.mark.parametrize("case", table()[7::60], ids=lambda case: f"{case[0]}-{'.'.join(map(str, case[1]))}")
def test_what_passes_the_check_can_be_run(tmp_path: Path, case: Case) -> None:
    study = extreme_values.write(tmp_path, extreme_values.changed(*case))
    assert checked_and_run(study) == ""


def _whole_studies() -> Iterator[tuple[str, dict[str, Any]]]:
    def of_walls(**row: Any) -> dict[str, Any]:
        wall = {"absorption": [0.2] * 8, "scattering": [0.2] * 8, "source": "invented", **row}
        return {"materials": {f"of_{name}": wall for name in venues.shoebox().polygons}}

    source = {"name": "s", "position": [2.0, 3.0, 1.6], "level": [70.0] * 8}
    yield "nothing absorbs", of_walls(absorption=[0.0] * 8)
    yield "nothing absorbs or scatters", of_walls(absorption=[0.0] * 8, scattering=[0.0] * 8)
    yield "everything absorbs", of_walls(absorption=[1.0] * 8)
    yield "everything absorbs, clarity asked", of_walls(absorption=[1.0] * 8) | {
        "study": {"precision": {"sti": 0.1, "clarity": 1.0, "max_rays": 1000}}
    }
    yield "silence", {"sources": [{**source, "level": [-200.0] * 8}]}
    yield "as loud as can be written", {"sources": [{**source, "level": [200.0] * 8}]}
    yield "noise as loud as can be written", {"noise": 200.0}
    yield "at its own position", {"sources": [{**source, "aim_at": source["position"]}]}
    yield "on the wall to a hair", {"sources": [{**source, "position": [1e-300, 3.0, 1.6]}]}
    yield "at a seat", {"sources": [{**source, "position": [6.0, 4.5, 1.2]}], "seats": (1, 1)}
    yield "costs that overflow", {"study": {"costs": {"labour_rate": 1e9, "fixed": 1e9, "budget": 1e9}}}
    yield "a mesh of micrometres", {"size": (12e-6, 9e-6, 5e-6)}
    yield "one seat", {"seats": (1, 1)}


WHOLE_STUDIES = dict(_whole_studies())


@pytest.mark.parametrize("what", WHOLE_STUDIES)
def test_a_study_that_is_extreme_as_a_whole(tmp_path: Path, what: str) -> None:
    options: dict[str, Any] = WHOLE_STUDIES[what]
    options = {"size": (12.0, 9.0, 5.0), **options}
    options["study"] = {"precision": {"sti": 1.0, "max_minutes": 0.1}, **options.get("study", {})}
    study = venues.write_shoebox(tmp_path, **options)
    assert checked_and_run(study) == ""


def test_many_scenarios_are_checked_in_the_time_of_few(tmp_path: Path) -> None:
    """As many as a file holds. Were it quadratic anywhere, this would take minutes; it takes some ten seconds."""
    files = extreme_values.changed("study", ("seed",), 3)
    files["study"]["scenario"] = [{"name": f"s{i}", "elements": ["people"]} for i in range(20_000)]
    files["study"]["plan"] = {}
    study = extreme_values.write(tmp_path, files)
    assert execute(["check", str(study), "--quiet", "--json"]) == DONE


@pytest.mark.parametrize("error", ["nan", "1e-300", "-1", "inf", "0"])
def test_no_precision(tmp_path: Path, error: str) -> None:
    study = venues.write_shoebox(tmp_path)
    assert execute(["run", str(study), "--sti-error", error]) == 2
    with pytest.raises(PhysicalRangeError, match="is outside the permitted range"):
        run(study, sti_error=float(error))


def test_memory_that_does_not_suffice_is_no_fault(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    study = venues.write_shoebox(tmp_path)
    with patch("roomsim.study.run.compile_scene", side_effect=MemoryError):
        assert execute(["run", str(study)]) == 4
    assert "there is not enough memory. Use fewer seats" in capsys.readouterr().err


if __name__ == "__main__":
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        wrong = [said for said in pool.map(tried, table(), chunksize=4) if said and print(said, flush=True) is None]
    sys.exit(f"{len(wrong)} cases" if wrong else 0)
