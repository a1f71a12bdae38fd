"""Messages say what a file is and what was wanted, where a lost key belongs, and how figures are called."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from invented_results import invented_results
from venues import write_shoebox

import roomsim
from roomsim.cli.application import execute
from roomsim.errors import DocumentError, StoreError
from roomsim.venue.reading import kind_of_file, read_study


@pytest.fixture
def study(tmp_path: Path) -> Path:
    return write_shoebox(tmp_path)


@pytest.mark.parametrize("kind", ["venue", "elements", "sources", "materials"])
@pytest.mark.parametrize("command", ["run", "plan", "system"])
def test_another_file_for_the_study(
    study: Path, kind: str, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert execute([command, str(study.with_name(f"{kind}.toml"))]) == 3
    said = capsys.readouterr().err
    assert f"{kind}.toml: this is a" in said and f"{kind} file, but a study file, which names it, is needed" in said
    assert "study.toml in the same folder" in said


def test_each_file_is_known_by_its_keys() -> None:
    assert kind_of_file({"schema": 1, "title": "t", "venue": "v", "scenario": []}) == "study"
    assert kind_of_file({"schema": 1, "mesh": {}, "surfaces": {}}) == "venue"
    assert kind_of_file({"schema": 1, "drape": []}) == "elements"
    assert kind_of_file({"schema": 1}) is None and kind_of_file({"nothing": 1, "venue": "v"}) is None


def test_files_of_a_study_that_are_exchanged(study: Path) -> None:
    text = study.read_text().replace('"sources.toml"', '"elements.toml"')
    study.write_text(text.replace('elements = "elements.toml"', 'elements = "sources.toml"'))
    with pytest.raises(DocumentError) as error:
        read_study(study)
    assert "elements.toml: this is an elements file, but a sources file is needed here" in str(error.value)
    assert "sources.toml: this is a sources file, but an elements file is needed here" in str(error.value)


def test_a_study_for_its_results(study: Path) -> None:
    with pytest.raises(StoreError, match=r"describes a study; its results are in the folder of a run") as error:
        roomsim.load(study)
    assert "First `roomsim run" in str(error.value)
    study.with_suffix(".roomsim").mkdir()
    (study.with_suffix(".roomsim") / "results.h5").touch()
    with pytest.raises(StoreError, match=r"Name .*study\.roomsim\."):
        roomsim.load(study)
    assert execute(["maps", str(study)]) == 4


@pytest.mark.parametrize(
    ("file", "old", "new", "said"),
    [
        ("venue", "[surfaces]", '[surfaces]\n"two_sided" = ["x"]', '"two_sided" belongs at the top of the file'),
        ("venue", "[mesh]", '[mesh]\n"two_sided" = ["x"]', '"two_sided" belongs at the top of the file'),
        ("study", "schema = 1", "schema = 1\nbudget = 3", '"budget" belongs in the table costs'),
        ("study", "schema = 1", "schema = 1\nmax_minutes = 3", '"max_minutes" belongs in the table precision'),
        ("venue", '"of_floor"', "0.1", "expected the name of a material, in quotes, got 0.1"),
        ("elements", '"test_wool"', "620", "expected the name of a fabric, in quotes, got 620"),
        ("elements", '"crowd"', "0.7", "expected the name of a material, in quotes, got 0.7"),
    ],
)
def test_keys_in_the_wrong_table_and_numbers_for_names(
    study: Path, file: str, old: str, new: str, said: str
) -> None:
    path = study.with_name(f"{file}.toml")
    assert old in path.read_text()
    path.write_text(path.read_text().replace(old, new, 1))
    with pytest.raises(DocumentError) as error:
        read_study(study)
    assert said in str(error.value)


def test_a_key_that_no_table_knows_belongs_nowhere(study: Path) -> None:
    path = study.with_name("venue.toml")
    path.write_text(path.read_text().replace("[mesh]", "[mesh]\nwallpaper = 1", 1))
    with pytest.raises(DocumentError, match="unknown key") as error:
        read_study(study)
    assert "belongs" not in str(error.value)


def test_figures_by_symbol() -> None:
    results = invented_results()
    assert results.seats["STI"] is results.seats["speech_transmission_index"]
    assert np.array_equal(results.room["T20"].value, results.room["reverberation_time_t20"].value, equal_nan=True)
    with pytest.raises(KeyError, match=r"no quantity 'SIT' here\. Did you mean 'STI'"):
        results.gains["SIT"]
    # A symbol is a way to ask, no further entry.
    assert "STI" not in list(results.seats)
