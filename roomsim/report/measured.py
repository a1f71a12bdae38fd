"""Computed beside measured, for people and for spreadsheets."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
from rich.console import Console, ConsoleOptions, RenderResult
from rich.table import Table
from rich.text import Text

from .. import bands
from ..files import replace_file
from ..metrics.registry import METRICS
from ..study.measured import ComparedValue, MeasuredComparison
from .export import Cell, csv_bytes
from .printing import PrintedTable, below, new_table
from .values import NONE, decimal


class MeasuredTable(PrintedTable):
    """A measured room beside the computed one: means over places, and how far single places are off."""

    def __init__(self, comparison: MeasuredComparison):
        self.comparison = comparison

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        comparison = self.comparison
        yield Text(comparison.name, "bold")
        yield Text(f"Measured data: {comparison.origin}")
        yield Text("")
        quantities = [name for name in METRICS if any(row.quantity == name for row in comparison.rows)]
        for name in quantities:
            yield below(_quantity_table(comparison, name))
        yield Text(_summary(comparison))
        yield Text(_LEGEND, "dim")
        for finding in comparison.findings:
            yield Text(f"Warning: {finding.place}: {finding.text}")


_LEGEND = (
    "JND: just noticeable difference (ISO 3382-1:2009, Table A.1, from memory). Off: computed minus measured, in "
    "JND; mean: over the places; rms: of single places. ±: 95 %, Monte Carlo error only, in JND."
)


def _quantity_table(comparison: MeasuredComparison, name: str) -> Table:
    metric = METRICS[name]
    unit = f", {metric.unit}" if metric.unit else ""
    table = new_table()
    table.add_column(f"{metric.symbol}{unit}", no_wrap=True)
    rows = [row for row in comparison.rows if row.quantity == name]
    present = sorted({row.band for row in rows})
    for band in present:
        table.add_column(bands.LABELS[band], justify="right", no_wrap=True)
    lines: dict[str, list[str]] = {
        head: [] for head in ("measured", "computed", "off, mean", "  ±", "off, rms", "places")
    }
    for band in present:
        for head, cell in _band_cells([row for row in rows if row.band == band], metric.decimals + 1).items():
            lines[head].append(cell)
    for head, cells in lines.items():
        table.add_row(head, *cells, style="bold" if head == "off, mean" else "")
    return table


def _band_cells(rows: list[ComparedValue], decimals: int) -> dict[str, str]:
    known = [row for row in rows if np.isfinite(row.difference)]
    cells = {"measured": f"{np.mean([row.measured for row in rows]):.{decimals}f}"}
    if not known:
        return {**cells, **dict.fromkeys(("computed", "off, mean", "  ±", "off, rms"), NONE), "places": "0"}
    off = np.array([row.difference for row in known])
    # Errors of places are of the same rays: their mean is on the safe side.
    error = 2.0 * np.mean([row.standard_error / row.noticeable for row in known])
    return {
        **cells,
        "computed": f"{np.mean([row.computed for row in known]):.{decimals}f}",
        "off, mean": decimal(float(off.mean()), 1, sign=True),
        "  ±": f"{error:.1f}",
        "off, rms": f"{np.sqrt((off**2).mean()):.1f}",
        "places": f"{len(known)}" if len(known) == len(rows) else f"{len(known)} of {len(rows)}",
    }


def _summary(comparison: MeasuredComparison) -> str:
    off = np.array([row.difference for row in comparison.rows])
    known = np.abs(off[np.isfinite(off)])
    if not len(known):
        return "None of the quantities could be evaluated."
    missing = len(off) - len(known)
    also = f" {missing} could not be evaluated." if missing else ""
    return (
        f"Of {len(known)} values {np.mean(known <= 1.0):.0%} lie within 1 JND and {np.mean(known <= 2.0):.0%} "
        f"within 2 JND of the measured ones.{also} {comparison.n_rays:,} rays."
    )


def measured_csv_rows(comparison: MeasuredComparison) -> Iterator[list[Cell]]:
    """Head and a row for each measured value."""
    yield [
        "source", "receiver", "quantity", "frequency_hz", "measured", "computed", "standard_error", "jnd",
        "difference_in_jnd",
    ]  # fmt: skip
    for row in comparison.rows:
        yield [
            row.source, row.receiver, METRICS[row.quantity].symbol, float(bands.NOMINAL[row.band]), row.measured,
            row.computed, row.standard_error, row.noticeable, row.difference,
        ]  # fmt: skip


def write_measured(comparison: MeasuredComparison, path: Path) -> Path:
    """Write every value as CSV.

    Raises
    ------
    StoreError : the file cannot be written
    """
    replace_file(path, csv_bytes(measured_csv_rows(comparison)))
    return path
