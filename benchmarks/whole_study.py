"""The demonstration study compared with a plain tracer (plain_tracer.py), at equal standard error of the gain in the
speech transmission index.

For roomsim everything that a run computes for this figure is counted, from the compiled scene to gains with errors:
tracing to the first round, image sources, weighting for all scenarios, and figures with their replicates. For the plain
tracer only tracing is counted, each scenario by itself with independent random numbers; the computation of the figures
is not counted, and its rays are divided optimally between a scenario and its reference. Its time is assumed to be
inversely proportional to the variance, which is exact for independent rays.

Both must first agree on levels and on the index within their errors.
"""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from cases import scene as hall_scene
from harness import arguments, disagree, finish, table
from plain_tracer import PlainTracer
from scipy import optimize, stats

from roomsim.estimate import Estimate
from roomsim.metrics.evaluate import evaluate
from roomsim.metrics.replicated import Replicated, mean_of_seats
from roomsim.scene.compile import compile_scene
from roomsim.scene.scene import Scene, SourceArrays
from roomsim.study.evaluator import Evaluator
from roomsim.study.traced_paths import prepare_tracing
from roomsim.venue.reading import read_study

STUDY = Path(__file__).parents[1] / "geometry" / "depot" / "study.toml"
STI, LEVEL = "speech_transmission_index", "a_weighted_level"
N_REPLICATES = 20
"""Of the plain tracer."""
FALSE_ALARM = 1e-4
FINE_ENOUGH = 0.003
"""A tenth of the just noticeable difference: a standard error of a gain below it serves nobody."""


def ours(scene: Scene, seed: int, order: int) -> tuple[Estimate, dict[str, Replicated], float, Evaluator]:
    """Gains (n_receivers, n_scenarios), index and levels, s of processor time to the gains."""
    started = time.process_time()
    engine = Evaluator(prepare_tracing(scene, seed, order, threads=1).trace(1))
    index = engine.evaluate([STI])[STI]
    gain = index.difference(index.scenarios(scene.compare_with)).estimate()
    spent = time.process_time() - started
    return gain, {STI: index, **engine.evaluate([LEVEL])}, spent, engine


def plain(scene: Scene, scenario: int, n_rays: int, duration: float) -> tuple[dict[str, Replicated], float]:
    """Index and levels (n_receivers, 1), and s of processor time for the tracing."""
    started = time.process_time()
    response = PlainTracer(scene, scenario, duration).response(N_REPLICATES, n_rays, seed=1000 + scenario)
    spent = time.process_time() - started
    return evaluate(response, scene.noise[[scenario]], metrics=[STI, LEVEL]), spent


def compare(mine: dict[str, Replicated], theirs: dict[str, Replicated], scenario: int) -> list[float]:
    """z scores of the mean over seats, index and level; stops if the seats scatter more than their errors
    say."""
    z = []
    for name in (STI, LEVEL):
        a, b = mine[name].scenarios([scenario]), theirs[name]
        one, other = a.over_seats(mean_of_seats).estimate(), b.over_seats(mean_of_seats).estimate()
        z.append(float((one.value - other.value)[0] / np.hypot(one.standard_error, other.standard_error)[0]))
        one, other = a.estimate(), b.estimate()
        seats = (one.value - other.value) / np.hypot(one.standard_error, other.standard_error)
        rms = np.sqrt(np.nanmean(seats**2))
        # Student's t of 19 degrees has a root mean square of 1.06; seats that share rays let it stray a
        # little.
        if not 0.8 < rms < 1.4:
            disagree(f"seats scatter by {rms:.2f} of their errors, {name}")
    return z


def plain_time(seconds: np.ndarray, variance: np.ndarray, wanted: np.ndarray, reference: np.ndarray) -> float:
    """Least s for the plain tracer to reach the variances wanted of all gains.

    seconds, variance (n,): of one unit of rays in each scenario; wanted (n,): variance of each gain, infinite
    for scenarios without; reference (n,): what each is compared with. With r units of rays in a reference
    whose variance is v, a scenario needs variance / (wanted - v / r) units; r is chosen best.
    """
    references = [k for k in np.unique(reference) if np.any(np.isfinite(wanted) & (reference == k))]

    def units(log_r: np.ndarray) -> np.ndarray:
        given = dict(zip(references, np.exp(log_r)))
        needed = np.zeros(len(seconds))
        for k in range(len(seconds)):
            if np.isfinite(wanted[k]):
                left = wanted[k] - variance[reference[k]] / given[reference[k]]
                needed[k] = variance[k] / left if left > 0 else 1e12
        for k, r in given.items():
            needed[k] = max(needed[k], r)
        return needed

    def most(k: int) -> float:
        return min(w for w, r in zip(wanted, reference) if r == k and np.isfinite(w))

    start = np.array([np.log(2 * variance[k] / most(k)) for k in references])
    best = optimize.minimize(lambda x: np.log(units(x) @ seconds), start, method="Nelder-Mead")
    return float(units(best.x) @ seconds)


