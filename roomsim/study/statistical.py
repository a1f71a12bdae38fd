"""What the statistical formulas say of a scene, and what in it they cannot know."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from ..bands import NOMINAL
from ..decay.enclosure import enclosure_of
from ..physics.reverberation import (
    arau_puchades,
    assumptions,
    eyring,
    fitzroy,
    kuttruff,
    millington,
    sabine,
)
from ..scene.scene import Scene

FORMULAS = {
    "sabine": sabine,
    "eyring": eyring,
    "kuttruff": kuttruff,
    "millington": millington,
    "fitzroy": fitzroy,
    "arau_puchades": arau_puchades,
}


def statistical_times(scene: Scene) -> dict[str, np.ndarray]:
    """Reverberation time (n_scenarios, 8), s, by each of `FORMULAS`."""
    room = enclosure_of(scene)
    shape = (scene.n_scenarios, 8)
    return {name: np.broadcast_to(formula(room), shape).copy() for name, formula in FORMULAS.items()}


def broken_assumptions(scene: Scene, reverberation_time: np.ndarray) -> list[str]:
    """Sentences on what the formulas cannot know, each with the scenarios that it holds for.

    Parameters
    ----------
    reverberation_time : (n_scenarios, 8) float, s, the best there is
    """
    room = enclosure_of(scene)
    points = scene.surfaces.origin
    corners = np.concatenate([points, points + scene.surfaces.edge_u, points + scene.surfaces.edge_v])
    x, y, z = (float(size) for size in np.ptp(corners, axis=0))
    # The same thing is said of most scenarios with other figures: once is enough, with the first one's
    # figures.
    said: dict[str, tuple[str, list[str]]] = {}
    for i, name in enumerate(scene.scenarios):
        one = replace(room, areas=np.asarray(room.areas)[:, i], absorption=room.absorption[:, i])
        for sentence in assumptions(one, reverberation_time[i], (x, y, z)):
            kind = " ".join(sentence.split()[:2])
            said.setdefault(kind, (sentence, []))[1].append(name)
    return [_with_scenarios(sentence, names, scene.n_scenarios) for sentence, names in said.values()]


DEPARTS = 1.2
"""Traced over Kuttruff's reverberation time from which it is explained: beyond the tenth by which formulas
for diffuse rooms differ."""
LITTLE_SCATTERED = 0.3
"""Share of the reflected energy; with more, walls count as diffuse (judged, from boxes with uneven
absorption)."""


def departures(scene: Scene, traced: np.ndarray, statistical: Mapping[str, np.ndarray]) -> list[str]:
    """Sentences on why traced reverberation times exceed the formulas, each with its scenarios.

    Parameters
    ----------
    traced : (n_scenarios, 8) float, s, NaN where not evaluable
    statistical : as `statistical_times` gives them
    """
    with np.errstate(invalid="ignore"):
        ratio = np.nan_to_num(traced / statistical["kuttruff"])
    worst = ratio.argmax(axis=1)
    said: dict[bool, tuple[str, list[str]]] = {}
    for i in np.flatnonzero(ratio.max(axis=1) > DEPARTS):
        band = int(worst[i])
        sentence, is_specular = _departure(scene, int(i), band, traced[i, band], statistical["kuttruff"][i, band])
        said.setdefault(is_specular, (sentence, []))[1].append(scene.scenarios[i])
    return [_with_scenarios(sentence, names, scene.n_scenarios) for sentence, names in said.values()]


def _departure(scene: Scene, scenario: int, band: int, traced: float, diffuse: float) -> tuple[str, bool]:
    area = np.array([patch.area * patch.sides for patch in scene.patches])
    specular, scattered, _ = np.moveaxis(scene.factors[:, :, scenario, band], 1, 0)
    share = float((area * scattered).sum() / max((area * (specular + scattered)).sum(), 1e-12))
    room = enclosure_of(scene)
    one = replace(room, areas=np.asarray(room.areas)[:, scenario], absorption=room.absorption[:, scenario])
    along = one.along_axes()[1][:, band]
    high, low = int(np.nanargmax(along)), int(np.nanargmin(along))
    figures = (
        f"The traced T20 at {NOMINAL[band]:g} Hz is {traced:.2g} s, where formulas for a diffuse room say "
        f"{diffuse:.2g} s (Kuttruff)."
    )
    if share < LITTLE_SCATTERED:
        return (
            f"{figures} Surfaces that face along {'xyz'[high]} absorb {along[high]:.2f}, along {'xyz'[low]} "
            f"{along[low]:.2f}, and only {share:.0%} of what is reflected is scattered: sound that keeps "
            "away from the absorbing surfaces outlives the rest. The truth lies between these two figures "
            "and hangs on how much the surfaces scatter: check their scattering, or measure the room, before "
            "relying on either.",
            True,
        )
    return (
        f"{figures} {share:.0%} of what is reflected is scattered, so the shape must be the cause: coupled "
        "spaces, or a long or flat room. The formulas do not hold here; trust the traced one.",
        False,
    )


def _with_scenarios(sentence: str, names: list[str], n_scenarios: int) -> str:
    others = len(names) - 1
    if others == 0:
        return f"{names[0]}: {sentence}"
    if len(names) == n_scenarios:
        return f"{names[0]}, and so all scenarios: {sentence}"
    return f"{names[0]}, and so {others} other scenario{'s' if others > 1 else ''}: {sentence}"
