"""Scenes made directly as flat arrays, for tests of ray tracing that need no files."""

from __future__ import annotations

import numpy as np

from roomsim.scene.scene import Patch, ReceiverArrays, Scene, SourceArrays, SurfaceArrays

WALLS = ("west", "east", "south", "north", "floor", "ceiling")


def box_parallelograms(size, at=(0.0, 0.0, 0.0)):
    """Origins, u edges and v edges of the six faces of a box, in the order of WALLS."""
    x, y, z = np.diag(np.asarray(size, dtype=float))
    corner = np.asarray(at, dtype=float)
    faces = [(0 * x, y, z), (x, y, z), (0 * x, x, z), (y, x, z), (0 * x, x, y), (z, x, y)]
    return tuple(np.array([corner + f[0] if k == 0 else f[k] for f in faces]) for k in range(3))


def as_bands(value):
    return np.broadcast_to(np.asarray(value, dtype=float), (8,)).copy()


def omnidirectional(positions, level=94.0, n_scenarios=1, delay=0.0):
    """Sources without directivity, `level` dB at 1 m in every band."""
    positions = np.atleast_2d(np.asarray(positions, dtype=float))
    n = len(positions)
    return SourceArrays(
        names=tuple(f"source {i}" for i in range(n)),
        position=positions,
        axes=np.tile(np.eye(3), (n, 1, 1)),
        balloon=np.ones((n, 37, 36, 8)),
        level=np.full((n, 8), float(level)),
        delay=np.full(n, float(delay)),
        active=np.ones((n, n_scenarios)),
    )


def seats(positions, radius=0.5):
    positions = np.atleast_2d(np.asarray(positions, dtype=float))
    n = len(positions)
    half = 0.4
    corners = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
    return ReceiverArrays(
        position=positions,
        radius=radius,
        area=np.zeros(n, np.int32),
        area_names=("audience",),
        row=np.arange(n, dtype=np.int32),
        column=np.zeros(n, np.int32),
        cell=positions[:, None, :2] + corners,
    )


def scene_of(
    origin, edge_u, edge_v, patch, patches, factors, sources, receivers, *,
    is_triangle=None, mirror=None, air=0.0, speed_of_sound=343.2, volume=1.0,
):  # fmt: skip
    """A Scene from its parts; every plane is a mirror unless `mirror` is given."""
    n = len(origin)
    normal = np.cross(edge_u, edge_v)
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    planes = np.concatenate([normal, -np.einsum("ij,ij->i", normal, origin)[:, None]], axis=1)
    if mirror is None:
        flip = np.sign(planes[np.arange(n), np.abs(planes[:, :3]).argmax(axis=1)])
        rounded = np.round(planes * flip[:, None], 6)
        unique, mirror = np.unique(rounded, axis=0, return_inverse=True)
        mirror_planes = unique
    else:
        chosen = [int(np.flatnonzero(mirror == m)[0]) for m in range(mirror.max() + 1)]
        mirror_planes = planes[chosen] if chosen else np.empty((0, 4))
    n_scenarios = factors.shape[2]
    return Scene(
        surfaces=SurfaceArrays(
            origin=np.asarray(origin, float), edge_u=np.asarray(edge_u, float), edge_v=np.asarray(edge_v, float),
            is_triangle=np.zeros(n, bool) if is_triangle is None else is_triangle,
            patch=np.asarray(patch, np.int32), mirror=np.asarray(mirror, np.int32).reshape(-1),
        ),
        patches=tuple(patches),
        mirror_planes=mirror_planes,
        factors=factors,
        sources=sources,
        receivers=receivers,
        scenarios=tuple(["bare"] + [f"scenario {i}" for i in range(1, n_scenarios)]),
        compare_with=np.zeros(n_scenarios, int),
        noise=np.full((n_scenarios, 8), -100.0),
        speed_of_sound=speed_of_sound,
        air_attenuation=as_bands(air),
        volume=volume,
    )  # fmt: skip


def surface_factors(absorption, scattering):
    """(n_patches, 3, n_scenarios, 8) from absorption and scattering (n_patches, n_scenarios, 8)."""
    reflected = 1.0 - absorption
    return np.stack([reflected * (1 - scattering), reflected * scattering, 0 * reflected], axis=1)


def box_scene(
    size, absorption, scattering, source, receivers, *, radius=0.5, air=0.0, mirrors=True, **source_options
):
    """A box.

    absorption, scattering: dict wall -> value(s), or one value; a value may be a list over scenarios of scalars or
    eight bands.
    """
    origin, u, v = box_parallelograms(size)
    area = np.linalg.norm(np.cross(u, v), axis=1)

    def table(what):
        rows = [what[w] if isinstance(what, dict) else what for w in WALLS]
        rows = [r if isinstance(r, (list, tuple)) else [r] for r in rows]
        n = max(len(r) for r in rows)
        return np.array([[as_bands(r[min(i, len(r) - 1)]) for i in range(n)] for r in rows])

    a, s = table(absorption), table(scattering)
    n_scenarios = max(a.shape[1], s.shape[1])
    a, s = (np.broadcast_to(x, (6, n_scenarios, 8)) for x in (a, s))
    return scene_of(
        origin, u, v, np.arange(6), [Patch(w, w, (), float(x), False) for w, x in zip(WALLS, area)],
        surface_factors(a, s), omnidirectional(source, n_scenarios=n_scenarios, **source_options),
        seats(receivers, radius), mirror=None if mirrors else np.full(6, -1), air=air,
        volume=float(np.prod(size)),
    )  # fmt: skip