def treatments(scene: Scene) -> Scene:
    """The scenarios that change surfaces and leave the sources as their reference has them, with their references;
    the sources that play in them, by balloon and energy alone, as the plain tracer knows them.

    Scenarios that change the system are left out: where a change hardly touches the index, our error of the gain is
    next to nothing, and any ratio could be shown.
    """
    sources, reference = scene.sources, scene.compare_with
    changes = [
        k
        for k, r in enumerate(reference)
        if not np.array_equal(scene.factors[:, :, k], scene.factors[:, :, r])
        and np.array_equal(sources.active[:, k], sources.active[:, r])
    ]
    kept = sorted({*changes, *reference[changes].tolist()})
    place = {k: i for i, k in enumerate(kept)}
    on = (sources.active[:, kept] > 0).any(axis=1)
    per_source = {
        name: getattr(sources, name)[on] for name in ("position", "axes", "balloon", "level", "delay")
    }
    return replace(
        scene,
        factors=scene.factors[:, :, kept],
        noise=scene.noise[kept],
        scenarios=tuple(scene.scenarios[k] for k in kept),
        # The reference of a kept scenario that is no change itself is itself.
        compare_with=np.array([place[reference[k]] if k in changes else place[k] for k in kept]),
        sources=SourceArrays(
            tuple(np.array(sources.names)[on]), active=sources.active[on][:, kept], **per_source
        ),
    )


def main() -> None:
    options = arguments(__doc__)
    study = read_study(STUDY)
    scene = treatments(compile_scene(study))
    document = study.document
    ours(hall_scene(100, 20, 2), 1, 0)  # compiled code comes from disk
    gain, figures, spent, engine = ours(scene, document.seed, document.image_order)
    duration = float(engine.edges[-1])

    wanted = np.nanmean(gain.standard_error**2, axis=0)
    reference = scene.compare_with
    with_gain = reference != np.arange(scene.n_scenarios)
    own = np.flatnonzero(with_gain)
    if options.quick:
        # One that is known as well as most, and the one that is known worst, with their references.
        order = own[np.argsort(wanted[own])]
        own = np.array([order[len(order) // 2], order[-1]])
    traced = np.unique(np.concatenate([own, reference[own]]))
    n_rays = 1500 if options.quick else 8000
    seconds, variance = np.full(scene.n_scenarios, np.nan), np.full(scene.n_scenarios, np.nan)
    rows, z = [], []
    for k in traced:
        theirs, seconds[k] = plain(scene, k, n_rays, duration)
        z += compare(figures, theirs, k)
        variance[k] = np.nanmean(theirs[STI].estimate().standard_error ** 2)
    limit = stats.t.isf(FALSE_ALARM / 2 / len(z), N_REPLICATES - 1)
    print(
        f"means over seats of index and level: {len(z)} z scores, largest {np.abs(z).max():.1f} of {limit:.1f}"
    )
    if np.abs(z).max() > limit:
        disagree("index or level")
    # Scenarios that were not traced count as the mean of those that were.
    seconds[np.isnan(seconds)] = np.nanmean(seconds)
    variance[np.isnan(variance)] = np.nanmean(variance)
    target = np.where(with_gain, wanted, np.inf)
    needed = plain_time(seconds, variance, target, reference)
    eased = plain_time(seconds, variance, np.maximum(target, FINE_ENOUGH**2), reference)
    for k in own:
        r = reference[k]
        alone = plain_time(seconds[[r, k]], variance[[r, k]], np.array([np.inf, wanted[k]]), np.array([0, 0]))
        rows.append([
            scene.scenarios[k], float(np.sqrt(wanted[k])), float(np.sqrt(variance[k])), float(seconds[k]), alone,
        ])  # fmt: skip
    table(
        ["scenario", "our error of its gain", "plain error of its STI", "in s", "plain: this gain alone, s"],
        rows,
    )
    print(f"ours: {spent:.1f} s of processor time, {engine.paths.n_rays} rays for {scene.n_scenarios} scenarios")
    print(
        f"plain: {needed:.0f} s for the {with_gain.sum()} gains; {eased:.0f} s where {FINE_ENOUGH} is fine enough"
    )
    finish({"whole_study": needed / spent, "whole_study_fine_enough": eased / spent})


if __name__ == "__main__":
    main()
