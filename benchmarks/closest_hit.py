"""Closest hits per second, compared with Embree through its Python binding, on the same rays, mesh and threads.

Embree here means the `embreex` binding, called directly with large arrays of rays. The binding passes Embree one ray at
a time and copies the results; Embree itself can be faster.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
from cases import scattered_rays, surfaces, triangles
from harness import arguments, best_times, disagree, finish, table

from roomsim.tracing._closest import find_hits
from roomsim.tracing.geometry import pack_geometry


def main() -> None:
    options = arguments(__doc__)
    from embreex import rtcore_scene
    from embreex.mesh_construction import TriangleMesh

    n_rays = 100_000 if options.quick else 400_000
    turns = 4 if options.quick else 8
    rows, ratios = [], {}
    for label, n_faces in (("500", 500), ("5k", 5_000), ("50k", 50_000)):
        s = surfaces(n_faces)
        mesh = triangles(s)
        origins, directions, start = scattered_rays(s, n_rays)
        # Embree cannot leave out the face that a ray starts on: it starts a tenth of a millimetre on.
        moved = origins + np.float32(1e-4) * directions
        embree = rtcore_scene.EmbreeScene()
        TriangleMesh(embree, mesh)
        geometry = pack_geometry(s)

        theirs = embree.run(moved, directions, output=True)
        distance, _ = find_hits(origins, directions, geometry, start)
        apart = np.abs(theirs["tfar"] + 1e-4 - distance) > 0.02
        # Rays within a fraction of a millimetre of an edge may take either side.
        if apart.mean() > 1e-3:
            disagree(f"{apart.mean():.2e} of the rays at {len(mesh)} faces")

        for threads in (1, 2):
            parts = np.array_split(np.arange(n_rays), threads)
            views = [slice(p[0], p[-1] + 1) for p in parts]
            with ThreadPoolExecutor(threads) as pool:

                def ours(pool=pool, views=views):
                    list(pool.map(lambda v: find_hits(origins[v], directions[v], geometry, start[v]), views))

                def embreex(pool=pool, views=views):
                    list(pool.map(lambda v: embree.run(moved[v], directions[v], output=True), views))

                best = best_times(turns, embreex=embreex, ours=ours)
            ratio = best["embreex"] / best["ours"]
            ratios[f"{label}_{threads}_threads"] = ratio
            per_ray = {k: v / n_rays * 1e9 for k, v in best.items()}
            rows.append(
                [len(mesh), threads, per_ray["embreex"], per_ray["ours"], ratio, f"{apart.mean():.1e}"]
            )
    table(["faces", "threads", "Embree via Python, ns/ray", "ours, ns/ray", "ratio", "apart > 2 cm"], rows)
    finish(ratios)


if __name__ == "__main__":
    main()
