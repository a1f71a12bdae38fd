"""Generated halls of any number of faces, and rays in them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from roomsim.scene.scene import Patch, ReceiverArrays, Scene, SourceArrays, SurfaceArrays
from roomsim.tracing._closest import find_hits
from roomsim.tracing.geometry import pack_geometry

SIZE = np.array([70.0, 36.0, 9.0])
RIDGE = 12.0


def _box(low, high):
    """Six parallelograms: (corner, edge, edge) of a box between two corners."""
    low, high = np.asarray(low, float), np.asarray(high, float)
    x, y, z = np.diag(high - low)
    return [(low, x, y), (low, x, z), (low, y, z), (high, -x, -y), (high, -x, -z), (high, -y, -z)]


def hall(n_faces: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """A pitched shed 70 x 36 x 9 to 12 m with trusses, columns, a stage and, up to the number of triangles
    wanted, rows of seats as boxes.

    Returns origin, edge_u, edge_v (n, 3), is_triangle (n,), patch (n,): 0 floor, 1 walls, 2 roof, 3 steel, 4
    stage, 5 seats.
    """
    lx, ly, lz = SIZE
    faces: list = []
    patch: list[int] = []

    def add(some, which):
        faces.extend(some)
        patch.extend([which] * len(some))

    point = np.array
    add([(point([0.0, 0, 0]), point([lx, 0, 0]), point([0, ly, 0]))], 0)
    add([(point([0.0, y, 0]), point([lx, 0, 0]), point([0, 0, lz])) for y in (0.0, ly)], 1)
    add([(point([x, 0.0, 0]), point([0, ly, 0]), point([0, 0, lz])) for x in (0.0, lx)], 1)
    rise = RIDGE - lz
    add(
        [
            (point([0.0, y, lz]), point([lx, 0, 0]), point([0, s * ly / 2, rise]))
            for y, s in ((0.0, 1), (ly, -1))
        ],
        2,
    )
    gables = [(point([x, 0.0, lz]), point([0, ly, 0]), point([0, ly / 2, rise])) for x in (0.0, lx)]
    for x in range(10, 70, 10):
        add(_box((x - 0.15, 0.4, 8.5), (x + 0.15, ly - 0.4, 8.8)), 3)
        for y in (9, 18, 27):
            add(_box((x - 0.1, y - 0.1, 8.8), (x + 0.1, y + 0.1, 9.85 if y != 18 else 10.95)), 3)
        for y in (0.5, ly - 0.9):
            add(_box((x - 0.2, y, 0.01), (x + 0.2, y + 0.4, 8.49)), 3)
    add(_box((1, 8, 0.01), (11, 28, 1.2)), 4)
    n_boxes = max(0, (n_faces - 2 * len(faces) - 2) // 12)
    columns = int(np.ceil(np.sqrt(n_boxes * 1.7)))
    rows = int(np.ceil(n_boxes / max(columns, 1)))
    for i in range(n_boxes):
        x = 14 + 52 * (i // max(rows, 1)) / max(columns, 1)
        y = 2 + 32 * (i % max(rows, 1)) / max(rows, 1)
        w, d = 0.5 * 52 / columns, 0.5 * 32 / rows
        add(_box((x, y, 0.4), (x + min(w, 0.45), y + min(d, 0.45), 0.45)), 5)
    origin, u, v = (np.array([f[k] for f in faces + gables]) for k in range(3))
    is_triangle = np.concatenate([np.zeros(len(faces), bool), np.ones(2, bool)])
    return origin, u, v, is_triangle, np.array([*patch, 1, 1])


def surfaces(n_faces: int) -> SurfaceArrays:
    origin, u, v, is_triangle, patch = hall(n_faces)
    return SurfaceArrays(origin, u, v, is_triangle, patch.astype(np.int32), np.full(len(patch), -1, np.int32))


def triangles(s: SurfaceArrays) -> np.ndarray:
    """(n, 3, 3) float32: every triangle, and both halves of every parallelogram."""
    first = np.stack([s.origin, s.origin + s.edge_u, s.origin + s.edge_v], axis=1)
    far = s.origin + s.edge_u + s.edge_v
    second = np.stack([far, s.origin + s.edge_v, s.origin + s.edge_u], axis=1)[~s.is_triangle]
    return np.concatenate([first, second]).astype(np.float32)


def scattered_rays(s: SurfaceArrays, n: int, seed: int = 0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Incoherent rays that leave surfaces by the cosine law, as after some diffuse reflections: origins and
    directions (n, 3) float32, and the primitive that each starts on (n,) int32."""
    g = pack_geometry(s)
    rng = np.random.default_rng(seed)
    origins = (rng.random((n, 3)) * (SIZE - 2) + 1).astype(np.float32)
    start = np.full(n, -1, np.int32)
    directions = _unit(rng.normal(size=(n, 3)))
    for _ in range(3):
        distance, hit = find_hits(origins, directions, g, start)
        # A ray that started inside a seat box or was lost begins again in mid-air.
        lost = hit < 0
        normal = g.normals[np.maximum(hit, 0)]
        normal = np.where(np.einsum("ij,ij->i", normal, directions)[:, None] > 0, -normal, normal)
        origins = np.where(
            lost[:, None], SIZE.astype(np.float32) / 2, origins + distance[:, None] * directions
        ).astype(np.float32)
        start = np.where(lost, -1, hit).astype(np.int32)
        directions = _unit(normal + 0.9999 * _unit(rng.normal(size=(n, 3))))
    return np.ascontiguousarray(origins), directions, start


