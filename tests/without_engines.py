"""Runs code in a separate process and checks that no package is loaded that only computing or reading input needs."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ENGINES = ("numba", "shapely", "pydantic", "trimesh")


def run_without_engines(code: str, folder: Path) -> None:
    """Run `code` in a folder: it must print output, set `code` to 0, and load none of `ENGINES`."""
    code = (
        f"import sys\n{code}\nloaded = [name for name in {ENGINES!r} if name in sys.modules]\n"
        "sys.exit(f'loads {loaded}' if loaded else code)"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip()
