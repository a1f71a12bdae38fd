"""The comparison as tables for a terminal or a text file."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from .. import bands
from ..metrics.registry import METRICS
from ..results.interval import interval_of
from ..results.records import Results
from ..results.results_file import load_results
from ..results.verdicts import FAMILY_LEVEL
from ..words import listed
from .cautions import cautions
from .caveat_messages import caveat_messages
from .printing import PrintedTable, below, bullets, clean, new_table, table_of
from .quantities import STI, T20
from .rows import (
    ComparisonRow,
    PositionRow,
    ReverberationRow,
    comparison_rows,
    position_rows,
    reverberation_rows,
)
from .values import NONE, decimal, error_text, money, number, probability, with_error, with_interval

WIDE = 112
"""Width of the terminal, in columns, from which the columns of a topic fit side by side."""


# --- comparison -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Column:
    """One column of a table."""

    head: str
    cell: Callable[[ComparisonRow], str]
    left: bool = False
    style: Callable[[ComparisonRow], str] = lambda row: ""


class ComparisonTable(PrintedTable):
    """The comparison of a study."""

    def __init__(self, results: Results):
        self._results = results
        self.rows = comparison_rows(results)

    def parts(self, width: int) -> Iterator[RenderableType]:
        results = self._results
        yield Text(f"{clean(results.title)} · {clean(results.venue)}", "bold")
        yield Text("")
        seats, room = _columns(results)
        # If the columns do not fit side by side, they are printed in several tables, each with the names.
        topics = [seats, room] if width >= WIDE else [seats[:4], seats[4:], room[:4], room[4:]]
        for topic in topics:
            yield below(_table(self.rows, topic))
        if results.input_uncertainty is not None:
            yield Text("Certainty of the result")
            certainty = _certainty_columns()
            for topic in [certainty] if width >= WIDE else [certainty[:6], certainty[6:]]:
                yield below(_table(self.rows, topic))
            yield below(Text(_about_certainty(results.input_uncertainty.n_draws), "dim"))
        positions = position_rows(results)
        if positions:
            yield Text("Listening positions")
            yield below(_position_table(positions))
        broken = [row for row in self.rows if row.limits_broken]
        yield bullets("Over the limits", [clean(f"{row.scenario}: {'; '.join(row.limits_broken)}") for row in broken])
        yield below(Text(best_within_limits(self.rows)))
        yield below(Text(_legend(results), "dim"))
        yield bullets("Warnings", [clean(text) for text in caveat_messages(results.caveats, len(results.scenarios))])
        yield bullets("Before you act on this", cautions(results))


def comparison_table(results: Results | str | Path) -> ComparisonTable:
    """All scenarios side by side, with the legend, the warnings of the study and the cautions.

    Print it, or use its `rows`. Gains are relative to the scenario that each is compared with. They come from the same
    rays and are far more precise than the values.

    Parameters
    ----------
    results : a finished study, the folder of its run, or the results.h5 in it

    Raises
    ------
    StoreError : there are no results at that path
    """
    return ComparisonTable(load_results(results))


def _columns(results: Results) -> tuple[list[Column], list[Column]]:
    most = METRICS[STI].decimals
    seconds = METRICS[T20].decimals
    per_1000 = f"gain per\n1000 {clean(results.currency)}"
    seats = [
        Column("STI of\nmedian seat", lambda row: with_error(row.sti_median, most)),
        Column("of worst\ntenth", lambda row: with_error(row.sti_worst_tenth, most)),
        Column(
            f"seats\n≥ {results.sti_target:.2f}",
            lambda row: f"{with_error(row.share_of_seats.scaled(100.0), 0)} %",
            style=lambda row: {"met": "green", "missed": "red"}.get(row.target, ""),
        ),
        Column(f"{100 * results.share_target:g} %\nmet", lambda row: _MET[row.target]),
        Column("vs", lambda row: NONE if row.against is None else str(row.against)),
        Column(
            "gain of median seat",
            lambda row: NONE if row.against is None else with_interval(row.verdict.gain, most),
        ),
        Column(
            "verdict",
            lambda row: _SHORT_VERDICTS.get(row.verdict.text, row.verdict.text),
            left=True,
            style=lambda row: {"better": "green", "worse": "red"}.get(row.verdict.outcome, ""),
        ),
    ]
    room = [
        Column("T20, s\n500–1k", lambda row: with_error(row.reverberation_mid, seconds)),
        Column("T20, s\n63–125", lambda row: with_error(row.reverberation_bass, seconds)),
        Column(f"cost,\n{clean(results.currency)}", lambda row: money(row.cost)),
        Column(per_1000, lambda row: NONE if row.gain_per_1000 is None else with_error(row.gain_per_1000, 3)),
        Column("rigging\nh", lambda row: f"{row.rigging_hours:g}"),
        Column("roof\npoints", lambda row: str(row.roof_points)),
        Column(
            "limits",
            lambda row: f"{len(row.limits_broken)} over" if row.limits_broken else "kept",
            left=True,
            style=lambda row: "red" if row.limits_broken else "",
        ),
    ]
    return seats, room


def _position_table(rows: list[PositionRow]) -> Table:
    """A row for each listening position and scenario."""
    most = METRICS[STI].decimals
    heads = ("position", "scenario", "STI", "gain", "signal to noise,\ndB, 500–4k", "level,\ndB(A)")
    cells = []
    for row in rows:
        gain = NONE if row.gain is None else with_interval(row.gain, most)
        levels = (with_error(row.signal_to_noise, 1), with_error(row.level, 1))
        cells.append((row.position, f"{row.number} {row.scenario}", with_error(row.sti, most), gain, *levels))
    return table_of(heads, cells, 2, wrap_numbers=True)


def _certainty_columns() -> list[Column]:
    most = METRICS[STI].decimals + 1

    def error(half: float | None) -> str:
        return decimal(half, most) if half else NONE

    def of_gain(row: ComparisonRow, text: str) -> str:
        return NONE if row.against is None else text

    return [
        Column("STI of\nmedian seat", lambda row: number(row.sti_median, most)),
        Column("±\nrays", lambda row: error(row.sti_median.half_width)),
        Column("±\ninput", lambda row: error(row.sti_median.input_half_width)),
        Column("gain", lambda row: of_gain(row, number(row.verdict.gain, most, sign=True))),
        Column("±\nrays", lambda row: of_gain(row, error(row.verdict.gain.half_width))),
        Column("±\ninput", lambda row: error(row.verdict.gain.input_half_width)),
        Column("sign of\ngain holds", lambda row: probability(row.gain_holds)),
        Column("best within\nthe limits", lambda row: probability(row.is_best)),
        Column("beats the\nnext", lambda row: probability(row.is_ahead)),
    ]


def _about_certainty(n_draws: int) -> str:
    return (
        "Rays: Monte Carlo error, which more rays reduce. Input: uncertainty of the absorption as stated with the "
        f"materials ({n_draws} draws, the same in all scenarios), which only better data reduce. Both are 95 % "
        "intervals. The columns on the right combine both: the probability that the gain has the sign shown, that no "
        "scenario is better, and that the next best scenario is not better. A scenario that breaks a limit cannot be "
        "chosen and is not ranked."
    )


_MET = {"met": "yes", "missed": "no", "unclear": "?"}
_SHORT_VERDICTS = {
    "reference": NONE,
    "better, below one JND": "better <JND",
    "worse, below one JND": "worse <JND",
    "no significant difference": "no diff.",
}
"""Verdicts that are abbreviated in the table; the legend explains the abbreviations."""


def _table(rows: Sequence[ComparisonRow], columns: Sequence[Column]) -> Table:
    table = new_table()
    table.add_column("", justify="right", vertical="top", no_wrap=True)
    table.add_column("scenario", overflow="fold", min_width=12, ratio=None)
    for column in columns:
        table.add_column(Text(column.head), justify="left" if column.left else "right", no_wrap=True)
    for row in rows:
        cells = [Text(column.cell(row), column.style(row)) for column in columns]
        table.add_row(Text(str(row.number)), Text(clean(row.scenario)), *cells)
    return table


def best_within_limits(rows: Sequence[ComparisonRow]) -> str:
    """A sentence on the best scenario at the median seat among those within all limits."""
    ranked = sorted(
        (row for row in rows if math.isfinite(row.sti_median.value)), key=lambda row: row.sti_median.value, reverse=True
    )
    within_limits = [row for row in ranked if not row.limits_broken]
    if not within_limits:
        return "No scenario keeps all limits." if ranked else ""
    best = within_limits[0]
    certainty = "" if best.is_best is None else f"; probability that no other is better: {probability(best.is_best)}"
    text = (
        f"Of the scenarios that keep all limits, '{clean(best.scenario)}' has the highest STI at the median seat "
        f"({with_error(best.sti_median, METRICS[STI].decimals)}{certainty})."
    )
    higher = [f"'{clean(row.scenario)}'" for row in ranked[: ranked.index(best)]]
    if higher:
        text += f" Higher, but over a limit: {listed(higher, 3)}."
    return text


def _legend(results: Results) -> str:
    n = sum(record.compare_with != i for i, record in enumerate(results.scenarios))
    noticeable = METRICS[STI].just_noticeable_difference
    return (
        "± and intervals: 95 %, Monte Carlo error only. Gains are relative to the scenario numbered under vs and "
        f"come from the same rays. Verdicts hold at the {100 * FAMILY_LEVEL:g} % level for all {n} comparisons "
        "together (Holm, 1979), so they are stricter than the interval. No diff.: no significant difference. <JND: "
        f"less than one just noticeable difference ({noticeable:g}). Gain per 1000: relative to the extra cost, where "
        f"the gain is significant. {100 * results.share_target:g} % met: the study's target; ?: undecided within the "
        "error."
    )


# --- reverberation --------------------------------------------------------------------------------------


class ReverberationTable(PrintedTable):
    """Traced reverberation times and the statistical estimates, per octave band."""

    def __init__(self, results: Results):
        self._results = results
        self.rows = reverberation_rows(results)

    def parts(self, width: int) -> Iterator[RenderableType]:
        yield Text("Reverberation time, s, mean over the seats", "bold")
        yield Text("")
        every = range(bands.N_BANDS)
        for chosen in [every] if width >= WIDE else [every[:4], every[4:]]:
            yield below(_reverberation_table(self.rows, chosen, len(self._results.positions)))
        yield Text(_ABOUT_TIMES, "dim")
        if self._results.diffuse_room:
            yield Text("")
            yield Text("Diffuse-field figures", "bold")
            yield Text("")
            yield below(_diffuse_field_table(self._results))
            yield Text(_ABOUT_DIFFUSE_FIELD, "dim")


_ABOUT_TIMES = (
    "Means are taken over the seats at which EDT, T20 and T30 are all known; their number is given where it is not "
    "all seats. ±: 95 %, Monte Carlo error only. *: differs from the traced time by more than one just noticeable "
    "difference (5 %) and the error together. The formulas assume a diffuse field and ignore where the absorption is; "
    "where they differ from the traced times, rely on the traced times."
)


_ABOUT_DIFFUSE_FIELD = (
    "Schroeder frequency: results below it are trends only. Critical distance at 1 kHz: direct and reverberant sound "
    "are equally strong there. Articulation loss of consonants: by Peutz at 2 kHz, from the room and the strongest "
    "source at the median seat's distance; and traced, from the STI (Farrel Becker), mean over the seats. All but the "
    "last column assume a diffuse field; only the last includes noise."
)


def _diffuse_field_table(results: Results) -> Table:
    columns = results.diffuse_room
    rows = (
        (
            record.name,
            f"{columns['schroeder_frequency'][i].max():.0f}",
            f"{columns['critical_distance'][i, 4]:.1f}",
            f"{columns['articulation_loss'][i, 5]:.0f}",
            with_error(interval_of(results.room["articulation_loss"], i), 1),
        )
        for i, record in enumerate(results.scenarios)
    )
    return table_of(("scenario", "Schroeder\nHz", "critical\nm", "Peutz\n%", "traced\n%"), rows, 1, 8)


def _reverberation_table(rows: Sequence[ReverberationRow], chosen: Sequence[int], n_all: int) -> Table:
    table = new_table()
    table.add_column("scenario", overflow="fold", min_width=12)
    table.add_column("method", no_wrap=True)
    for band in chosen:
        table.add_column(bands.LABELS[band] + " ", justify="right", no_wrap=True)
    most = METRICS[T20].decimals
    for i, row in enumerate(rows):
        times = [row.time[band] for band in chosen]
        if row.method == "traced":
            if i:
                table.add_section()
            values = [number(time, most) + " " for time in times]
            errors = [error_text(time, most) + " " for time in times]
            table.add_row(Text(clean(row.scenario)), f"{METRICS[T20].symbol}, traced", *values, style="bold")
            table.add_row("", "  ±", *errors)
            if row.n_seats is not None and any(n < n_all for n in row.n_seats):
                table.add_row("", f"  of {n_all} seats", *(f"{row.n_seats[band]} " for band in chosen))
        else:
            values = [number(time, most) + ("*" if row.is_off[band] else " ") for time, band in zip(times, chosen)]
            table.add_row("", row.method.replace("_", "-").title(), *values)
    return table


def reverberation_table(results: Results | str | Path) -> ReverberationTable:
    """Traced reverberation times and the statistical estimates of every scenario, per octave band.

    Print it, or use its `rows`.

    Parameters
    ----------
    results : a finished study, the folder of its run, or the results.h5 in it

    Raises
    ------
    StoreError : there are no results at that path
    """
    return ReverberationTable(load_results(results))
