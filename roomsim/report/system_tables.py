"""The report of a sound system as tables."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import numpy as np
from rich.console import Group
from rich.table import Table
from rich.text import Text

from ..bands import LABELS
from ..loudspeakers.aiming import SPEECH_MID
from ..physics.exposure import EXPOSURE_LIMITS, PEAK_LIMIT
from ..physics.noise import whole_noise_rating
from ..sound_system.energy_deposition import PARTS
from ..sound_system.system_report import SystemReport
from ..sound_system.timing import VERDICTS
from ..words import counted, span
from .system_object import angle_text, channels, levels_of, system_cautions

BandRow = tuple[str, Iterable[float], str]
"""Name, values by band, and the format of the values."""


def system_table(report: SystemReport) -> Group:
    """The report as text and tables."""
    parts: list[Any] = [
        Text(f"{report.title}, {report.venue}: the system in scenario “{report.name}”", "bold"),
        Text(f"Speed of sound {report.scene.speed_of_sound:.1f} m/s. {_deposition_headline(report)}"),
        _deposition_table(report),
        _channel_table(report),
        Text("\n" + "\n".join(_timing_lines(report))),
        _level_table(report),
        Text("\n" + "\n".join(_level_lines(report))),
    ]
    if report.aims:
        parts.append(_band_table("Aiming: spread over 90 % of the seats, dB; roof and walls, %", _aims(report), "hang"))
    if report.bass is not None:
        parts.append(_band_table("Bass: direct sound with the floor, dB", _bass(report), labels=report.bass.labels))
    parts.append(_headroom_table(report))
    if report.loads:
        parts.append(_load_table(report))
    if report.held:
        parts.append(_point_table(report))
    parts.append(_exposure_table(report))
    if report.limits_broken:
        parts.append(Text("\nLimits exceeded: " + "; ".join(report.limits_broken) + ".", "red"))
    if report.findings:
        parts.append(Text("\nFindings of the check", "bold"))
        parts.append(Text("\n".join(f"- {finding.place}: {finding.text}" for finding in report.findings)))
    parts.append(Text("\n" + "\n".join(f"- {caution}" for caution in system_cautions(report)), "dim"))
    return Group(*parts)


def _table(title: str, columns: Sequence[str], rows: Iterable[Sequence[str]] = ()) -> Table:
    table = Table(title=f"\n{title}", title_justify="left", title_style="bold", box=None, padding=(0, 1))
    for i, column in enumerate(columns):
        table.add_column(column, justify="left" if i == 0 else "right", overflow="fold")
    for row in rows:
        table.add_row(*row)
    return table


def _band_table(title: str, rows: Iterable[BandRow], first: str = "", labels: Sequence[str] = LABELS) -> Table:
    columns = (first, *(f"{label[:-1]} kHz" if label.endswith("k") else f"{label} Hz" for label in labels))
    return _table(title, columns, ((name, *(format(x, form) for x in values)) for name, values, form in rows))


def _deposition_headline(report: SystemReport) -> str:
    share = report.deposition.whole_system[:, list(SPEECH_MID)].mean(axis=1)
    parts = ", ".join(f"{part} {100 * x:.0f} %" for part, x in zip(PARTS, share) if x >= 0.005)
    return f"Where the energy from 500 Hz to 4 kHz goes: {parts}."


def _deposition_table(report: SystemReport) -> Table:
    deposition = report.deposition
    parts = zip(PARTS, 100.0 * deposition.whole_system)
    rows: list[BandRow] = [(part, row, ".0f") for part, row in parts if row.max() >= 0.5]
    rows += [
        (f"audience, from {report.scene.sources.names[i]}", 100.0 * share[0], ".0f")
        for i, share in zip(report.sources_on, deposition.share)
    ]
    title = "Where the energy goes: % of the radiated energy by the part of the venue that it reaches first"
    return _band_table(title, rows, "whole system")


_CHANNEL_COLUMNS = {
    "channel": ("channel", ""),
    "role": ("role", ""),
    "boxes": ("boxes", ""),
    "gain_db": ("gain dB", "+.1f"),
    "delay_ms": ("delay ms", ".2f"),
    "proposed_delay_ms": ("proposed ms", ".1f"),
    "polarity": ("polarity", ""),
    "high_pass_hz": ("high-pass Hz", "g"),
    "low_pass_hz": ("low-pass Hz", "g"),
}
"""Key of a channel -> head of the column, and format."""


def _channel_table(report: SystemReport) -> Table:
    def cell(value: Any, key: str, form: str) -> str:
        if value is None:
            return "unchanged" if key == "proposed_delay_ms" else "-"
        return format(value, form)

    rows = ([cell(row.get(key), key, form) for key, (_, form) in _CHANNEL_COLUMNS.items()] for row in channels(report))
    return _table("Channels of the loudspeaker processor", [head for head, _ in _CHANNEL_COLUMNS.values()], rows)


def _timing_lines(report: SystemReport) -> Iterator[str]:
    for p in report.proposals:
        x, y, _ = report.scene.receivers.position[p.seat]
        yield (
            f"{report.scene.sources.names[p.source]}: {counted(len(p.served), 'seat')} served. At ({x:.1f}, {y:.1f}) "
            f"the mains arrive after {p.main_arrival:.1f} ms and this source after {p.travel:.1f} ms; with an offset "
            f"of {1000 * report.offset:g} ms the delay is {p.proposed:.1f} ms. At the seats served it follows the "
            f"mains by {span(*p.lag)} ms, at a level of {span(*p.louder, '+.0f')} dB relative to them."
        )
    for label, order in (("stated", report.order), ("proposed", report.order_proposed)):
        shares = ", ".join(f"{v} {100 * (order.verdict == i).mean():.0f} %" for i, v in enumerate(VERDICTS))
        yield f"Order of arrivals with the {label} delays: {shares} of the seats."
    for fill in report.fills:
        spacing = "a single box" if fill.spacing is None else f"boxes {fill.spacing:.1f} m apart"
        if fill.row_distance is None:
            yield f"{fill.name}: {spacing}; there are no seats ahead."
        else:
            yield (
                f"{fill.name}: {spacing}. With a coverage of {fill.coverage:.0f}°, the first row at "
                f"{fill.row_distance:.1f} m needs a spacing of at most {fill.largest_spacing:.1f} m."
            )
    if report.delays is not None:
        near, far = int(report.delays.near.sum()), int(report.delays.far.sum())
        first = report.delays.first_far
        yield (
            "Seats where the mains are 6 dB below their median level, or below the STI target by the estimate: "
            f"{counted(near, 'seat')} near the stage and {counted(far, 'seat')} farther away"
            + ("." if first is None else f", the first {first:.0f} m from a main. Place delay loudspeakers closer in.")
        )


def _level_table(report: SystemReport) -> Table:
    levels = levels_of(report)
    rows: list[BandRow] = [
        ("direct sound, median seat", levels["direct_median"], ".0f"),
        ("direct sound, spread over 90 % of the seats", levels["direct_spread"], ".1f"),
        ("with the room (estimate), median seat", levels["level_median"], ".0f"),
        ("noise", levels["noise"], ".0f"),
    ]
    rows += [
        (f"with the room (estimate), {name}", position["level"], ".0f")
        for name, position in levels["listening_positions"].items()
    ]
    return _band_table("Levels at the seats, dB", rows)


def _level_lines(report: SystemReport) -> Iterator[str]:
    levels = levels_of(report)
    low, median, high = levels["a_level"]
    sti = levels["sti_estimate"]
    yield (
        f"A-weighted level with the room (estimate): {median:.0f} dB(A) at the median seat, {span(low, high)} dB(A) "
        f"over 90 % of the seats. The noise is NR {whole_noise_rating(levels['noise'])}. STI (estimate): {sti[1]:.2f} "
        f"at the median seat, {span(sti[0], sti[2], '.2f')} over 90 % of the seats."
    )
    if levels["headroom"] is not None:
        yield (
            f"Headroom with a crest factor of {levels['crest_factor']:g} dB: {levels['headroom']:.0f} dB for the box "
            f"nearest its limit. At full level the median seat receives {levels['largest_a_level']:.0f} dB(A)."
        )


def _aims(report: SystemReport) -> Iterator[BandRow]:
    stated = {hang.name: hang for hang in report.study.sources.hang}
    for name, aim in report.aims.items():
        for label, hang, spread, spill in (
            ("as stated", stated[name], aim.before.spread, aim.spill_before),
            ("proposed" if aim.is_met else "best found", aim.hang, aim.after.spread, aim.spill_after),
        ):
            yield f"{name}, {label}: {angle_text(hang)}", spread, ".1f"
            yield "  to roof and walls", 100.0 * spill, ".0f"
        if not aim.is_met:
            yield f"  a spread of {aim.wanted:g} dB cannot be reached with these boxes and angles", (), ""


def _bass(report: SystemReport) -> Iterator[BandRow]:
    bass = report.bass
    assert bass is not None
    yield "median seat", np.median(bass.seats, axis=0), ".0f"
    yield "spread over 90 % of the seats", bass.spread, ".1f"
    if len(bass.stage):
        yield "on stage relative to the seats", bass.stage_below_seats, "+.1f"
    for name, values in bass.rejection.items():
        yield f"rejection behind, {name}", values, ".1f"


def _headroom_table(report: SystemReport) -> Table:
    rows = (
        (h.name, *("-" if x is None else f"{x:.0f}" for x in (h.level, h.peak, h.limit, h.headroom)))
        for h in report.headroom
    )
    return _table("Limits of the boxes, dB at 1 m", ("source", "programme", "peak", "limit", "headroom"), rows)


def _load_table(report: SystemReport) -> Table:
    table = _table("Rigging loads", ("load", "kg", "points", "kg on the heaviest point", "hangs from"))
    for load in report.loads:
        names = ", ".join(load.named) + (" (assumed)" if load.is_assumed else "")
        if load.unnamed:
            names += ("; " if names else "") + f"{load.unnamed} not named"
        table.add_row(
            f"{load.name}: {load.what}".rstrip(": "),
            "?" if load.mass is None else f"{load.mass:.0f}",
            str(load.points) if load.points else "-",
            "?" if load.heaviest is None else f"{load.heaviest:.0f}",
            names or "-",
        )
    return table


def _point_table(report: SystemReport) -> Table:
    table = _table("Points and trusses, with everything that hangs from them", ("", "kg", "limit", "", "loads"))
    for held in report.held:
        over = held.limit is not None and held.load > held.limit * (1.0 + 1e-9)
        verdict = "not checked" if held.limit is None else "partly unknown" if held.unknown else "within limit"
        table.add_row(
            f"{'truss' if held.is_truss else 'point'} {held.name}",
            f"{held.load:.0f}" + (" and more" if held.unknown else ""),
            "?" if held.limit is None else f"{held.limit:g}",
            "OVER" if over else verdict,
            ", ".join(held.by),
            style="red" if over else None,
        )
    return table


def _exposure_table(report: SystemReport) -> Table:
    levels = levels_of(report)
    median, full, peak = levels["a_level"][1], levels["largest_a_level"], levels["largest_peak"]

    def compared(level: float | None, limit: float) -> str:
        return "?" if level is None else "over" if level > limit else "under"

    table = _table(
        f"Exposure: {median:.0f} dB(A) as stated" + ("" if full is None else f", {full:.0f} dB(A) at full level"),
        ("published limit", "dB(A)", "over", "as stated", "at full level", "source"),
    )
    for limit in EXPOSURE_LIMITS:
        hours = f"{limit.hours:g} h" if limit.hours >= 1 else f"{60 * limit.hours:.0f} min"
        verdicts = (compared(level, limit.level) for level in (median, full))
        table.add_row(limit.who, f"{limit.level:g}", hours, *verdicts, limit.source)
    table.add_row("crew, peak, dB(C)", f"{PEAK_LIMIT:g}", "-", "-", compared(peak, PEAK_LIMIT), "Directive 2003/10/EC")
    return table
