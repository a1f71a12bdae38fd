"""The origin of late energy: the surfaces that reflected it last, and where another line would reduce it most."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..bands import SPEECH_MID
from ..estimate import jackknife_of
from ..scene.scene import Scene
from ..study.evaluator import Evaluator
from ..venue.document import Study
from ..venue.mesh import matching_groups
from .candidates import Candidates
from .results import LateEnergyOrigin

NO_SURFACE = "direct sound of other sources"


def late_energy_origin(
    evaluator: Evaluator, study: Study, candidates: Candidates, mask: int, scenario: int
) -> LateEnergyOrigin:
    """Divide the late energy of a set by the surface that it was reflected from last.

    Parameters
    ----------
    scenario : index of the set among the scenarios of the evaluator
    """
    scene, after = evaluator.scene, study.document.plan.late_after / 1000.0
    replicates = evaluator.late_energy(scenario, after).replicates
    names = [*_surface_names(scene, study, {*candidates.present(mask)}), NO_SURFACE]
    labels = list(dict.fromkeys(names))
    number = np.array([labels.index(name) for name in names])
    by_label = np.stack([replicates[:, :, number == i].sum(axis=2) for i in range(len(labels))], axis=2)
    share = jackknife_of(by_label, _shares)
    n_seats = np.bincount(scene.receivers.area, minlength=len(scene.receivers.area_names))
    overall = _shares(np.einsum("a,akb->kb", n_seats, by_label.mean(axis=0)))
    falling = np.argsort(-overall[:, SPEECH_MID].mean(axis=1), kind="stable")
    order = [int(i) for i in falling if np.nan_to_num(share.value[:, i]).max() > 0.0]
    surface_area = np.array([patch.area * patch.sides for patch in scene.patches])
    of_patches = _shares(np.einsum("a,apb->pb", n_seats, replicates.mean(axis=0)))[:-1, SPEECH_MID].mean(axis=-1)
    return LateEnergyOrigin(
        option=mask,
        after=after,
        surfaces=tuple(labels[i] for i in order),
        square_metres=np.array([surface_area[number[:-1] == i].sum() for i in order]),
        area_names=scene.receivers.area_names,
        share=share.value[:, order],
        half_width=share.half_width()[:, order],
        overall=overall[order],
        density=of_patches / np.maximum(surface_area, 1e-9),
    )


def _surface_names(scene: Scene, study: Study, present: set[str]) -> list[str]:
    """The name of each patch: the element that covers it, or its surface in the venue file."""
    labels = _group_labels(study)
    names = []
    for patch in scene.patches:
        covers = [name for name in patch.covers if name in present]
        names.append(covers[-1] if covers else patch.group if patch.is_sheet else labels[patch.group])
    return names


def _group_labels(study: Study) -> dict[str, str]:
    """Surface group -> its pattern in the venue file without wildcards, or the name of the group where nothing remains
    of the pattern."""
    labels: dict[str, str] = {}
    for pattern in sorted(study.venue.surfaces, key=len):
        plain = pattern.replace("*", "").replace("?", "").strip("_-. /")
        matches = matching_groups(study.mesh, [pattern], "surfaces")
        for group, is_match in zip(study.mesh.group_names, matches):
            # The longest pattern comes last and takes precedence, except over an exact name.
            if is_match and (pattern == group or group not in study.venue.surfaces):
                labels[group] = group if pattern == group else (plain or group)
    return {group: labels.get(group, group).replace("_", " ") for group in study.mesh.group_names}


def _shares(energy: np.ndarray) -> np.ndarray:
    """(..., n_surfaces, 8) energies -> shares of their sum over surfaces."""
    total = energy.sum(axis=-2, keepdims=True)
    return np.divide(energy, total, out=np.zeros_like(energy), where=total > 0.0)


def worst_places(
    origin: LateEnergyOrigin, scene: Scene, names: Sequence[str]
) -> list[tuple[str, float]]:
    """Elements that are not hung yet, in the order of the late energy that each would cover per square metre.

    Returns
    -------
    (name, share of the late energy that is reflected from the surface that it would cover), the most per square metre
    first
    """
    areas = np.array([patch.area for patch in scene.patches])
    places = []
    for name in names:
        covered = np.array([name in patch.covers for patch in scene.patches])
        if covered.any():
            share = float((origin.density * areas)[covered].sum())
            places.append((share / float(areas[covered].sum()), name, share))
    return [(name, share) for _, name, share in sorted(places, key=lambda entry: -entry[0])]


def outlines(scene: Scene) -> tuple[np.ndarray, np.ndarray]:
    """Corners (n_primitives, 4, 3) of all surfaces, in order along the edge and with the last one of a triangle
    repeated, and the patch of each (n_primitives,)."""
    surfaces = scene.surfaces
    a, u, v = surfaces.origin, surfaces.edge_u, surfaces.edge_v
    far = np.where(surfaces.is_triangle[:, None], a + v, a + u + v)
    return np.stack([a, a + u, far, a + v], axis=1), surfaces.patch
