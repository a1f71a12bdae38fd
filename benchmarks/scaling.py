"""Time and memory as functions of faces, seats, scenarios and threads, each with its measured exponent, the slope of
the logarithms over the second half of its range: 1 means proportional, 0 independent.

Times are processor time of one thread, except in the comparison of threads. Memory is the peak of the process, measured
in a separate run.
"""

from __future__ import annotations

import gc
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from unittest.mock import patch

import numpy as np
from cases import scene as hall_scene
from harness import arguments, disagree, finish, table

from roomsim.scene.scene import Scene
from roomsim.study import traced_paths
from roomsim.study.evaluator import Evaluator, evaluation_blocks
from roomsim.study.traced_paths import N_REPLICATES, RAYS_PER_BATCH, prepare_tracing
from roomsim.tracing.geometry import pack_geometry
from roomsim.tracing.replay import EnergyBuffer, Replay
from roomsim.tracing.sampling_plan import sampling_plan
from roomsim.tracing.trace import Tracer

DURATION = 2.0
STI = "speech_transmission_index"
MB = 1e6
STATUS = Path("/proc/self/status")


def spent(work: Callable[[], object], turns: int = 1) -> float:
    best = np.inf
    for _ in range(turns):
        started = time.process_time()
        work()
        best = min(best, time.process_time() - started)
    return best


def peak(work: Callable[[], object]) -> float:
    """MB of memory at the highest, beyond what was there before (Linux counts it; elsewhere not a number)."""
    if not STATUS.exists():
        return np.nan
    gc.collect()
    Path("/proc/self/clear_refs").write_text("5")  # forget the highest so far
    before = _kilobytes("VmRSS")
    work()
    return (_kilobytes("VmHWM") - before) * 1024 / MB


def _kilobytes(what: str) -> float:
    return float(dict(line.split(":", 1) for line in STATUS.read_text().splitlines())[what].split()[0])


def exponent(sizes: list[int], values: list[float]) -> float:
    half = len(sizes) // 2
    return float(np.polyfit(np.log(sizes[half:]), np.log(np.maximum(values[half:], 1e-9)), 1)[0])


def bare(scene: Scene) -> Scene:
    return replace(
        scene,
        factors=scene.factors[:, :, :1],
        scenarios=scene.scenarios[:1],
        noise=scene.noise[:1],
        sources=replace(scene.sources, active=scene.sources.active[:, :1]),
        compare_with=scene.compare_with[:1],
    )


def faces(sizes: list[int], n_rays: int) -> tuple[list, dict]:
    rows, build, segment, size = [], [], [], []
    for n in sizes:
        scene = hall_scene(n, 600)
        build.append(spent(lambda s=scene: pack_geometry(s.surfaces)))
        tracer = Tracer(scene, sampling_plan(scene), 1, 0, DURATION)
        log = tracer.trace(0, 0, n_rays)
        segment.append(spent(lambda t=tracer: t.trace(0, 0, n_rays), 3) / log.n_segments * 1e9)
        g = tracer.geometry
        size.append(sum(a.nbytes for a in (g.nodes, g.children, g.packs, g.primitives)) / MB)
        rows.append(
            [
                f"{n} faces",
                f"tree {build[-1]:.2f} s",
                f"{segment[-1]:.0f} ns a segment",
                f"tree {size[-1]:.2f} MB",
            ]
        )
    found = {
        "tree_time": exponent(sizes, build),
        "segment": exponent(sizes, segment),
        "tree_memory": exponent(sizes, size),
    }
    return rows, {f"faces_{k}": v for k, v in found.items()}


def engine_of(scene: Scene, rays_per_batch: int = RAYS_PER_BATCH) -> Evaluator:
    with patch.object(traced_paths, "RAYS_PER_BATCH", rays_per_batch):
        return Evaluator(prepare_tracing(scene, 1, 0, threads=1).trace(1))


def weighing(engine: Evaluator) -> float:
    """s of processor time to weight all paths for all seats and scenarios."""
    blocks = evaluation_blocks(engine.scene, len(engine.edges) - 1, N_REPLICATES)
    return sum(spent(lambda block=block: engine.response(*block)) for block in blocks)


def bytes_of_logs(engine: Evaluator) -> int:
    """Of all batches."""
    setup = engine.paths.setup
    logs = engine.paths.logs(range(engine.paths.n_batches), setup.sources)
    return sum(v.nbytes for log in logs for v in vars(log).values() if isinstance(v, np.ndarray))


def many_seats(sizes: list[int], rays_per_batch: int) -> tuple[list, dict]:
    rows, trace, weigh, figures, memory, logs = [], [], [], [], [], []
    for n in sizes:
        scene = bare(hall_scene(500, n))
        trace.append(spent(lambda s=scene: engine_of(s, rays_per_batch)))
        engine = engine_of(scene, rays_per_batch)
        logs.append(bytes_of_logs(engine) / MB)
        weigh.append(weighing(engine))
        figures.append(spent(lambda e=engine: e.evaluate([STI])) - weigh[-1])
        memory.append(peak(lambda paths=engine.paths: Evaluator(paths).evaluate([STI])))
        rows.append([
            f"{scene.receivers.n_receivers} seats", f"trace {trace[-1]:.2f} s",
            f"weigh {weigh[-1]:.2f} s, index {figures[-1]:.2f} s", f"{memory[-1]:.0f} MB, logs {logs[-1]:.0f} MB",
        ])  # fmt: skip
    found = {"trace": trace, "weigh": weigh, "figures": figures, "memory": memory, "logs": logs}
    return rows, {f"seats_{k}": exponent(sizes, v) for k, v in found.items()}


