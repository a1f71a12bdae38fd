"""The comparison as tables for a terminal or a text file."""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rich import box
from rich.console import Console, ConsoleOptions, RenderableType, RenderResult
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from .. import bands
from ..errors import unprintable
from ..metrics.registry import METRICS
from ..study.compare import FAMILY_LEVEL
from ..study.results import Results
from ..study.results_file import load_results
from ..words import listed
from .cautions import cautions
from .positions import PositionRow, position_rows
from .quantities import STI, T20
from .rows import ComparisonRow, Figure, ReverberationRow, comparison_rows, figure, reverberation_rows

WIDE = 112
"""Columns from which all of a topic fits side by side."""
NONE = "–"
"""Where there is nothing to say."""
_FRAME: dict[str, Any] = {
    "box": box.SIMPLE_HEAD,
    "padding": (0, 1, 0, 0),
    "pad_edge": False,
    "show_edge": False,
}


# --- numbers --------------------------------------------------------------------------------------------


def number(figure: Figure, most: int, sign: bool = False) -> str:
    """The value to as many decimals as `decimals` says."""
    if not math.isfinite(figure.value):
        return NONE
    return _signed(figure.value, decimals(figure, most), sign)


def _signed(value: float, n: int, sign: bool = False) -> str:
    # Rounding first keeps a minus away from what is shown as nothing.
    return f"{round(value, n) + 0.0:{'+' if sign else ''}.{n}f}".replace("-", "−")


def decimals(figure: Figure, most: int) -> int:
    """Decimals down to the first digit of half the interval, rounded to it: later ones are chance. `most` without
    an error; one more where the error is too small to be seen with so many."""
    if not 0.0 < figure.half_width < math.inf:
        return most
    return min(most + 1, max(0, -int(f"{figure.half_width:.0e}".partition("e")[2])))


def with_error(figure: Figure, most: int, sign: bool = False) -> str:
    """ "0.52 ± 0.01". The error is rounded, but never to nothing; a value without error stands alone."""
    if not math.isfinite(figure.value) or not figure.half_width > 0.0:
        return number(figure, most, sign)
    n = decimals(figure, most)
    return f"{number(figure, most, sign)} ± {max(figure.half_width, 10.0**-n):.{n}f}"


def with_interval(gain: float, low: float, high: float, most: int) -> str:
    """ "+0.07 (0.06 to 0.08)". An interval that leaves out zero is shown with as many decimals as it takes to see
    that."""
    if not math.isfinite(gain):
        return NONE
    of = Figure(gain, high - gain)
    if not of.half_width > 0.0:
        return number(of, most, sign=True)
    n = decimals(of, most)
    nearest = min(abs(low), abs(high))
    while low * high > 0.0 and nearest < 0.5 * 10.0**-n and n < most + 4:
        n += 1
    return f"{_signed(gain, n, sign=True)} ({_signed(low, n)} to {_signed(high, n)})"


def money(amount: float) -> str:
    return f"{amount:,.0f}".replace("-", "−")


def clean(text: str) -> str:
    """A name from a file, without characters that would move the cursor or turn the line round."""
    return "".join("\N{REPLACEMENT CHARACTER}" if unprintable(letter) else letter for letter in text)


# --- comparison -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Column:
    """One column of a table."""

    head: str
    cell: Callable[[ComparisonRow], str]
    left: bool = False
    style: Callable[[ComparisonRow], str] = lambda row: ""


