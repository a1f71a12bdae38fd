"""Where late energy comes from: the surfaces that reflected it last, and where another line would help most."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..estimate import jackknife_of
from ..scene.scene import Scene
from ..study.evaluator import Evaluator
from ..tracing.late_energy_origin import LateEnergy
from ..venue.document import Study
from ..venue.mesh import matching_groups
from .candidates import Candidates
from .results import LateEnergyOrigin

HEARD = slice(3, 7)
"""Bands 500 Hz to 4 kHz, which carry most of what is understood."""
NO_SURFACE = "direct sound of other sources"


def late_energy_origin(
    engine: Evaluator, study: Study, candidates: Candidates, mask: int, scenario: int
) -> LateEnergyOrigin:
    """Divide the late energy of a set by the surface that it was reflected from last.

    Parameters
    ----------
    scenario : number of the set among the scenarios of the engine
    """
    after = study.document.plan.late_after / 1000.0
    names = surface_names(engine.scene, study, {*candidates.present(mask)})
    late = engine.late_energy(scenario, after)
    return _divided(late, engine.scene, names, mask, after)


def surface_names(scene: Scene, study: Study, switched_in: set[str]) -> list[str]:
    """What to call each patch: the element that covers it, or what the venue file calls its surface."""
    called = _groups_called(study)
    names = []
    for patch in scene.patches:
        covers = [name for name in patch.covers if name in switched_in]
        names.append(covers[-1] if covers else patch.group if patch.is_sheet else called[patch.group])
    return names


def _groups_called(study: Study) -> dict[str, str]:
    """Surface group -> its pattern in the venue file without wildcards, the group's own name where that is
    empty."""
    called: dict[str, str] = {}
    patterns = sorted(study.venue.surfaces, key=len)
    for pattern in patterns:
        plain = pattern.replace("*", "").replace("?", "").strip("_-. /")
        fits = matching_groups(study.mesh, [pattern], "surfaces")
        for group, is_fitting in zip(study.mesh.group_names, fits):
            # The longest wildcard comes last and wins; an exact name wins over all.
            if is_fitting and called.get(group) != group:
                called[group] = group if pattern == group else (plain or group)
    return {group: called.get(group, group).replace("_", " ") for group in study.mesh.group_names}


def _divided(
    late: LateEnergy, scene: Scene, names: Sequence[str], mask: int, after: float
) -> LateEnergyOrigin:
    sides = np.array([patch.area * patch.sides for patch in scene.patches])
    labels = list(dict.fromkeys([*names, NO_SURFACE]))
    number = np.array([labels.index(name) for name in [*names, NO_SURFACE]])
    replicates = late.replicates
    by_label = np.stack([replicates[:, :, number == i].sum(axis=2) for i in range(len(labels))], axis=2)
    share = jackknife_of(by_label, _shares)
    n_seats = np.bincount(scene.receivers.area, minlength=len(scene.receivers.area_names))
    overall = _shares(np.einsum("a,akb->kb", n_seats, by_label.mean(axis=0)))
    falling = np.argsort(-overall[:, HEARD].mean(axis=1), kind="stable")
    order = [int(i) for i in falling if np.nan_to_num(share.value[:, i]).max() > 0.0]
    metres = np.array([sides[number[:-1] == i].sum() for i in range(len(labels))])
    heard = _shares(np.einsum("a,apb->pb", n_seats, replicates.mean(axis=0)))[:-1, HEARD].mean(axis=-1)
    return LateEnergyOrigin(
        option=mask,
        after=after,
        surfaces=tuple(labels[i] for i in order),
        square_metres=metres[order],
        area_names=scene.receivers.area_names,
        share=share.value[:, order],
        half_width=share.half_width()[:, order],
        overall=overall[order],
        density=heard / np.maximum(sides, 1e-9),
    )


def _shares(energy: np.ndarray) -> np.ndarray:
    """(..., n_surfaces, 8) energies -> shares of their sum over surfaces."""
    total = energy.sum(axis=-2, keepdims=True)
    return np.divide(energy, total, out=np.zeros_like(energy), where=total > 0.0)


def worst_places(
    origin: LateEnergyOrigin, scene: Scene, names: Sequence[str]
) -> list[tuple[str, float]]:
    """Which of some elements, not hung yet, would cover most late energy for each square metre.

    Returns
    -------
    (name, share of the late energy that is reflected from what it would cover), the most per square metre first
    """
    areas = np.array([patch.area for patch in scene.patches])
    found = []
    for name in names:
        covered = np.array([name in patch.covers for patch in scene.patches])
        if covered.any():
            share = float((origin.density * areas)[covered].sum())
            found.append((share / float(areas[covered].sum()), name, share))
    return [(name, share) for _, name, share in sorted(found, key=lambda entry: -entry[0])]


def outlines(scene: Scene) -> tuple[np.ndarray, np.ndarray]:
    """Corners (n_primitives, 4, 3) of all surfaces in order round the edge, the last of a triangle
    repeated, and the patch of each (n_primitives,)."""
    surfaces = scene.surfaces
    a, u, v = surfaces.origin, surfaces.edge_u, surfaces.edge_v
    far = np.where(surfaces.is_triangle[:, None], a + v, a + u + v)
    return np.stack([a, a + u, far, a + v], axis=1), surfaces.patch