def many_scenarios(sizes: list[int], n_seats: int, rays_per_batch: int) -> tuple[list, dict]:
    rows, trace, weigh, figures, memory = [], [], [], [], []
    for n in sizes:
        scene = hall_scene(500, n_seats, n)
        trace.append(spent(lambda s=scene: engine_of(s, rays_per_batch)))
        engine = engine_of(scene, rays_per_batch)
        weigh.append(weighing(engine))
        figures.append(spent(lambda e=engine: e.evaluate([STI])) - weigh[-1])
        memory.append(peak(lambda paths=engine.paths: Evaluator(paths).evaluate([STI])))
        rows.append([
            f"{n} scenarios", f"trace {trace[-1]:.2f} s", f"weigh {weigh[-1]:.2f} s, index {figures[-1]:.2f} s",
            f"{memory[-1]:.0f} MB",
        ])  # fmt: skip
    found = {"trace": trace, "weigh": weigh, "figures": figures, "memory": memory}
    return rows, {f"scenarios_{k}": exponent(sizes, v) for k, v in found.items()}


def threads(quick: bool) -> tuple[list, dict]:
    """Wall time of one and of two threads in turn, best of some: other work on the machine spoils it."""
    scene = hall_scene(500, 300, 16)

    def run(n: int) -> tuple[float, float, np.ndarray]:
        setup = prepare_tracing(scene, 1, 0, threads=n)
        started = time.perf_counter()
        setup.trace(1)
        traced = time.perf_counter() - started
        ((scenarios, receivers),) = evaluation_blocks(scene, len(setup.edges) - 1, N_REPLICATES)
        logs = [[setup.log(0, batch)] for batch in range(N_REPLICATES)]
        replay, room = Replay(scene, setup.plan, setup.edges, scenarios, receivers), EnergyBuffer()
        for _ in range(2):  # the second time with memory at hand
            started = time.perf_counter()
            late = replay.late(N_REPLICATES, 1, lambda r: logs[r], n, buffer=room)
            weighed = time.perf_counter() - started
        return traced, weighed, late

    best = {n: [np.inf, np.inf] for n in (1, 2)}
    results = {}
    for _ in range(3 if quick else 8):
        for n in best:
            *taken, results[n] = run(n)
            best[n] = [min(a, b) for a, b in zip(best[n], taken)]
    if not np.array_equal(results[1], results[2]):
        disagree("one thread and two")
    rows, found = [], {}
    for i, what in enumerate(("trace", "weigh")):
        found[f"threads_{what}_efficiency"] = best[1][i] / best[2][i] / 2
        one, two = best[1][i], best[2][i]
        rows.append(
            [
                f"2 threads, {what}",
                f"{one:.2f} s, {two:.2f} s",
                f"efficiency {one / two / 2:.2f}",
                "bits equal",
            ]
        )
    return rows, found


def wall(n_seats: int, bytes_a_ray: float) -> list[str]:
    """Where memory ends first, by the arithmetic of what is kept, for the seats of the largest study."""
    kept = 4 * N_REPLICATES * n_seats * 8
    return [
        f"Figures per band take {kept / MB:.1f} MB per scenario ({N_REPLICATES} replicates, {n_seats} seats, 8 bands):",
        f"  all figures of 512 scenarios take {13 * 512 * kept / 1e9:.0f} GB, which is the first limit reached.",
        "Energies are computed in blocks of bounded size.",
        f"Logs grow with rays, {bytes_a_ray / 1e3:.1f} kB each, and are stored on disk.",
    ]


def main() -> None:
    options = arguments(__doc__)
    quick = options.quick
    engine_of(hall_scene(100, 20, 2), 64).evaluate([STI])
    parts = [
        faces([300, 3000, 30_000] if quick else [300, 1000, 3000, 10_000, 30_000, 100_000, 300_000], 2048),
        many_seats(
            [100, 600, 2000] if quick else [100, 300, 1000, 3000, 10_000], 512 if quick else RAYS_PER_BATCH
        ),
        many_scenarios(
            [1, 8, 32] if quick else [1, 4, 16, 64, 256, 512], 100 if quick else 600, 512 if quick else 4096
        ),
        threads(quick),
    ]
    rows, ratios = [], {}
    for more, found in parts:
        rows += [
            *more,
            ["  exponents", ", ".join(f"{k.split('_', 1)[1]} {v:.2f}" for k, v in found.items()), "", ""],
        ]
        ratios |= found
    table(["", "", "", ""], rows)
    engine = engine_of(bare(hall_scene(500, 600)), 512)
    bytes_a_ray = bytes_of_logs(engine) / engine.paths.n_rays
    print("\n".join(wall(689, bytes_a_ray)))
    finish(ratios)


if __name__ == "__main__":
    main()
