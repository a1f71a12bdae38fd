"""The report of a sound system as plain values: one object for other programs, and what the tables show."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

import numpy as np

from .. import bands
from ..physics.exposure import EXPOSURE_LIMITS
from ..physics.levels import a_weighted_level, level_sum
from ..physics.noise import noise_rating
from ..sound_system.energy_deposition import PARTS
from ..sound_system.system_report import SystemReport
from ..sound_system.timing import VERDICTS
from ..venue.document import Source
from ..venue.systems import Hang

RIGGING = (
    "Loads are at rest: two points whose places are known share by the lever rule, others evenly. Shock, wind, "
    "bridles' pull aside, and where along a truss a load hangs are not computed. A competent person signs the rig, "
    "every point of it, and the owner and a structural engineer the roof; local codes decide."
)
EXPOSURE = (
    "Published limits, from memory; national and local rules decide and change. Measure at the show: this is a "
    "prediction of a programme as the study states it."
)


def system_object(report: SystemReport) -> dict[str, Any]:
    """The report as plain values."""
    names = report.scene.sources.names
    return {
        "title": report.title,
        "venue": report.venue,
        "scenario": report.name,
        "speed_of_sound": report.scene.speed_of_sound,
        "channels": list(channels(report)),
        "what_goes_where": {
            "parts": list(PARTS),
            "bands_hz": [float(f) for f in bands.NOMINAL],
            "whole_system": report.deposition.whole_system.tolist(),
            "sources": {names[i]: report.deposition.share[k].tolist() for k, i in enumerate(report.sources_on)},
            "largest_standard_error": float(report.deposition.standard_error.max()),
        },
        "levels": levels_of(report),
        "arrivals": {
            name: {verdict: float((order.verdict == v).mean()) for v, verdict in enumerate(VERDICTS)}
            for name, order in (("as_written", report.order), ("as_proposed", report.order_proposed))
        },
        "aims": {
            name: {
                "tilt": found.hang.tilt,
                "splay": list(found.hang.splay),
                "is_met": found.is_met,
                "wanted_spread": found.wanted,
                "spread_before": found.before.spread.tolist(),
                "spread_after": found.after.spread.tolist(),
                "roof_and_walls_before": found.spill_before.tolist(),
                "roof_and_walls_after": found.spill_after.tolist(),
            }
            for name, found in report.aims.items()
        },
        "fills": [
            {"name": f.name, "coverage": f.coverage, "row_distance": f.row_distance, "spacing": f.spacing}
            | {"largest_spacing": f.largest_spacing}
            for f in report.fills
        ],
        "short_of_mains": None
        if report.delays is None
        else {
            "near_seats": int(report.delays.near.sum()),
            "far_seats": int(report.delays.far.sum()),
            "first_far_seat_m": report.delays.first_far,
        },
        "bass": None
        if report.bass is None
        else {
            "bands_hz": list(report.bass.labels),
            "seat_spread": report.bass.spread.tolist(),
            "stage_re_seats": report.bass.stage_below_seats.tolist(),
            "rejection": {name: values.tolist() for name, values in report.bass.rejection.items()},
        },
        "headroom": [
            {"name": h.name, "level": h.level, "peak": h.peak, "limit": h.limit, "headroom": h.headroom}
            for h in report.headroom
        ],
        "loads": [
            {"name": l.name, "what": l.what, "mass": l.mass, "points": l.points, "on_one_point": l.heaviest}
            | {"hangs_from": l.named, "points_assumed": l.is_assumed, "points_not_named": l.unnamed}
            for l in report.loads
        ],
        "roof": [
            {"name": h.name, "kind": "truss" if h.is_truss else "point", "load": h.load, "limit": h.limit}
            | {"by": list(h.by), "weight_unknown": list(h.unknown)}
            for h in report.held
        ],
        "limits_exceeded": list(report.limits_broken),
        "findings": [asdict(finding) for finding in report.findings],
        "exposure_limits": [
            {"who": e.who, "level": e.level, "hours": e.hours, "source": e.source} for e in EXPOSURE_LIMITS
        ],
        "cautions": list(system_cautions(report)),
    }


def angle_words(hang: Hang) -> str:
    """How a hang is turned: "top box 7° down, splays 1 2 2 7 10°"."""
    tilt = f"{abs(hang.tilt):g}° {'up' if hang.tilt > 0.0 else 'down'}" if hang.tilt else "level"
    splays = f", splays {' '.join(f'{angle:g}' for angle in hang.splay)}°" if hang.splay else ""
    return f"top box {tilt}{splays}"


def channels(report: SystemReport) -> Iterator[dict[str, Any]]:
    """One per channel of a processor, and one per box that is driven differently."""
    proposed = {report.scene.sources.names[p.source]: p for p in report.proposals}
    for i in report.sources_on:
        name = report.scene.sources.names[i]
        source = next(s for s in report.study.sources.all() if s.name == name)
        found = proposed.get(name)
        channel: dict[str, Any] = {
            "channel": name,
            "role": source.role,
            "delay_ms": source.delay,
            "proposed_delay_ms": None if found is None else found.proposed,
            "seats_served": None if found is None else len(found.served),
            "louder_than_mains_db": None if found is None else list(found.louder),
        }
        if isinstance(source, Source):
            level = float(a_weighted_level(np.array(source.level)))
            yield channel | {"boxes": 1, "gain_db": None, "level_dba_at_1_m": level, "polarity": "normal"}
            continue
        filters = {
            "high_pass_hz": source.high_pass and source.high_pass.frequency,
            "low_pass_hz": source.low_pass and source.low_pass.frequency,
        }
        boxes = {"boxes": source.n_boxes(), "gain_db": source.gain, "level_dba_at_1_m": None}
        yield channel | boxes | {"polarity": source.polarity} | filters
        reversed_boxes = getattr(getattr(source, "arrangement", None), "reversed", ())
        if reversed_boxes:
            layout_delay = source.arrangement.reversed_delay  # type: ignore[union-attr]
            extra = {
                "channel": f"{name}, box {', '.join(map(str, reversed_boxes))}",
                "role": source.role,
                "delay_ms": None if layout_delay is None else source.delay + layout_delay,
                "proposed_delay_ms": None,
                "boxes": len(reversed_boxes),
                "gain_db": source.gain + source.arrangement.reversed_gain,  # type: ignore[union-attr]
                "polarity": "inverted" if source.polarity == "normal" else "normal",
            }
            yield extra | filters
        for box in source.box:
            yield {
                "channel": f"{name}, box {box.number}",
                "role": source.role,
                "delay_ms": source.delay + box.delay,
                "proposed_delay_ms": None if found is None else found.proposed + box.delay,
                "boxes": 1,
                "gain_db": source.gain + box.gain,
                "polarity": "normal" if box.polarity == source.polarity else "inverted",
            } | filters


def levels_of(report: SystemReport) -> dict[str, Any]:
    """Levels over the seats with the room as estimated, headroom, noise, and listening positions."""
    direct = report.direct_level
    low, median, high = np.quantile(direct, (0.05, 0.5, 0.95), axis=0)
    estimate = report.estimate
    known = [h.headroom for h in report.headroom if h.headroom is not None]
    a_level = np.quantile(estimate.a_level, (0.05, 0.5, 0.95))
    noise, crest = report.scene.noise[report.scenario], report.study.sources.crest_factor
    result: dict[str, Any] = {
        "direct_median": median.tolist(),
        "direct_spread": (high - low).tolist(),
        "a_level": a_level.tolist(),
        "level_median": np.median(estimate.level, axis=0).tolist(),
        "crest_factor": crest,
        "headroom": min(known) if known else None,
        "largest_a_level": float(a_level[1] + min(known)) if known else None,
        "largest_peak": float(
            level_sum(np.median(estimate.level, axis=0)) + min(known) + report.study.sources.crest_factor
        )
        if known
        else None,
        "sti_estimate": np.quantile(estimate.sti, (0.05, 0.5, 0.95)).tolist(),
        "noise": noise.tolist(),
        "noise_rating": float(noise_rating(noise)),
        "listening_positions": {},
    }
    for name, seat in report.listening_positions:
        result["listening_positions"][name] = {
            "level": estimate.level[seat].tolist(),
            "a_level": float(estimate.a_level[seat]),
            "sti_estimate": float(estimate.sti[seat]),
        }
    return result


def system_cautions(report: SystemReport) -> Iterator[str]:
    """What must be said with the report."""
    yield RIGGING
    yield EXPOSURE
    yield (
        "Levels and intelligibility here are direct sound and a diffuse-field estimate. `roomsim run` traces the room "
        "and gives each figure with its error."
    )
    if report.bass is not None:
        yield (
            "Bass maps are direct sound and the floor alone; in the room rejection ends where the reverberant bass "
            "begins, and a wall within some 2 m of a stack spoils it."
        )
    if report.scene.sources.noise_active is not None:
        yield "Noise sources are left out here; a run counts them at every seat."