class ComparisonTable:
    """The comparison of a study. Printed with rich it fits the width there is; `text` gives plain text."""

    def __init__(self, results: Results):
        self._results = results
        self.rows = comparison_rows(results)

    def text(self, width: int = 100) -> str:
        """Plain text, at most `width` columns wide."""
        return plain_text(self, width)

    def __str__(self) -> str:
        return self.text()

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        results = self._results
        yield Text(f"{clean(results.title)} · {clean(results.venue)}", "bold")
        yield Text("")
        seats, room = _columns(results)
        # Side by side where they fit; else one topic under the other, each with the names again.
        topics = [seats, room] if options.max_width >= WIDE else [seats[:4], seats[4:], room[:4], room[4:]]
        for topic in topics:
            yield Padding(_table(self.rows, topic), (0, 0, 1, 0))
        if results.input_uncertainty is not None:
            yield Text("How sure this is")
            certainty = _certainty_columns()
            for topic in [certainty] if options.max_width >= WIDE else [certainty[:6], certainty[6:]]:
                yield Padding(_table(self.rows, topic), (0, 0, 1, 0))
            yield Padding(Text(_about_certainty(results.input_uncertainty.n_draws), "dim"), (0, 0, 1, 0))
        positions = position_rows(results)
        if positions:
            yield Padding(_position_table(positions), (0, 0, 1, 0))
        yield bullets("Over the limits", _broken(self.rows))
        yield Padding(Text(best_within_limits(self.rows)), (0, 0, 1, 0))
        yield Padding(Text(_legend(results), "dim"), (0, 0, 1, 0))
        yield bullets("Warnings", [clean(warning) for warning in results.warnings])
        yield bullets("Before you act on this", cautions(results))