def _unit(v: np.ndarray) -> np.ndarray:
    return np.ascontiguousarray(v / np.linalg.norm(v, axis=1)[:, None], dtype=np.float32)


def seat_grid(n: int, radius: float = 0.5) -> ReceiverArrays:
    """About `n` seats at 1.2 m on a grid in the hall, 0.9 m apart or as close as it takes."""
    columns = max(1, round(np.sqrt(n * 50 / 30)))
    rows = max(1, round(n / columns))
    x, y = np.linspace(14, 64, columns), np.linspace(3, 33, rows)
    position = np.array([(a, b, 1.2) for a in x for b in y])
    m = len(position)
    return ReceiverArrays(
        position,
        radius,
        np.zeros(m, np.int32),
        ("audience",),
        np.zeros(m, np.int32),
        np.zeros(m, np.int32),
        np.zeros((m, 4, 2)),
    )


ABSORPTION = {0: 0.03, 1: 0.06, 2: 0.08, 3: 0.05, 4: 0.2, 5: 0.4}
SCATTERING = {0: 0.1, 1: 0.15, 2: 0.3, 3: 0.6, 4: 0.2, 5: 0.7}


def scene(n_faces: int = 500, n_seats: int = 600, n_scenarios: int = 1, seed: int = 0) -> Scene:
    """The hall with seats and scenarios that differ in absorption at random; no mirror planes."""
    s = surfaces(n_faces)
    rng = np.random.default_rng(seed)
    n_patches = 6
    absorption = np.array([ABSORPTION[p] for p in range(n_patches)])[:, None, None] * np.ones(
        (n_patches, n_scenarios, 8)
    )
    absorption[:, 1:] = np.clip(
        absorption[:, 1:] + rng.uniform(0, 0.4, (n_patches, max(n_scenarios - 1, 0), 1)), 0, 0.95
    )
    scattering = np.array([SCATTERING[p] for p in range(n_patches)])[:, None, None]
    reflected = 1 - absorption
    factors = np.stack([reflected * (1 - scattering), reflected * scattering, 0 * reflected], axis=1)
    area = np.linalg.norm(np.cross(s.edge_u, s.edge_v), axis=1) * np.where(s.is_triangle, 0.5, 1.0)
    areas = np.bincount(s.patch, weights=area, minlength=n_patches)
    names = ("floor", "walls", "roof", "steel", "stage", "seats")
    sources = SourceArrays(
        ("source",), np.array([[6.0, 18, 3.5]]), np.eye(3)[None], np.ones((1, 37, 36, 8)), np.full((1, 8), 94.0),
        np.zeros(1), np.ones((1, n_scenarios)),
    )  # fmt: skip
    return Scene(
        s, tuple(Patch(n, n, (), max(float(a), 1e-3), False) for n, a in zip(names, areas)),
        np.empty((0, 4)), factors, sources, seat_grid(n_seats),
        tuple(["bare"] + [f"scenario {i}" for i in range(1, n_scenarios)]), np.zeros(n_scenarios, int),
        np.full((n_scenarios, 8), 30.0), 343.2, np.array([0.1, 0.1, 0.3, 0.6, 1.1, 2.3, 6.8, 24.0]) * 1e-3,
        float(70 * 36 * 10.5),
    )  # fmt: skip


REFLECTED, PASSED = 0.3, 0.15
"""Of the energy that meets a cloth; half of what is reflected is scattered."""


def hung_hall(masks: np.ndarray, n_faces: int = 500, n_seats: int = 600) -> Scene:
    """The bare hall with twelve free-hanging cloths, 15 m wide and 5 m high, in six lines of two across it.

    masks : (n_scenarios, 12) bool, what hangs in each. A cloth that hangs in none is not there at all.
    """
    bare = scene(n_faces, n_seats)
    n = len(masks)
    there = np.flatnonzero(masks.any(axis=0))
    origin = np.array([[x, y, 3.0] for x in range(15, 70, 10) for y in (2.0, 19.0)])[there]
    s = bare.surfaces
    m = len(there)
    n_patches = len(bare.patches)
    extended = SurfaceArrays(
        np.concatenate([s.origin, origin]),
        np.concatenate([s.edge_u, np.tile([0.0, 15.0, 0.0], (m, 1))]),
        np.concatenate([s.edge_v, np.tile([0.0, 0.0, 5.0], (m, 1))]),
        np.concatenate([s.is_triangle, np.zeros(m, bool)]),
        np.concatenate([s.patch, n_patches + np.arange(m)]).astype(np.int32),
        np.full(len(s.patch) + m, -1, np.int32),
    )
    present = np.array([REFLECTED / 2, REFLECTED / 2, PASSED])[None, :, None, None]
    absent = np.array([0.0, 0.0, 1.0])[None, :, None, None]
    cloths = np.where(masks.T[there][:, None, :, None], present, absent) * np.ones(8)
    sources = bare.sources
    return replace(
        bare,
        surfaces=extended,
        patches=bare.patches
        + tuple(Patch(f"line {i}", f"line {i}", (f"line {i}",), 75.0, True) for i in there),
        factors=np.concatenate([np.repeat(bare.factors, n, axis=2), cloths]),
        sources=replace(sources, active=np.repeat(sources.active, n, axis=1)),
        scenarios=tuple(f"hung {i}" for i in range(n)),
        compare_with=np.zeros(n, int),
        noise=np.repeat(bare.noise, n, axis=0),
    )
