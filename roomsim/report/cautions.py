"""What must be said wherever a comparison is shown.

Sense of the sentences: common practice, no source, unless one is named.
"""

from __future__ import annotations

from ..study.results import Results

_ALWAYS = (
    (
        "This is a prediction. It is no opinion on structure, fire, noise law or safety, and says nothing "
        "of the sound outdoors."
    ),
    (
        "The ± are of the computation alone. Absorption is rarely known to better than a tenth: see the "
        "sources in the materials, and measure the empty room before money is spent."
    ),
    (
        "An empty room is not a full one: compare scenarios with the same audience, and sound-check for the "
        "full house."
    ),
    ("A voice alarm must be checked by its own standard, by those who are licensed to; this does not do it."),
    (
        "Sound levels for audience and crew are limited by law, differently from place to place; the World "
        "Health Organization (2022) advises at most 100 dB LAeq,15 min for audiences."
    ),
)

_HUNG = (
    (
        "Weights and point loads are the study's own figures, at rest; what several things bring on one point or "
        "truss is added up only where the files say what hangs where. A competent person must approve every "
        "point, and the owner and a structural engineer the roof."
    ),
    (
        "Nothing may hang over or across exits, or stand in them, nor before signs, detectors, sprinklers, "
        "extinguishers, call points, heaters or lights. Escape routes keep their full width, openings stay "
        "visible and unhooked. Only the zones that the study names were checked."
    ),
    (
        "The fire certificate of every batch of cloth must be on site; washing can void it. Local codes "
        "decide."
    ),
    "Work at height needs a plan of its own and a drop zone that is kept clear.",
    (
        "Open doors and vents put wind on the cloth and change the absorption; keep cloth away from heating "
        "outlets."
    ),
    "Cloth does little below 125 Hz: look at the bass before you promise it.",
)


def cautions(results: Results) -> list[str]:
    """Sentences to show with the results; those on rigging come first, if any scenario hangs anything."""
    return cautions_where(any(record.hung for record in results.scenarios))


def cautions_where(is_hung: bool) -> list[str]:
    """The same for anything else that is shown: `is_hung` says whether it speaks of hanging."""
    return [*(_HUNG if is_hung else ()), *_ALWAYS]