def comparison_table(results: Results | str | Path) -> ComparisonTable:
    """All scenarios beside each other, with the legend, the study's warnings and the cautions.

    Print it, or take its `rows`. Gains are against the scenario that each is compared with; they come from the
    same rays and are known far better than the values.

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
            lambda row: f"{with_error(_percent(row.share_of_seats), 0)} %",
            style=lambda row: {"met": "green", "missed": "red"}.get(row.target, ""),
        ),
        Column(f"{100 * results.share_target:g} %\nmet", lambda row: _MET[row.target]),
        Column("vs", lambda row: NONE if row.against is None else str(row.against)),
        Column("gain of median seat", _gain),
        Column(
            "verdict",
            lambda row: _SHORT.get(row.verdict.words, row.verdict.words),
            left=True,
            style=_verdict_style,
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
    """One line for each listening position and scenario."""
    table = Table(title="Listening positions", title_justify="left", title_style="", **_FRAME)
    table.add_column("position", overflow="fold")
    table.add_column("scenario", overflow="fold")
    for head in ("STI", "gain", "signal to noise,\ndB, 500–4k", "level,\ndB(A)"):
        table.add_column(head, justify="right")
    most = METRICS[STI].decimals
    for row in rows:
        gain = NONE
        if row.gain is not None:
            gain = with_interval(row.gain.value, row.gain.low, row.gain.high, most)
        figures = (with_error(row.signal_to_noise, 1), with_error(row.level, 1))
        names = (clean(row.position), f"{row.number} {clean(row.scenario)}")
        table.add_row(*names, with_error(row.sti, most), gain, *figures)
    return table


def _certainty_columns() -> list[Column]:
    most = METRICS[STI].decimals + 1

    def input_part(half: float | None) -> str:
        return NONE if half is None else f"{half:.{most}f}"

    def chance_part(figure: Figure) -> str:
        return f"{figure.half_width:.{most}f}" if figure.half_width > 0.0 else NONE

    def gain_of(row: ComparisonRow) -> Figure:
        return Figure(row.verdict.gain, row.verdict.high - row.verdict.gain)

    return [
        Column("STI of\nmedian seat", lambda row: number(row.sti_median, most)),
        Column("±\nrays", lambda row: chance_part(row.sti_median)),
        Column("±\ninput", lambda row: input_part(row.sti_median_input)),
        Column("gain", lambda row: NONE if row.against is None else number(gain_of(row), most, sign=True)),
        Column("±\nrays", lambda row: NONE if row.against is None else chance_part(gain_of(row))),
        Column("±\ninput", lambda row: input_part(row.gain_input)),
        Column("sign of\ngain holds", lambda row: probability(row.gain_holds)),
        Column("best within\nthe limits", lambda row: probability(row.is_best)),
        Column("beats the\nnext", lambda row: probability(row.is_ahead)),
    ]


def probability(value: float | None) -> str:
    """In per cent; never a certainty, which no number of draws can show."""
    if value is None:
        return NONE
    if value > 0.99:
        return "> 99 %"
    return "< 1 %" if value < 0.01 else f"{100.0 * value:.0f} %"


def _about_certainty(n_draws: int) -> str:
    return (
        "Rays: chance of the calculation; more rays lessen it. Input: absorption is not known better than "
        f"the materials say ({n_draws} draws within it, the same in all scenarios); only better data lessen "
        "it. Both are 95 % intervals. The columns on the right take both together: how probable it is that "
        "the gain has the sign that it shows, that no scenario is better, and that the next best is not. A scenario "
        "that breaks a limit cannot be chosen, so it is not ranked."
    )


_MET = {"met": "yes", "missed": "no", "unclear": "?"}
_SHORT = {
    "reference": NONE,
    "better, below one JND": "better <JND",
    "worse, below one JND": "worse <JND",
    "no significant difference": "no diff.",
}
"""Verdicts as they fit into a column; the legend explains them."""


def _gain(row: ComparisonRow) -> str:
    if row.against is None:
        return NONE
    return with_interval(row.verdict.gain, row.verdict.low, row.verdict.high, METRICS[STI].decimals)


def _verdict_style(row: ComparisonRow) -> str:
    return {"better": "green", "worse": "red"}.get(row.verdict.outcome, "")


def _percent(share: Figure) -> Figure:
    return Figure(100.0 * share.value, 100.0 * share.half_width)


def _table(rows: Sequence[ComparisonRow], columns: Sequence[Column]) -> Table:
    table = Table(**_FRAME)
    table.add_column("", justify="right", vertical="top", no_wrap=True)
    table.add_column("scenario", overflow="fold", min_width=12, ratio=None)
    for column in columns:
        table.add_column(Text(column.head), justify="left" if column.left else "right", no_wrap=True)
    for row in rows:
        cells = [Text(column.cell(row), column.style(row)) for column in columns]
        table.add_row(Text(str(row.number)), Text(clean(row.scenario)), *cells)
    return table


def best_within_limits(rows: Sequence[ComparisonRow]) -> str:
    """Which scenario serves the median seat best of those that keep all limits, in a sentence."""
    ranked = sorted(
        (row for row in rows if math.isfinite(row.sti_median.value)),
        key=lambda row: row.sti_median.value,
        reverse=True,
    )
    kept = [row for row in ranked if not row.limits_broken]
    if not kept:
        return "No scenario keeps all limits." if ranked else ""
    best = kept[0]
    sure = "" if best.is_best is None else f"; probability that no other is better: {probability(best.is_best)}"
    text = (
        f"Of the scenarios that keep all limits, '{clean(best.scenario)}' has the highest STI at the median seat "
        f"({with_error(best.sti_median, METRICS[STI].decimals)}{sure})."
    )
    higher = [f"'{clean(row.scenario)}'" for row in ranked[: ranked.index(best)]]
    if higher:
        text += f" Higher, but over a limit: {listed(higher, 3)}."
    return text


def _broken(rows: Sequence[ComparisonRow]) -> list[str]:
    return [
        f"{clean(row.scenario)}: {clean('; '.join(row.limits_broken))}" for row in rows if row.limits_broken
    ]


def _legend(results: Results) -> str:
    n = sum(record.compare_with != i for i, record in enumerate(results.scenarios))
    noticeable = METRICS[STI].just_noticeable_difference
    return (
        "± and intervals: 95 %, chance of the calculation only. Gains are against the scenario numbered "
        f"under vs, from the same rays. Verdicts hold at {100 * FAMILY_LEVEL:g} % for all {n} comparisons "
        "together (Holm, 1979), so they are stricter than the interval. No diff.: no significant difference. "
        f"<JND: less than the {noticeable:g} that is just noticeable. Gain per 1000: over the extra cost, "
        f"where the gain is significant. {100 * results.share_target:g} % met: the study's target; ?: within "
        "the error."
    )


def bullets(head: str, lines: Sequence[str]) -> Padding | Text:
    """A heading and a list with hanging indents; nothing if the list is empty."""
    if not lines:
        return Text("", end="")
    grid = Table.grid(padding=(0, 1, 0, 0))
    grid.add_column(no_wrap=True)
    grid.add_column(overflow="fold")
    for line in lines:
        grid.add_row("•", Text(line))
    table = Table.grid()
    table.add_column()
    table.add_row(Text(head, "bold"))
    table.add_row(grid)
    return Padding(table, (0, 0, 1, 0))


# --- reverberation --------------------------------------------------------------------------------------


class ReverberationTable:
    """Traced reverberation times beside the statistical estimates, per octave band."""

    def __init__(self, results: Results):
        self._results = results
        self.rows = reverberation_rows(results)

    def text(self, width: int = 100) -> str:
        """Plain text, at most `width` columns wide."""
        return plain_text(self, width)

    def __str__(self) -> str:
        return self.text()

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        yield Text("Reverberation time, s, mean over the seats", "bold")
        yield Text("")
        every = range(bands.N_BANDS)
        for chosen in [every] if options.max_width >= WIDE else [every[:4], every[4:]]:
            yield Padding(_reverberation_table(self.rows, chosen, len(self._results.positions)), (0, 0, 1, 0))
        yield Text(_ABOUT_TIMES, "dim")
        if self._results.diffuse_room:
            yield Text("")
            yield Text("Of a diffuse room", "bold")
            yield Text("")
            yield Padding(_room_table(self._results), (0, 0, 1, 0))
            yield Text(_ABOUT_ROOM, "dim")


_ABOUT_TIMES = (
    "Means are over the seats at which EDT, T20 and T30 are all known, counted where these are not all. "
    "±: 95 %, chance of the calculation only. *: off the traced time by more than one just noticeable "
    "difference (5 %) and chance together. The formulas assume a diffuse field and know nothing of where the "
    "absorption is; where they part from the traced times, trust these."
)


_ABOUT_ROOM = (
    "Schroeder frequency: below it no figure here means much. Critical distance at 1 kHz: direct and reverberant sound "
    "are equally strong there. Articulation loss of consonants: by Peutz at 2 kHz, from room and strongest source at "
    "the median seat's distance, and traced, from the STI (Farrel Becker), mean over the seats. All but the last "
    "column assume a diffuse field; noise counts in the last alone."
)


def _room_table(results: Results) -> Table:
    table = Table(**_FRAME)
    table.add_column("scenario", overflow="fold", min_width=8)
    for head in ("Schroeder\nHz", "critical\nm", "Peutz\n%", "traced\n%"):
        table.add_column(head, justify="right", no_wrap=True)
    traced = results.room["articulation_loss"]
    figures = results.diffuse_room
    for i, record in enumerate(results.scenarios):
        table.add_row(
            clean(record.name),
            f"{figures['schroeder_frequency'][i].max():.0f}",
            f"{figures['critical_distance'][i, 4]:.1f}",
            f"{figures['articulation_loss'][i, 5]:.0f}",
            with_error(figure(traced, (i,)), 1),
        )
    return table


def _reverberation_table(rows: Sequence[ReverberationRow], chosen: Sequence[int], n_all: int) -> Table:
    table = Table(**_FRAME)
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
            errors = [with_error(time, most).partition("± ")[2] + " " for time in times]
            table.add_row(Text(clean(row.scenario)), f"{METRICS[T20].symbol}, traced", *values, style="bold")
            table.add_row("", "  ±", *errors)
            if row.n_seats is not None and any(n < n_all for n in row.n_seats):
                table.add_row("", f"  of {n_all} seats", *(f"{row.n_seats[band]} " for band in chosen))
        else:
            values = [
                number(time, most) + ("*" if row.is_off[band] else " ") for time, band in zip(times, chosen)
            ]
            table.add_row("", row.method.replace("_", "-").title(), *values)
    return table


def reverberation_table(results: Results | str | Path) -> ReverberationTable:
    """Traced reverberation times and the statistical estimates of every scenario, per octave band.

    Print it, or take its `rows`.

    Parameters
    ----------
    results : a finished study, the folder of its run, or the results.h5 in it

    Raises
    ------
    StoreError : there are no results at that path
    """
    return ReverberationTable(load_results(results))


def plain_text(renderable: RenderableType, width: int) -> str:
    """What a console of this width would show, without colours."""
    console = Console(
        file=io.StringIO(),
        width=width,
        color_system=None,
        force_terminal=False,
        highlight=False,
        legacy_windows=False,
    )
    console.print(renderable, markup=False)
    written = console.file
    assert isinstance(written, io.StringIO)
    return "\n".join(line.rstrip() for line in written.getvalue().rstrip().splitlines()) + "\n"
