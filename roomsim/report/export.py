"""All results as files for spreadsheets and other programs.

CSV files follow RFC 4180 and are encoded in UTF-8 with a byte-order mark, without which spreadsheets misread names.
Numbers have decimal points and no thousands separators. A cell whose text a spreadsheet would interpret as a formula
is preceded by an apostrophe.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from .. import bands
from ..estimate import Estimate
from ..files import replace_file
from ..metrics.registry import METRICS
from ..results.folder import outputs_in
from ..results.interval import Interval
from ..results.records import Results
from ..results.results_file import load_results
from .cautions import cautions
from .caveat_messages import caveat_messages
from .rows import comparison_rows, position_rows, reverberation_rows

Cell = str | float | int | None

DIGITS = "%.6g"
"""More digits than the error of any quantity justifies, but too few to include rounding errors."""

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def export_results(results: Results | str | Path, folder: str | Path) -> list[Path]:
    """Write seats.csv, comparison.csv, reverberation.csv and comparison.json; return their paths.

    seats.csv has a row for each seat and scenario: position, audience area, every quantity with its standard error,
    and the gain over the scenario that it is compared with, with the standard error of the gain. Cells without a value
    are empty.

    Raises
    ------
    StoreError : there are no results at that path, or the folder cannot be made or written
    """
    results = load_results(results)
    contents = {
        "seats.csv": seats_csv(results),
        "comparison.csv": csv_bytes(comparison_csv_table(results)),
        "reverberation.csv": csv_bytes(reverberation_csv_table(results)),
        "comparison.json": json_bytes(comparison_object(results)),
    }
    return write_files(Path(folder), contents)


def write_files(folder: Path, contents: Mapping[str, bytes]) -> list[Path]:
    """Write files, name -> bytes, into a folder, which is created if it is missing; return their paths.

    Raises
    ------
    StoreError : the folder cannot be made or written, or another run holds it
    """
    with outputs_in(folder):
        for name, content in contents.items():
            replace_file(folder / name, content)
    return [folder / name for name in contents]


def csv_bytes(rows: Iterable[Iterable[Cell]]) -> bytes:
    """Rows of cells as a CSV file."""
    return _csv_text(rows).encode("utf-8-sig")


def _csv_text(rows: Iterable[Iterable[Cell]]) -> str:
    text = io.StringIO()
    csv.writer(text).writerows([_cell(cell) for cell in row] for row in rows)
    return text.getvalue()


def json_bytes(content: object) -> bytes:
    """Content as a JSON file."""
    return json.dumps(content, ensure_ascii=False, allow_nan=False, indent=1).encode() + b"\n"


def _cell(cell: Cell) -> str:
    if isinstance(cell, str):
        return "'" + cell if cell.startswith(FORMULA_STARTS) else cell
    if cell is None or not math.isfinite(cell):
        return ""
    return str(cell) if isinstance(cell, int) else DIGITS % cell


def seats_csv(results: Results) -> bytes:
    """The content of seats.csv; see `export_results`."""
    blocks = [*_blocks(results.seats, ""), *_blocks(results.gains, "gain ")]
    heads = [head for block_heads, _ in blocks for head in block_heads]
    lines = [_csv_text([["seat", "area", "x, m", "y, m", "z, m", "scenario", *heads]])]
    # There are millions of numbers, so each row of them is formatted at once.
    form = ",".join([DIGITS] * len(heads))
    for seat, position in enumerate(results.positions):
        place = [seat + 1, results.area_names[int(results.area[seat])], *position.tolist()]
        numbers = np.concatenate([values[seat] for _, values in blocks], axis=1)
        numbers[~np.isfinite(numbers)] = np.nan
        for record, row in zip(results.scenarios, numbers.tolist()):
            start = _csv_text([[*place, record.name]]).removesuffix("\r\n")
            lines.append(f"{start},{(form % tuple(row)).replace('nan', '')}\r\n")
    return "".join(lines).encode("utf-8-sig")


def _blocks(estimates: dict[str, Estimate], prefix: str) -> Iterator[tuple[list[str], np.ndarray]]:
    """Heads (n_columns,) and numbers (n_receivers, n_scenarios, n_columns) of each quantity, in the order of the
    registry. The columns are the value and its standard error in each band."""
    for name in METRICS:
        if name not in estimates:
            continue
        metric, estimate = METRICS[name], estimates[name]
        unit = f", {metric.unit}" if metric.unit else ""
        labels = [f" {label}" for label in bands.LABELS] if metric.per_band else [""]
        heads = [f"{prefix}{metric.symbol}{band}{kind}{unit}" for band in labels for kind in ("", " standard error")]
        pairs = np.stack([estimate.value, estimate.standard_error], axis=-1)
        yield heads, pairs.reshape(*pairs.shape[:2], -1)


def comparison_csv_table(results: Results) -> Iterator[list[Cell]]:
    """Head and rows of comparison.csv. Columns "95 %" contain half the width of the interval."""
    money = results.currency
    yield [
        "number", "scenario", "description", "elements", "against number",
        "STI of median seat", "95 %", "STI of worst tenth", "95 %",
        f"share of seats at STI {results.sti_target:g}", "95 %", f"share of {results.share_target:g}",
        "gain in median STI", "low", "high", "p value", "verdict",
        "T20 500 Hz and 1 kHz, s", "95 %", "T20 63 and 125 Hz, s", "95 %",
        f"cost, {money}", f"extra cost, {money}", f"gain per 1000 {money}", "95 %",
        "rigging hours", "roof points", "weight, kg", "limits broken",
        "STI of median seat, input 95 %", "gain, input 95 %", "gain has this sign", "is the best",
        "beats the next",
    ]  # fmt: skip
    for row in comparison_rows(results):
        verdict, gain = row.verdict, row.verdict.gain
        has_gain = row.against is not None
        yield [
            row.number, row.scenario, row.description, "; ".join(row.elements), row.against,
            *_pair(row.sti_median), *_pair(row.sti_worst_tenth), *_pair(row.share_of_seats), row.target,
            *((gain.value, gain.low, gain.high, verdict.p_value) if has_gain else (None,) * 4), verdict.text,
            *_pair(row.reverberation_mid), *_pair(row.reverberation_bass),
            row.cost, row.extra_cost, *_pair(row.gain_per_1000),
            row.rigging_hours, row.roof_points, row.weight, "; ".join(row.limits_broken),
            row.sti_median.input_half_width, gain.input_half_width, row.gain_holds, row.is_best, row.is_ahead,
        ]  # fmt: skip


def _pair(interval: Interval | None) -> list[Cell]:
    return [None, None] if interval is None else [interval.value, interval.half_width]


def reverberation_csv_table(results: Results) -> Iterator[list[Cell]]:
    """Head and rows of reverberation.csv: traced times with half their 95 % intervals, and the times by the
    formulas."""
    heads = [f"{label} Hz, s" for label in bands.LABELS]
    yield ["scenario", "method", *heads, *(f"{head} 95 %" for head in heads)]
    for row in reverberation_rows(results):
        halves = [time.half_width if row.method == "traced" else None for time in row.time]
        yield [row.scenario, row.method, *(time.value for time in row.time), *halves]


def comparison_object(results: Results) -> dict[str, Any]:
    """The comparison as values for JSON; None if a quantity cannot be evaluated."""
    content = {
        "schema": 2,
        "title": results.title,
        "venue": results.venue,
        "currency": results.currency,
        "sti_target": results.sti_target,
        "share_target": results.share_target,
        "scenarios": [row.as_dict() for row in comparison_rows(results)],
        "listening_positions": [asdict(row) for row in position_rows(results)],
        "warnings": caveat_messages(results.caveats, len(results.scenarios)),
        "cautions": cautions(results),
        "provenance": results.provenance,
    }
    return _without_nan(content)


def _without_nan(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _without_nan(part) for name, part in value.items()}
    if isinstance(value, list | tuple):
        return [_without_nan(part) for part in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
