"""Published tables in `data/`: a first line that states the source, a header, rows."""

from __future__ import annotations

import csv
from pathlib import Path

FOLDER = Path(__file__).parent / "data"


def read_table(name: str) -> list[dict[str, str]]:
    """Rows of a table by column name; lines that start with # state its source."""
    with (FOLDER / name).open(encoding="utf-8", newline="") as file:
        source = file.readline()
        assert source.startswith("# "), f"{name} does not name its source"
        return list(csv.DictReader(line for line in file if not line.startswith("#")))
