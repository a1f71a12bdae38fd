"""What `check` calls an error ends every command that computes, with the same sentence."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import venues

from roomsim.cli.application import execute

HALL = venues.shoebox((10.0, 8.0, 5.0))
SEATS = venues.rectangle_area("seats", (4, 1, 9, 7), (3, 3))
EXIT = {"name": "door", "kind": "exit", "polygon": [[0, 6], [2, 6], [2, 8], [0, 8]], "top": 2.5}
SYSTEM = """
[loudspeaker.line]
height = 0.3
depth = 0.4
mass = 20
level = [70, 74, 74, 72, 68, 64, 60, 56]
directivity = { kind = "omnidirectional" }
source = "invented for tests"

[[hang]]
name = "main"
loudspeaker = "line"
top = [1.0, 4.0, TOP]
count = 2
splay = [3]

[[sub_stack]]
name = "subs"
loudspeaker = "line"
position = [1.0, SIDE, FOOT]
arrangement = { kind = "stack", count = 3 }
"""
FAULTY: dict[str, tuple[dict[str, Any], dict[str, Any], str]] = {
    "above the roof": ({"TOP": 5.4}, {}, "Box 1 of 2 is outside the room"),
    "below the floor": ({"FOOT": -0.4}, {}, "Box 1 of 3 is outside the room"),
    "subs in an exit": ({"SIDE": 7.0}, {}, "It stands in the exit 'door'"),
    "a talker outside": ({}, {"position": [12.0, 4.0, 1.6]}, "It is outside the room"),
    "a stand in an exit": ({}, {"position": [1.0, 7.0, 1.6]}, "It stands in the exit 'door'"),
    "seats outside": ({}, {"audience": (12, 1, 16, 7)}, "9 of 9 seats are outside the room"),
}


def written(folder: Path, system: dict[str, Any], other: dict[str, Any]) -> Path:
    area = SEATS if "audience" not in other else venues.rectangle_area("seats", other["audience"], (3, 3))
    line = {"name": "D", "runs": [[[9.8, 1.0], [9.8, 7.0]]], "top": 4.0, "drop": 3.0, "fabric": "test_wool"}
    path = venues.write_venue(
        folder, HALL, audience=[area], zones=[EXIT], absorption=0.3, crowd=False,
        sources=[{"name": "talker", "position": other.get("position", [1.0, 3.0, 1.6]), "level": [70.0] * 8}],
        elements={"drape": [line | {"stand_off": 0.2}]},
        study={"precision": {"sti": 0.1, "max_rays": 100_000}, "uncertainty": {"draws": 0}},
    )  # fmt: skip
    text = SYSTEM
    for key, value in ({"TOP": 4.0, "FOOT": 0.0, "SIDE": 5.2} | system).items():
        text = text.replace(key, str(value))
    with (folder / "sources.toml").open("a", encoding="utf-8") as file:
        file.write(text)
    return path


@pytest.mark.parametrize("fault", FAULTY)
def test_every_command_refuses_it_in_the_same_words(
    fault: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    system, other, said = FAULTY[fault]
    path = written(tmp_path, system, other)
    for command in ("check", "run", "system", "plan"):
        code = execute([command, str(path), *([] if command == "check" else ["--no-pictures"])])
        told = capsys.readouterr()
        assert code == (1 if command == "check" else 3), command
        assert said in " ".join((told.out + told.err).split()), command


def test_the_same_hall_without_the_fault_is_let_through(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, {}, {})
    assert execute(["check", str(path)]) == 0
    assert execute(["system", str(path), "--no-pictures"]) == 0
    capsys.readouterr()
