"""Published tables in `data/`: a first line that states the source, a header, rows."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

FOLDER = Path(__file__).parent / "data"


def read_table(name: str) -> list[dict[str, str]]:
    """Rows of a table by column name; lines that start with # state its source."""
    with (FOLDER / name).open(encoding="utf-8", newline="") as file:
        source = file.readline()
        assert source.startswith("# "), f"{name} does not name its source"
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def printed_air_attenuation(temperature: int, humidity: int) -> np.ndarray:
    """(8,) dB/m in the octave bands, as printed in table 2 of ISO 9613-2; only for its own rows, degC and %."""
    wanted = str(temperature), str(humidity)
    (row,) = [row for row in read_table("air_iso9613_2_table_2.csv") if (row["temperature"], row["humidity"]) == wanted]
    return np.array([float(value) for value in list(row.values())[2:]]) / 1000.0
