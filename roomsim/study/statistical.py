"""What the statistical formulas say of a scene, and what in it they cannot know."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

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


def _with_scenarios(sentence: str, names: list[str], n_scenarios: int) -> str:
    others = len(names) - 1
    if others == 0:
        return f"{names[0]}: {sentence}"
    if len(names) == n_scenarios:
        return f"{names[0]}, and so all scenarios: {sentence}"
    return f"{names[0]}, and so {others} other scenario{'s' if others > 1 else ''}: {sentence}"
