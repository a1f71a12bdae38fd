"""Comparison of computed and measured values, as tables and as CSV files."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from .. import bands
from ..files import replace_file
from ..metrics.registry import METRICS
from ..study.measured import ComparedValue, MeasuredComparison
from .export import Cell, csv_bytes
from .printing import PrintedTable, below, table_of
from .values import NONE, decimal


class MeasuredTable(PrintedTable):
    """Measured and computed values: means over the positions, and deviations at single positions."""

    def __init__(self, comparison: MeasuredComparison):
        self.comparison = comparison

    def parts(self, width: int) -> Iterator[RenderableType]:
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


_ROWS = ("measured", "computed", "off, mean", "  ±", "off, rms", "places")


def _quantity_table(comparison: MeasuredComparison, name: str) -> Table:
    metric = METRICS[name]
    unit = f", {metric.unit}" if metric.unit else ""
    rows = [row for row in comparison.rows if row.quantity == name]
    present = sorted({row.band for row in rows})
    columns = [_band_cells([row for row in rows if row.band == band], metric.decimals + 1) for band in present]
    heads = [f"{metric.symbol}{unit}", *(bands.LABELS[band] for band in present)]
    return table_of(heads, zip(_ROWS, *columns), bold_rows=[_ROWS.index("off, mean")])


def _band_cells(rows: list[ComparedValue], decimals: int) -> tuple[str, ...]:
    """The cells of one octave band, in the order of `_ROWS`."""
    known = [row for row in rows if np.isfinite(row.difference)]
    measured = f"{np.mean([row.measured for row in rows]):.{decimals}f}"
    if not known:
        return (measured, *[NONE] * 4, "0")
    off = np.array([row.difference for row in known])
    # The errors at all positions come from the same rays, so the mean of the errors is conservative.
    error = 2.0 * np.mean([row.standard_error / row.noticeable for row in known])
    return (
        measured,
        f"{np.mean([row.computed for row in known]):.{decimals}f}",
        decimal(float(off.mean()), 1, sign=True),
        f"{error:.1f}",
        f"{np.sqrt((off**2).mean()):.1f}",
        f"{len(known)}" if len(known) == len(rows) else f"{len(known)} of {len(rows)}",
    )


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
    """Head, and a row for each measured value."""
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
    """Write all values as CSV.

    Raises
    ------
    StoreError : the file cannot be written
    """
    replace_file(path, csv_bytes(measured_csv_rows(comparison)))
    return path
