"""Many scenarios from one trace, compared with tracing each separately with the same kernels.

(a) 64 scenarios that differ in absorption: weighting logged paths, compared with tracing and weighting each separately.
(b) 64 masks over 12 free-hanging cloths, at equal standard error: for a scenario the ratio is

    time of all separately / time together x variance separately / variance together,

with the variance in four windows of time and of the speech transmission index, mean over seats. Separately, a scenario
is traced without the cloths that are not hung in it, with its own sampling plan and duration. Figures are computed from
energies in the same way on both sides, so that their time is omitted from both. The time in which the system allocates
memory, which depends on earlier work, is omitted as well: paths are weighted twice, and the second time is counted.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from cases import hung_hall
from cases import scene as hall_scene
from harness import arguments, disagree, finish, table
from scipy import stats

from roomsim.decay.response import Arrivals, EnergyResponse
from roomsim.metrics.evaluate import evaluate
from roomsim.scene.scene import Scene
from roomsim.study.convergence import sharing_message
from roomsim.study.evaluator import SUMS_AT_A_TIME, Evaluator, evaluation_blocks
from roomsim.study.traced_paths import N_REPLICATES, prepare_tracing
from roomsim.tracing.replay import EnergyBuffer, Replay

K = 64
N_CLOTHS = 12
WINDOWS = (0.0, 0.05, 0.3, 0.6, 1.0)
BAND = 4
STI = "speech_transmission_index"
EVERY = 8
"""Every eighth seat is enough to compare indices."""
FALSE_ALARM = 1e-4
"""That the comparison of energies stops a correct program."""


@dataclass
class Measured:
    trace: float
    """s of processor time."""
    weigh: float
    level: np.ndarray
    """(n_replicates, n_windows, n_scenarios): mean over seats of the energy in each window."""
    variance: np.ndarray
    """(n_windows + 1, n_scenarios): mean over seats, relative for energies; of the index last."""
    one_sum: float
    """s of processor time for weighing in one sum without errors, as draws of uncertain input are."""
    plan: str
    """What the planner decided."""


def measure(scene: Scene, seed: int, n_rounds: int) -> Measured:
    """Trace `n_rounds` and weigh for all scenarios, in one thread."""
    setup = prepare_tracing(scene, seed, 0, threads=1)
    trace = -time.process_time()
    engine = Evaluator(setup.trace(n_rounds))
    trace += time.process_time()
    blocks, sums = (evaluation_blocks(scene, len(setup.edges) - 1, n) for n in (N_REPLICATES, SUMS_AT_A_TIME))
    level, variance = [], []
    for scenarios, receivers in blocks:
        if receivers != slice(0, scene.receivers.n_receivers):
            raise ValueError("seats in several blocks are not provided for here")
        response = engine.response(scenarios, receivers)
        cuts = [int(np.argmin(np.abs(response.bin_edges - t))) for t in WINDOWS]
        late = np.stack([response.late[:, :, a:b, :, BAND].sum(axis=2) for a, b in pairwise(cuts)], axis=2)
        level.append(late.mean(axis=1, dtype=float))
        relative = late.var(axis=0, ddof=1) / np.maximum(late.mean(axis=0) ** 2, 1e-30)
        some = _every(response, EVERY)
        estimate = evaluate(some, scene.noise[scenarios], metrics=[STI])[STI].estimate()
        squared = (estimate.standard_error**2).mean(axis=0)
        variance.append(np.concatenate([relative.mean(axis=0), squared[None]]))
    # Blocks follow the groups in which scenarios were traced.
    order = np.argsort(np.concatenate([scenarios for scenarios, _ in blocks]))
    level, variance = (np.concatenate(x, axis=-1)[..., order] for x in (level, variance))
    weigh, one_sum = _weigh(engine, N_REPLICATES, blocks), _weigh(engine, 1, sums)
    return Measured(trace, weigh, level, variance, one_sum, sharing_message(setup))


def _weigh(engine: Evaluator, n_replicates: int, blocks: list[tuple[np.ndarray, slice]]) -> float:
    """s of processor time from logs to energies, the second time."""
    n_batches, room = N_REPLICATES * engine.paths.n_rounds // n_replicates, EnergyBuffer()
    batches = [range(r, n_batches * n_replicates, n_replicates) for r in range(n_replicates)]
    logs = [list(engine.paths.logs(of_replicate, [0])) for of_replicate in batches]
    for _ in range(2):
        began = time.process_time()
        for scenarios, receivers in blocks:
            replay = Replay(engine.scene, engine.plan, engine.edges, scenarios, receivers)
            replay.late(n_replicates, n_batches, lambda r: logs[r], buffer=room)
        spent = time.process_time() - began
    return spent


def _every(response: EnergyResponse, step: int) -> EnergyResponse:
    seats = np.arange(0, response.n_receivers, step)
    parts = [response.arrivals.of(slice(seat, seat + 1)) for seat in seats]
    arrivals = Arrivals(
        np.cumsum([0, *(len(part.time) for part in parts)]),
        np.concatenate([part.time for part in parts]),
        np.concatenate([part.energy for part in parts]),
    )
    return EnergyResponse(
        response.bin_edges, response.late[:, seats], arrivals, response.direct[seats], response.early_modulation[seats]
    )


def only(scene: Scene, scenario: int) -> Scene:
    one = slice(scenario, scenario + 1)
    return replace(
        scene, factors=scene.factors[:, :, one], scenarios=scene.scenarios[one], noise=scene.noise[one],
        sources=replace(scene.sources, active=scene.sources.active[:, one]), compare_with=np.zeros(1, int),
    )  # fmt: skip


def z_scores(together: Measured, k: int, alone: Measured) -> np.ndarray:
    """(n_windows,) of the energies of scenario `k`, together against alone, rays of their own on either
    side."""
    a, b = together.level[:, :, k], alone.level[:, :, 0]
    error = np.sqrt((a.var(axis=0, ddof=1) + b.var(axis=0, ddof=1)) / N_REPLICATES)
    return (a.mean(axis=0) - b.mean(axis=0)) / error


def check(what: str, z: np.ndarray) -> None:
    limit = stats.t.isf(FALSE_ALARM / 2 / z.size, N_REPLICATES - 1)
    print(
        f"{what}: {z.size} z scores, rms {np.sqrt((z**2).mean()):.2f}, largest {np.abs(z).max():.2f} of {limit:.2f}"
    )
    if np.abs(z).max() > limit:
        disagree(f"{what}: energies together and separately")


def absorption(quick: bool, rows: list, ratios: dict) -> None:
    scene = hall_scene(500, 200 if quick else 600, K)
    n_rounds = 2
    together = measure(scene, 1, n_rounds)
    chosen = np.linspace(0, K - 1, 4 if quick else 16).astype(int)
    alone = [measure(only(scene, k), 100 + k, n_rounds) for k in chosen]
    check("absorption", np.array([z_scores(together, k, a) for k, a in zip(chosen, alone)]))
    trace = np.array([a.trace for a in alone])
    weigh = np.array([a.weigh for a in alone])
    index = np.array([a.variance[-1, 0] / together.variance[-1, k] for k, a in zip(chosen, alone)])
    by_replay = K * (trace + weigh).mean() / together.weigh
    in_one_sum = K * (trace + np.array([a.one_sum for a in alone])).mean() / together.one_sum
    in_one_sum_bare = K * (trace[0] + alone[0].one_sum) / together.one_sum
    in_all = K * (trace + weigh).mean() / (together.trace + together.weigh)
    rows += [
        ["tracing each separately, s, mean", float(trace.mean())],
        ["  the bare hall", float(trace[0])],
        ["weighting it separately, s, mean", float(weigh.mean())],
        ["one trace for all, s", together.trace],
        [f"weighting for {K}, s", together.weigh],
        ["weighing logged paths against tracing", by_replay],
        [
            "the same, every scenario as reverberant as the bare hall",
            K * (trace[0] + weigh[0]) / together.weigh,
        ],
        [f"weighing for {K} in one sum, s", together.one_sum],
        ["weighing in one sum against tracing", in_one_sum],
        ["the same, every scenario as reverberant as the bare hall", in_one_sum_bare],
        ["trace and weighing against tracing", in_all],
        ["the same at equal error of the index, worst", in_all * index.min()],
    ]
    ratios["absorption_replay_over_tracing"] = by_replay
    ratios["absorption_replay_over_tracing_bare"] = K * (trace[0] + weigh[0]) / together.weigh
    ratios["absorption_one_sum_over_tracing"] = in_one_sum
    ratios["absorption_one_sum_over_tracing_bare"] = in_one_sum_bare
    ratios["absorption_in_all"] = in_all


def masks_of(n: int) -> np.ndarray:
    """(n, 12) bool: none, all, each alone, the rest at random."""
    rng = np.random.default_rng(5)
    masks = rng.random((n, N_CLOTHS)) < 0.5
    masks[0], masks[1] = False, True
    masks[2 : 2 + N_CLOTHS] = np.eye(N_CLOTHS, dtype=bool)
    return masks


def cloths(quick: bool, rows: list, ratios: dict) -> None:
    n_seats = 150 if quick else 600
    n_rounds = 1
    masks = masks_of(K)
    together = measure(hung_hall(masks, n_seats=n_seats), 1, n_rounds)
    if quick:
        # None, all, those that vary most in the last window or in the index, and some more for the mean of the times.
        most = np.unique(np.concatenate([np.argsort(-together.variance[w])[:2] for w in (-2, -1)]))
        chosen = np.unique([0, 1, 2, *most, *range(13, K, 8)])
    else:
        chosen = np.arange(K)
    alone = [measure(hung_hall(masks[[k]], n_seats=n_seats), 100 + k, n_rounds) for k in chosen]
    print(together.plan)
    check("cloths", np.array([z_scores(together, k, a) for k, a in zip(chosen, alone)]))
    seconds = np.array([a.trace + a.weigh for a in alone])
    times = K * seconds.mean() / (together.trace + together.weigh)
    variance = np.array([a.variance[:, 0] / together.variance[:, k] for k, a in zip(chosen, alone)])
    gain = times * variance
    names = [f"{1000 * a:.0f} to {1000 * b:.0f} ms" for a, b in pairwise(WINDOWS)] + ["STI"]
    rows += [["tracing each separately, s, mean", float(seconds.mean())], ["one trace for all, s", together.trace]]
    rows += [[f"weighting for {K}, s", together.weigh], ["time separately / together", float(times)]]
    for w, name in enumerate(names):
        worst = int(gain[:, w].argmin())
        label = f"{name}: worst of {len(chosen)} (mask {chosen[worst]}), nothing hung, median"
        rows.append([label, f"{gain[worst, w]:.3g}, {gain[0, w]:.3g}, {np.median(gain[:, w]):.3g}"])
        rows.append(["  variance together / separately of the worst", float(1.0 / variance[worst, w])])
        by_its_time = K * seconds / (together.trace + together.weigh) * variance[:, w]
        rows.append(["  worst if its own time counted for all", float(by_its_time.min())])
        ratios[f"cloths_worst_{name.replace(' ', '_')}"] = gain[worst, w]
    ratios["cloths_worst"] = gain.min()


def main() -> None:
    options = arguments(__doc__)
    rows: list = []
    ratios: dict[str, float] = {}
    # Compiled code is read from disk, or compiled, at the first call.
    measure(hung_hall(masks_of(K)[:2], n_seats=20), 1, 1)
    rows.append([f"(a) {K} absorption scenarios", ""])
    absorption(options.quick, rows, ratios)
    rows.append([f"(b) {K} masks over {N_CLOTHS} cloths, equal standard error", ""])
    cloths(options.quick, rows, ratios)
    table(["", ""], rows)
    finish(ratios)


if __name__ == "__main__":
    main()
