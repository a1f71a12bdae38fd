"""Importing the package from where Python may be started."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path


def test_a_folder_called_roomsim_does_not_hide_the_package(tmp_path: Path) -> None:
    # A clone keeps its name: seen from its parent, there is a folder roomsim without the package's modules.
    (tmp_path / "roomsim" / "docs").mkdir(parents=True)
    done = subprocess.run(
        [sys.executable, "-c", "import roomsim; print(roomsim.run.__name__)"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.stdout, done.returncode) == ("run\n", 0), done.stderr
