"""Cautions that accompany all results.

Their content is common practice, no source, unless a source is named.
"""

from __future__ import annotations

from ..results.records import Results

_ALWAYS = (
    "This is a prediction. It is not an assessment of structural, fire or electrical safety or of compliance with "
    "noise law, and does not cover sound outdoors.",
    "The ± intervals cover the Monte Carlo error of the calculation only. Absorption is rarely known to better than "
    "10 %: see the sources given with the materials, and measure the empty room before committing money.",
    "An empty room does not sound like a full one: compare scenarios with the same audience, and allow for the full "
    "audience at the sound check.",
    "A voice alarm system must be verified to its own standard by those licensed to do so; this program does not "
    "verify it.",
    "Sound levels for audience and crew are limited by law, which differs from place to place; the World Health "
    "Organization (2022) recommends at most 100 dB LAeq,15 min for audiences.",
)

_HUNG = (
    "Weights and point loads are static values taken from the study; the combined load of several items on one point "
    "or truss is only calculated where the study states which points they hang from. A competent person must approve "
    "every point, and the owner and a structural engineer the roof.",
    "Nothing may hang over, in or across exits, or in front of signs, detectors, sprinklers, extinguishers, call "
    "points, heaters or lights. Escape routes keep their full width; doorways stay visible and unobstructed. Only the "
    "zones named in the study were checked.",
    "The fire certificate of every batch of fabric must be on site; washing can invalidate it. Local codes apply.",
    "Work at height requires its own plan and a drop zone that is kept clear.",
    "Open doors and vents let wind move the fabric and change the absorption; keep fabric away from heating outlets.",
    "Fabric absorbs little below 125 Hz: check the bass before promising an improvement there.",
)


def cautions(results: Results) -> list[str]:
    """Sentences to show with the results of a study."""
    return caution_texts(any(record.hung for record in results.scenarios))


def caution_texts(is_hung: bool) -> list[str]:
    """Sentences to show with results; those on rigging come first.

    Parameters
    ----------
    is_hung : whether anything hangs overhead
    """
    return [*(_HUNG if is_hung else ()), *_ALWAYS]
