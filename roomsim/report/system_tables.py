"""The report of a sound system as tables for people."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from rich.console import Group
from rich.table import Table
from rich.text import Text

from .. import bands
from ..physics.exposure import EXPOSURE_LIMITS, PEAK_LIMIT
from ..physics.noise import whole_noise_rating
from ..study.landing import PARTS
from ..study.system import SystemReport
from ..study.timing import VERDICTS
from ..words import counted, span
from .system_object import angle_words, channels, levels_of, system_cautions

SPEECH = [3, 4, 5, 6]
"""500 Hz to 4 kHz."""


def system_table(report: SystemReport) -> Group:
    """The report for people."""
    parts: list[Any] = [
        Text(f"{report.title}, {report.venue}: the system in scenario “{report.name}”", "bold"),
        Text(f"Speed of sound {report.scene.speed_of_sound:.1f} m/s. {_goes_headline(report)}"),
        _goes_table(report),
        _channel_table(report),
        Text("\n" + "\n".join(_timing_lines(report))),
        _level_table(report),
        Text("\n" + "\n".join(_level_lines(report))),
    ]
    if report.aims:
        parts.append(_aim_table(report))
    if report.bass is not None:
        parts.append(_bass_table(report))
    parts.append(_headroom_table(report))
    if report.loads:
        parts.append(_load_table(report))
    if report.held:
        parts.append(_roof_table(report))
    parts.append(_exposure_table(report))
    if report.limits_broken:
        parts.append(Text("\nLimits exceeded: " + "; ".join(report.limits_broken) + ".", "red"))
    if report.findings:
        parts.append(Text("\nFrom the check", "bold"))
        parts.append(Text("\n".join(f"- {finding.place}: {finding.text}" for finding in report.findings)))
    parts.append(Text("\n" + "\n".join(f"- {caution}" for caution in system_cautions(report)), "dim"))
    return Group(*parts)


def _new_table(title: str, *columns: str) -> Table:
    table = Table(title=f"\n{title}", title_justify="left", title_style="bold", box=None, padding=(0, 1))
    for i, column in enumerate(columns):
        table.add_column(column, justify="left" if i == 0 else "right", overflow="fold")
    return table


def _goes_headline(report: SystemReport) -> str:
    share = report.goes_whole[:, SPEECH].mean(axis=1)
    said = ", ".join(f"{part} {100 * x:.0f} %" for part, x in zip(PARTS, share) if x >= 0.005)
    return f"Of the energy from 500 Hz to 4 kHz first lands on: {said}."


def _goes_table(report: SystemReport) -> Table:
    table = _new_table(
        "What goes where, % of the radiated energy", "whole system", *bands.NAMES
    )
    for part, row in zip(PARTS, report.goes_whole):
        if row.max() >= 0.005:
            table.add_row(part, *(f"{100 * x:.0f}" for x in row))
    table.add_section()
    for k, i in enumerate(report.sources_on):
        table.add_row(
            f"audience, of {report.scene.sources.names[i]}",
            *(f"{100 * x:.0f}" for x in report.goes.share[k, 0]),
        )
    return table


def _channel_table(report: SystemReport) -> Table:
    table = _new_table(
        "Channels, to type into a processor",
        *(
            "channel",
            "role",
            "boxes",
            "gain dB",
            "delay now ms",
            "proposed ms",
            "polarity",
            "high-pass",
            "low-pass",
        ),
    )
    for row in channels(report):
        high, low = row.get("high_pass_hz"), row.get("low_pass_hz")
        gain, now, then = row["gain_db"], row["delay_ms"], row["proposed_delay_ms"]
        table.add_row(
            row["channel"],
            row["role"],
            str(row["boxes"]),
            "-" if gain is None else f"{gain:+.1f}",
            "-" if now is None else f"{now:.2f}",
            "as now" if then is None else f"{then:.1f}",
            row["polarity"],
            f"{high:g} Hz" if high else "-",
            f"{low:g} Hz" if low else "-",
        )
    return table


def _timing_lines(report: SystemReport) -> Iterator[str]:
    names = report.scene.sources.names
    for p in report.proposals:
        x, y, _ = report.scene.receivers.position[p.seat]
        yield (
            f"{names[p.source]}: serves {counted(len(p.served), 'seat')}; at ({x:.1f}, {y:.1f}) the mains come after "
            f"{p.main_arrival:.1f} ms, it after {p.travel:.1f}; with {1000 * report.offset:g} ms on top it waits "
            f"{p.proposed:.1f} ms. At its seats it follows by {span(*p.lag)} ms, at "
            f"{span(*p.louder, '+.0f')} dB re the mains."
        )
    for label, order in (("as written", report.order), ("as proposed", report.order_proposed)):
        shares = ", ".join(f"{v} {100 * (order.verdict == i).mean():.0f} %" for i, v in enumerate(VERDICTS))
        yield f"Order of arrivals {label}: {shares} of the seats."
    for fill in report.fills:
        has = "one box" if fill.spacing is None else f"{fill.spacing:.1f} m apart"
        yield (
            f"{fill.name}: {has}; with {fill.coverage:.0f}° the first row at {fill.row_distance:.1f} m asks for at "
            f"most {fill.proposed:.1f} m."
        )
    if report.delays is not None:
        weak = report.delays
        far = (
            ""
            if weak.first_far is None
            else f", the first {weak.first_far:.0f} m from a main: delays hang before it"
        )
        yield (
            "Short of the mains, by 6 dB of level or by the STI target as estimated: "
            f"{counted(int(weak.near.sum()), 'seat')} near the stage, {weak.far.sum()} farther{far}."
        )


def _level_table(report: SystemReport) -> Table:
    levels = levels_of(report)
    table = _new_table("Levels at the seats, dB", "", *bands.NAMES)
    table.add_row("direct, median seat", *(f"{x:.0f}" for x in levels["direct_median"]))
    table.add_row("direct, spread of nine in ten seats", *(f"{x:.1f}" for x in levels["direct_spread"]))
    table.add_row("with the room, estimated, median", *(f"{x:.0f}" for x in levels["level_median"]))
    table.add_row("noise", *(f"{x:.0f}" for x in levels["noise"]))
    for name, given in levels["listening_positions"].items():
        table.add_row(f"{name}, with the room", *(f"{x:.0f}" for x in given["level"]))
    return table


def _level_lines(report: SystemReport) -> Iterator[str]:
    levels = levels_of(report)
    low, median, high = levels["a_level"]
    sti = levels["sti_estimate"]
    yield (
        f"A-weighted, with the room, estimated: {median:.0f} dB(A) in the median seat, {span(low, high)} over "
        f"nine in ten. Noise is NR {whole_noise_rating(levels['noise'])}. STI estimated {sti[1]:.2f}, "
        f"{span(sti[0], sti[2], '.2f')} over nine in ten."
    )
    if levels["headroom"] is not None:
        yield (
            f"Headroom over a crest factor of {levels['crest_factor']:g} dB: {levels['headroom']:.0f} dB at the box "
            f"nearest its limit; at full level {levels['largest_a_level']:.0f} dB(A) in the median seat."
        )


def _aim_table(report: SystemReport) -> Table:
    table = _new_table(
        "Aim: spread of nine in ten seats, dB; on roof and walls, %",
        "hang",
        *bands.NAMES,
    )
    for name, found in report.aims.items():
        given = next(h for h in report.study.sources.hang if h.name == name)
        for label, hang, spread, spill in (
            ("now", given, found.before.spread, found.spill_before),
            ("proposed" if found.is_met else "best found", found.hang, found.after.spread, found.spill_after),
        ):
            table.add_row(f"{name}, {label}: {angle_words(hang)}", *(f"{x:.1f}" for x in spread))
            table.add_row("  on roof and walls", *(f"{100 * x:.0f}" for x in spill))
        if not found.is_met:
            table.add_row(f"  {found.wanted:g} dB is not reached with these boxes and steps")
    return table


def _bass_table(report: SystemReport) -> Table:
    bass = report.bass
    assert bass is not None
    table = _new_table("Bass, direct sound with the floor, dB", "", *(f"{label} Hz" for label in bass.labels))
    table.add_row("median seat", *(f"{x:.0f}" for x in np.median(bass.seats, axis=0)))
    table.add_row("spread of nine in ten seats", *(f"{x:.1f}" for x in bass.spread))
    if len(bass.stage):
        table.add_row("on stage re the seats", *(f"{x:+.1f}" for x in bass.stage_below_seats))
    for name, values in bass.rejection.items():
        table.add_row(f"rejection behind, {name}", *(f"{x:.1f}" for x in values))
    return table


def _headroom_table(report: SystemReport) -> Table:
    table = _new_table("Box limits, dB at 1 m", "source", "programme", "peaks", "limit", "headroom")
    for h in report.headroom:
        limit = (
            ("-", "-") if h.limit is None or h.headroom is None else (f"{h.limit:.0f}", f"{h.headroom:.0f}")
        )
        table.add_row(h.name, f"{h.level:.0f}", f"{h.peak:.0f}", *limit)
    return table


def _load_table(report: SystemReport) -> Table:
    table = _new_table("Rigging loads", "what", "kg", "points", "kg on one point", "hangs from")
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


def _roof_table(report: SystemReport) -> Table:
    table = _new_table("Points and trusses, all that hangs there together", "", "kg", "limit", "", "what")
    for held in report.held:
        over = held.limit is not None and held.load > held.limit * (1.0 + 1e-9)
        not_sure = "not checked" if held.limit is None else "part unknown" if held.unknown else "kept"
        table.add_row(
            f"{'truss' if held.is_truss else 'point'} {held.name}",
            f"{held.load:.0f}" + (" and more" if held.unknown else ""),
            "?" if held.limit is None else f"{held.limit:g}",
            "OVER" if over else not_sure,
            ", ".join(held.by),
            style="red" if over else None,
        )
    return table


def _exposure_table(report: SystemReport) -> Table:
    levels = levels_of(report)
    median = levels["a_level"][1]
    full = levels["largest_a_level"]
    table = _new_table(
        f"Exposure: {median:.0f} dB(A) as stated" + ("" if full is None else f", {full:.0f} at full level"),
        *("published limit", "dB(A)", "over", "as stated", "at full level", "source"),
    )
    for limit in EXPOSURE_LIMITS:
        span = f"{limit.hours:g} h" if limit.hours >= 1 else f"{60 * limit.hours:.0f} min"
        marks = ["?" if x is None else ("over" if x > limit.level else "under") for x in (median, full)]
        table.add_row(limit.who, f"{limit.level:g}", span, *marks, limit.source)
    peak = levels["largest_peak"]
    mark = "?" if peak is None else ("over" if peak > PEAK_LIMIT else "under")
    table.add_row("crew, peak, dB(C)", f"{PEAK_LIMIT:g}", "-", "-", mark, "Directive 2003/10/EC")
    return table
