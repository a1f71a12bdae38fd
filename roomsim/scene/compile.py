"""Compiling a study and its mesh to the flat scene of the engine."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace

import numpy as np

from ..elements.element import Element
from ..elements.finishes import Variation
from ..elements.surfaces import Fit
from ..errors import SceneError
from ..physics.air import Air
from ..venue.document import Study
from ..venue.mesh import match_surfaces, matching_groups
from .boundary import boundary_of
from .element_checks import fit_findings
from .factors import Finishes, finishes_of, scenario_factors
from .footprints import footprints
from .mirrors import choose_mirrors
from .patches import cut_patches
from .receivers import compile_receivers
from .scene import Patch, Scene, SurfaceArrays
from .skins import room_mesh
from .sources import compile_sources, when_active
from .surfaces import flat_regions
from .tiles import tiles


def compile_scene(study: Study, tile: float | None = None) -> Scene:
    """Turn what the user wrote into the arrays that the engine needs.

    Elements that no scenario switches in are left out. With `tile`, m, large surfaces are divided into
    patches of about that side: figures stay the same, and paths tell where on a surface they were.

    Raises
    ------
    SceneError
        An element that finds no surface, an audience area without floor or seats, a source without
        direction.
    MaterialError, MeshError, DocumentError, PhysicalRangeError
        From what the study names.
    """
    study = study.with_mesh(room_mesh(study))
    elements = study.elements.named(study.document.elements_used())
    regions = flat_regions(study.mesh)
    prints, fits = footprints(study, regions, elements)
    refuse_misfits(fits, elements)
    if tile is not None:
        prints = [*prints, *tiles(regions, tile)]
    two_sided = matching_groups(study.mesh, study.venue.two_sided, "two_sided")
    sheets = [sheet for element in elements for sheet in element.free_sheets()]
    primitives, patches = cut_patches(study.mesh, regions, prints, sheets, two_sided)
    mirror, mirror_planes = choose_mirrors(primitives)
    air = Air(**study.venue.air.model_dump())

    scenarios = study.document.scenarios_in_order()
    names = tuple(scenario.name for scenario in scenarios)
    corners = primitives.corners
    return Scene(
        surfaces=SurfaceArrays(
            origin=np.ascontiguousarray(corners[:, 0]),
            edge_u=corners[:, 1] - corners[:, 0],
            edge_v=corners[:, 2] - corners[:, 0],
            is_triangle=primitives.is_triangle,
            patch=primitives.patch,
            mirror=mirror,
        ),
        patches=patches,
        mirror_planes=mirror_planes,
        factors=factors_with(finishes_of(study, elements), study, patches),
        sources=compile_sources(study, [scenario.elements for scenario in scenarios], air.speed_of_sound),
        receivers=compile_receivers(study),
        scenarios=names,
        compare_with=np.array(study.document.compared_with()),
        noise=np.array([study.document.noise_of(scenario) for scenario in scenarios]),
        speed_of_sound=air.speed_of_sound,
        air_attenuation=air.attenuation,
        volume=boundary_of(study.mesh, study.venue).volume()[0],
    )


def with_element_sets(
    scene: Scene,
    study: Study,
    sets: Sequence[Collection[str]],
    noise: np.ndarray,
    variation: Variation | None = None,
) -> Scene:
    """A compiled scene in which each scenario is a set of elements; all are compared with the first.

    Parameters
    ----------
    sets : (n_scenarios,)
        Names of the elements of each; all must be in the scene already.
    noise : (8,)
        Background noise, dB, of every set.
    variation : absorption as it may be, in place of what is stated
    """
    active, noise_active = when_active(study, scene.sources.names, sets)
    finishes = finishes_of(study, study.elements.all(), variation)
    return replace(
        scene,
        factors=_factors(finishes, study, scene.patches, sets),
        sources=replace(scene.sources, active=active, noise_active=noise_active),
        scenarios=tuple(f"set {i}" for i in range(len(sets))),
        compare_with=np.zeros(len(sets), dtype=int),
        noise=np.tile(noise, (len(sets), 1)),
    )


def factors_with(finishes: Finishes, study: Study, patches: Sequence[Patch]) -> np.ndarray:
    """`Scene.factors` of a study whose materials and elements have these finishes."""
    scenarios = study.document.scenarios_in_order()
    return _factors(finishes, study, patches, [scenario.elements for scenario in scenarios])


def _factors(
    finishes: Finishes, study: Study, patches: Sequence[Patch], sets: Iterable[Collection[str]]
) -> np.ndarray:
    material_of = dict(zip(study.mesh.group_names, match_surfaces(study.mesh, study.venue)))
    return scenario_factors(patches, material_of, [frozenset(elements) for elements in sets], finishes)


def refuse_misfits(fits: Iterable[Fit], elements: Iterable[Element]) -> None:
    """Raise for the first piece of an element that finds too little of the surface that it is meant for.

    Raises
    ------
    SceneError
    """
    for finding in fit_findings(fits, {element.name: element for element in elements}):
        if finding.severity == "error":
            raise SceneError(finding.text, place=finding.place, cure=finding.cure)
