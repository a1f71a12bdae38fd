"""Running the commands on a study, with few rays and coarse pictures: these tests check that the commands work, not the
results."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest

from roomsim.cli.application import execute
from roomsim.planning import run as planning
from roomsim.report import pictures, style
from roomsim.study import traced_paths

RAYS_PER_BATCH = 64
REPLICATES = 4
"""Instead of twenty: the time of an evaluation does not depend on the number of rays."""


def make_quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Few rays, and coarse pictures in one format."""
    monkeypatch.setattr(traced_paths, "RAYS_PER_BATCH", RAYS_PER_BATCH)
    monkeypatch.setattr(traced_paths, "N_REPLICATES", REPLICATES)
    monkeypatch.setattr(planning, "N_TILES", 30)
    monkeypatch.setattr(style, "RESOLUTION", 30)
    # In one format, which takes half the time. Other commands write the other one.
    monkeypatch.setattr(pictures, "write_pictures", in_one_format)


def in_one_format(results, drawn, folder, formats=("svg",), processes=None, write=pictures.write_pictures):
    """`write_pictures` with another default."""
    return write(results, drawn, folder, formats, processes)


class Walk:
    """The commands of one study, one after the other; the output of each is checked."""

    def __init__(self, capsys: pytest.CaptureFixture[str], words_alone: tuple[str, ...] = ()) -> None:
        """`words_alone` : names of pictures that only state why there is nothing to show."""
        self.capsys, self.words_alone = capsys, words_alone

    def __call__(self, command: str, *arguments: object, code: int = 0) -> str:
        """Standard output of a command that must end with this code and report no failure."""
        got = execute([command, *(str(argument) for argument in arguments)])
        out, err = self.capsys.readouterr()
        assert got == code, f"{command} ended with {got}:\n{err}"
        assert "Traceback" not in err, err
        if code in (0, 1):
            assert not re.search(r"picture.*(fail|not drawn|could not|cannot)", err, re.IGNORECASE), err
            assert "Error" not in err, err
        return out

    def files(self, command: str, *arguments: object) -> list[Path]:
        """The files that a command with --json lists; all of them exist and can be read."""
        named = [Path(path) for path in json.loads(self(command, *arguments, "--json", "--quiet"))["files"]]
        assert_sound([path for path in named if path.name not in self.words_alone])
        return named

    def lines(self, command: str, *arguments: object) -> list[Path]:
        """The files that a command prints line by line; all of them exist and can be read."""
        named = [Path(line) for line in self(command, *arguments).splitlines()]
        assert_sound([path for path in named if path.name not in self.words_alone])
        return named


def assert_sound(files: list[Path]) -> None:
    """All files exist and are not empty, and pictures can be read."""
    assert files
    for path in files:
        assert path.is_file(), path
        content = path.read_bytes()
        if path.suffix == ".png":
            assert content.startswith(b"\x89PNG\r\n\x1a\n") and content[-8:-4] == b"IEND", path
        elif path.suffix == ".svg":
            shapes = [part for part in ElementTree.fromstring(content).iter() if part.tag.endswith(("path", "use"))]
            assert len(shapes) > 10, path
        else:
            assert len(content) > 20, path
