"""The report of a sound system as plain values, for JSON and for the tables."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from .. import bands
from ..physics.exposure import EXPOSURE_LIMITS
from ..physics.levels import a_weighted_level, level_sum
from ..physics.noise import noise_rating
from ..sound_system.direct_sound import described_sources
from ..sound_system.energy_deposition import PARTS
from ..sound_system.system_report import SystemReport
from ..sound_system.timing import VERDICTS
from ..venue.document import Source
from ..venue.systems import Hang, Stack

RIGGING = (
    "Loads are static: a load on two points of known position is shared between them by the lever rule, any other load "
    "evenly. Shock, wind, the horizontal pull of bridles, and the position of a load along a truss are not computed. A "
    "competent person must approve the rig and every point of it, and the owner and a structural engineer the roof; "
    "local codes take precedence."
)
EXPOSURE = (
    "The exposure limits are published ones, from memory; national and local rules apply, and they change. Measure at "
    "the event: this is a prediction for the programme as the study states it."
)


def system_object(report: SystemReport) -> dict[str, Any]:
    """The report as plain values."""
    names, delays, bass = report.scene.sources.names, report.delays, report.bass
    return {
        "title": report.title,
        "venue": report.venue,
        "scenario": report.name,
        "speed_of_sound": report.scene.speed_of_sound,
        "channels": list(channels(report)),
        "energy_deposition": {
            "parts": list(PARTS),
            "bands_hz": bands.NOMINAL.tolist(),
            "whole_system": report.deposition.whole_system.tolist(),
            "sources": {names[i]: report.deposition.share[k].tolist() for k, i in enumerate(report.sources_on)},
            "largest_standard_error": float(report.deposition.standard_error.max()),
        },
        "levels": levels_of(report),
        "arrivals": {
            name: {verdict: float((order.verdict == v).mean()) for v, verdict in enumerate(VERDICTS)}
            for name, order in (("as_stated", report.order), ("as_proposed", report.order_proposed))
        },
        "aims": {
            name: {
                "tilt": aim.hang.tilt,
                "splay": list(aim.hang.splay),
                "is_met": aim.is_met,
                "wanted_spread": aim.wanted,
                "spread_before": aim.before.spread.tolist(),
                "spread_after": aim.after.spread.tolist(),
                "roof_and_walls_before": aim.spill_before.tolist(),
                "roof_and_walls_after": aim.spill_after.tolist(),
            }
            for name, aim in report.aims.items()
        },
        "fills": [asdict(fill) for fill in report.fills],
        "short_of_mains": delays
        and {
            "near_seats": int(delays.near.sum()),
            "far_seats": int(delays.far.sum()),
            "first_far_seat_m": delays.first_far,
        },
        "bass": bass
        and {
            "bands_hz": list(bass.labels),
            "seat_spread": bass.spread.tolist(),
            "stage_re_seats": bass.stage_below_seats.tolist(),
            "rejection": {name: values.tolist() for name, values in bass.rejection.items()},
        },
        "headroom": [{**asdict(source), "headroom": source.headroom} for source in report.headroom],
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
        "exposure_limits": [asdict(limit) for limit in EXPOSURE_LIMITS],
        "cautions": list(system_cautions(report)),
    }


def angle_text(hang: Hang) -> str:
    """The angles of a hang: "top box 7° down, splays 1 2 2 7 10°"."""
    tilt = f"{abs(hang.tilt):g}° {'up' if hang.tilt > 0.0 else 'down'}" if hang.tilt else "level"
    splays = f", splays {' '.join(f'{angle:g}' for angle in hang.splay)}°" if hang.splay else ""
    return f"top box {tilt}{splays}"


def channels(report: SystemReport) -> Iterator[dict[str, Any]]:
    """One for each channel of the loudspeaker processor, and one for each box that is driven differently."""
    proposals = {proposal.source: proposal for proposal in report.proposals}
    described = described_sources(report.study, report.scene)
    for i in report.sources_on.tolist():
        source, proposal = described[i], proposals.get(i)
        channel: dict[str, Any] = {
            "channel": source.name,
            "role": source.role,
            "delay_ms": source.delay,
            "proposed_delay_ms": proposal and proposal.proposed,
            "seats_served": proposal and len(proposal.served),
            "louder_than_mains_db": proposal and list(proposal.louder),
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
        separate: list[tuple[Sequence[int], float | None, float | None, float, bool]] = []
        stack = getattr(source, "arrangement", None)
        if isinstance(stack, Stack) and stack.reversed:
            is_inverted = source.polarity == "normal"
            separate.append((stack.reversed, stack.reversed_delay, None, stack.reversed_gain, is_inverted))
        for box in source.box:
            proposed = None if proposal is None else proposal.proposed + box.delay
            separate.append(([box.number], box.delay, proposed, box.gain, box.polarity != source.polarity))
        for numbers, delay, proposed, gain, is_inverted in separate:
            yield {
                "channel": f"{source.name}, box {', '.join(map(str, numbers))}",
                "role": source.role,
                "delay_ms": None if delay is None else source.delay + delay,
                "proposed_delay_ms": proposed,
                "boxes": len(numbers),
                "gain_db": source.gain + gain,
                "polarity": "inverted" if is_inverted else "normal",
            } | filters


def levels_of(report: SystemReport) -> dict[str, Any]:
    """Levels over the seats including the estimated reverberation, headroom, noise, and listening positions."""
    estimate, crest = report.estimate, report.study.sources.crest_factor
    low, median, high = np.quantile(report.direct_level, (0.05, 0.5, 0.95), axis=0)
    a_level = np.quantile(estimate.a_level, (0.05, 0.5, 0.95))
    level_median = np.median(estimate.level, axis=0)
    headroom = min((h.headroom for h in report.headroom if h.headroom is not None), default=None)
    noise = report.scene.noise[report.scenario]
    return {
        "direct_median": median.tolist(),
        "direct_spread": (high - low).tolist(),
        "a_level": a_level.tolist(),
        "level_median": level_median.tolist(),
        "crest_factor": crest,
        "headroom": headroom,
        "largest_a_level": None if headroom is None else float(a_level[1] + headroom),
        "largest_peak": None if headroom is None else float(level_sum(level_median) + headroom + crest),
        "sti_estimate": np.quantile(estimate.sti, (0.05, 0.5, 0.95)).tolist(),
        "noise": noise.tolist(),
        "noise_rating": float(noise_rating(noise)),
        "listening_positions": {
            name: {
                "level": estimate.level[seat].tolist(),
                "a_level": float(estimate.a_level[seat]),
                "sti_estimate": float(estimate.sti[seat]),
            }
            for name, seat in report.listening_positions
        },
    }


def system_cautions(report: SystemReport) -> Iterator[str]:
    """Sentences to show with the report."""
    yield RIGGING
    yield EXPOSURE
    yield (
        "Levels and intelligibility here are based on the direct sound and a diffuse-field estimate. `roomsim run` "
        "traces the room and gives each result with its error."
    )
    if report.bass is not None:
        yield (
            "Bass maps show the direct sound and its reflection from the floor only. In the room the reverberant bass "
            "limits the rejection, and a wall within about 2 m of a stack reduces it considerably."
        )
    if report.scene.sources.noise_active is not None:
        yield "Noise sources are not included here; a run includes them at every seat."
