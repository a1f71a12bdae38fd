"""Compilation of a study and its mesh into the arrays of a scene."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np

from ..elements.finishes import Variation
from ..errors import SceneError
from ..physics.air import Air
from ..venue.document import Study
from ..venue.mesh import matching_groups
from .boundary import boundary_of
from .element_checks import fit_findings
from .factors import scenario_factors
from .footprints import footprints
from .mirrors import choose_mirrors
from .patches import cut_patches
from .receivers import compile_receivers
from .scene import Scene, SurfaceArrays
from .skins import room_mesh
from .sources import compile_sources, when_active
from .surfaces import flat_regions
from .tiles import tiles


def compile_scene(study: Study, tile: float | None = None) -> Scene:
    """Compile a study.

    Elements that no scenario uses are left out. With `tile`, m, large surfaces are divided into patches of about that
    side: results are unchanged, and paths record which part of a surface they met.

    Raises
    ------
    SceneError
        An element without its surface, an audience area without floor or seats, a source without direction.
    MaterialError, MeshError, DocumentError, PhysicalRangeError
        From the files and materials that the study names.
    """
    study = study.with_mesh(room_mesh(study))
    elements = study.elements.named(study.document.elements_used())
    regions = flat_regions(study.mesh)
    prints, fits = footprints(study, regions, elements)
    for finding in fit_findings(fits, {element.name: element for element in elements}):
        if finding.severity == "error":
            raise SceneError(finding.text, place=finding.place, cure=finding.cure)
    if tile is not None:
        prints = [*prints, *tiles(regions, tile)]
    two_sided = matching_groups(study.mesh, study.venue.two_sided, "two_sided")
    sheets = [sheet for element in elements for sheet in element.free_sheets()]
    primitives, patches = cut_patches(study.mesh, regions, prints, sheets, two_sided)
    mirror, mirror_planes = choose_mirrors(primitives)
    air = Air(**study.venue.air.model_dump())

    scenarios = study.document.scenarios_in_order()
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
        factors=scenario_factors(study, patches, [scenario.elements for scenario in scenarios]),
        sources=compile_sources(study, [scenario.elements for scenario in scenarios], air.speed_of_sound),
        receivers=compile_receivers(study),
        scenarios=tuple(scenario.name for scenario in scenarios),
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
    """A compiled scene whose scenarios are sets of elements; all are compared with the first.

    Parameters
    ----------
    sets : (n_scenarios,)
        Names of the elements of each; all must be in the scene already.
    noise : (8,)
        Background noise, dB, of every set.
    variation : varies the stated absorption
    """
    active, noise_active = when_active(study, scene.sources.names, sets)
    return replace(
        scene,
        factors=scenario_factors(study, scene.patches, sets, variation),
        sources=replace(scene.sources, active=active, noise_active=noise_active),
        scenarios=tuple(f"set {i}" for i in range(len(sets))),
        compare_with=np.zeros(len(sets), dtype=int),
        noise=np.tile(noise, (len(sets), 1)),
    )
