"""Sampling choices: standard deviation times the square root of processor time, for the STI, clarity, reverberation
time and level. Lower is better; half the value corresponds to a quarter of the rays.

Each line changes one choice of the engine. Errors are medians over seats of the jackknife errors; the time is that of
tracing and weighting in one thread, without the computation of figures, which is the same for every line. Before a line
is reported, its means over seats must agree with those of the first line within their errors.
"""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from unittest.mock import patch

import numpy as np
from cases import hung_hall
from cases import scene as hall_scene
from harness import arguments, disagree, finish, table
from scipy import stats

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from repeated_runs import panelled_hall, seated_hall, soft_hall

from roomsim.metrics.replicated import Replicated, mean_of_seats
from roomsim.scene.scene import Scene
from roomsim.study import traced_paths
from roomsim.study.evaluator import Evaluator, evaluation_blocks
from roomsim.study.traced_paths import N_REPLICATES, prepare_tracing
from roomsim.tracing import emission, sampling_plan, trace

FIGURES = {
    "STI": "speech_transmission_index",
    "C50, dB": "clarity_c50",
    "T20, s": "reverberation_time_t20",
    "level, dB": "sound_pressure_level",
}
BANDS = (3, 4)
"""500 Hz and 1 kHz."""
FALSE_ALARM = 1e-4


@dataclass
class Line:
    errors: np.ndarray
    """(4,) median over seats of the standard error, worst scenario."""
    figures: dict[str, Replicated]
    seconds: float

    @property
    def score(self) -> np.ndarray:
        return self.errors * np.sqrt(self.seconds)


def measure(scene: Scene, order: int, n_rounds: int, seed: int, bands: tuple[int, ...] = BANDS) -> Line:
    started = time.process_time()
    engine = Evaluator(prepare_tracing(scene, seed, order, threads=1).trace(n_rounds))
    tracing = time.process_time() - started
    got = engine.evaluate(list(FIGURES.values()))
    # Once more, with the memory at hand.
    weighing = -time.process_time()
    for block in evaluation_blocks(scene, len(engine.edges) - 1, N_REPLICATES):
        engine.response(*block)
    weighing += time.process_time()
    figures = {label: got[name] for label, name in FIGURES.items()}
    figures = {k: f if f.full.ndim == 2 else _mean_over(f, bands) for k, f in figures.items()}
    errors = [np.nanmedian(f.estimate().standard_error, axis=0).max() for f in figures.values()]
    return Line(np.array(errors), figures, tracing + weighing)


def _mean_over(figure: Replicated, bands: tuple[int, ...]) -> Replicated:
    full, left_out = (part[..., list(bands)].mean(axis=-1) for part in (figure.full, figure.left_out))
    return Replicated(full, left_out)


def z_scores(a: Line, b: Line) -> np.ndarray:
    z = []
    for label in FIGURES:
        one, other = (x.figures[label].over_seats(mean_of_seats).estimate() for x in (a, b))
        z.append((one.value - other.value) / np.hypot(one.standard_error, other.standard_error))
    return np.array(z)


@contextlib.contextmanager
def patched(*changes: tuple[object, str, object]) -> Iterator[None]:
    with contextlib.ExitStack() as stack:
        for place, name, value in changes:
            stack.enter_context(patch.object(place, name, value))
        yield


class RandomEmission(emission.Emission):
    """Directions of the same density, each drawn by itself: at random out of a lattice of very many."""

    POOL = 2**19
    _pool: tuple[np.ndarray, np.ndarray] | None = None
    """Drawn once for the one source of this table, before anything is timed."""

    def fill(self) -> None:
        RandomEmission._pool = super().draw(0, 0, 0, self.POOL)

    def draw(self, seed: int, source: int, batch: int, n_rays: int) -> tuple[np.ndarray, np.ndarray]:
        assert self._pool is not None
        chosen = np.random.default_rng((seed, source, batch)).integers(self.POOL, size=n_rays)
        directions, weights = self._pool
        return directions[chosen], weights[chosen] * np.float32(self.POOL / n_rays)


def mirrored(scene: Scene) -> Scene:
    """The hall with its large planes as mirrors."""
    s = scene.surfaces
    normal = np.cross(s.edge_u, s.edge_v)
    area = np.linalg.norm(normal, axis=1)
    normal /= area[:, None]
    planes = np.concatenate([normal, -np.einsum("ij,ij->i", normal, s.origin)[:, None]], axis=1)
    planes *= np.sign(planes[np.arange(len(planes)), np.abs(planes[:, :3]).argmax(axis=1)])[:, None]
    large = np.flatnonzero(area > 40.0)
    unique, which = np.unique(planes[large].round(6), axis=0, return_inverse=True)
    mirror = np.full(len(area), -1, np.int32)
    mirror[large] = which.reshape(-1)
    return replace(scene, surfaces=replace(s, mirror=mirror), mirror_planes=unique)


def beamed(scene: Scene) -> Scene:
    """The source sends 20 dB less behind than ahead, narrower the higher the band."""
    polar = np.linspace(0.0, np.pi, 37)[:, None]
    sharpness = np.array([0.0, 0.5, 1, 2, 4, 8, 16, 32])
    ahead = np.maximum(np.clip(np.cos(polar / 2), 0.0, 1.0) ** (2 * sharpness), 0.01)
    balloon = np.broadcast_to(ahead[None, :, None], (1, 37, 36, 8)).copy()
    return replace(scene, sources=replace(scene.sources, balloon=balloon))


def with_radius(scene: Scene, radius: float) -> Scene:
    return replace(scene, receivers=replace(scene.receivers, radius=radius))


def one_way(scene: Scene) -> object:
    """Through cloth or back, never both: only the state is left that wants no more than one branch."""
    full = sampling_plan.sampling_plan(scene)
    start = np.zeros_like(full.initial_state)
    start[np.flatnonzero(full.sent_energy.any(axis=(0, 1)))[-1]] = 1.0
    return replace(full, initial_state=start)


def choices(n_seats: int) -> list[tuple[str, Scene, int, list[tuple[str, Scene, int, list]]]]:
    """Groups: what is kept (scene, image order), then its rivals (scene, image order, changes)."""
    hall = mirrored(hall_scene(500, n_seats))
    horn = beamed(hall)
    RandomEmission(horn.sources, 0).fill()
    rng = np.random.default_rng(3)
    cloths = hung_hall(
        np.concatenate([np.zeros((1, 12), bool), rng.random((23, 12)) < 0.4]), n_seats=n_seats // 4
    )

    def off_at(level: float, power: float = 0.5) -> list:
        return [(sampling_plan, name, (level, power)) for name in ("ROULETTE", "ROULETTE_OF_A_BAND")]

    return [
        ("roulette from -10 dB", hall, 2, [
            ("none, rays to the end of time", hall, 2, off_at(1e-30)),
            ("from -5 dB", hall, 2, off_at(0.32)),
            ("from -20 dB", hall, 2, off_at(0.01)),
            ("from -30 dB", hall, 2, off_at(0.001)),
            ("from -5 dB, and harder", hall, 2, off_at(0.32, 0.75)),
            ("from the start", hall, 2, off_at(2.0)),
        ]),
        ("image sources to order 2", hall, 2, [
            ("direct sound only", hall, 0, []),
            ("order 1", hall, 1, []),
            ("order 3", hall, 3, []),
        ]),
        ("sphere radius 0.5 m", hall, 2, [
            ("0.35 m", with_radius(hall, 0.35), 2, []),
            ("0.7 m", with_radius(hall, 0.7), 2, []),
            ("1 m", with_radius(hall, 1.0), 2, []),
        ]),
        ("horn: directions by its directivity, on a lattice", horn, 2, [
            ("uniform, on a lattice", horn, 2, [(emission, "DEFENSIVE_SHARE", 1.0)]),
            ("by directivity, at random", horn, 2, [(trace, "Emission", RandomEmission)]),
            ("by directivity, no uniform share", horn, 2, [(emission, "DEFENSIVE_SHARE", 0.02)]),
        ]),
        ("24 masks of 12 cloths: branches", cloths, 0, [
            ("one way or the other", cloths, 0, [(traced_paths, "sampling_plan", one_way)]),
            ("all states count in full", cloths, 0, [(sampling_plan, "OTHERS_SHARE", 1.0)]),
            ("the others count 0.1", cloths, 0, [(sampling_plan, "OTHERS_SHARE", 0.1)]),
            ("roulette as without cloth", cloths, 0, [(sampling_plan, "ROULETTE_OF_BRANCHES", sampling_plan.ROULETTE)]),
        ]),
    ]  # fmt: skip


def uneven(n_rounds: int) -> tuple[list, dict]:
    """How densely a band that outlasts the others is followed, in halls where bands decay at different rates."""
    halls = {
        # The band that lasts longest.
        "soft hall, 63 Hz": (soft_hall(), 0), "panelled hall, 1 kHz": (panelled_hall(), 4),
        "ordinary hall, 63 Hz": (seated_hall(), 0),
    }  # fmt: skip
    rivals = {
        "from 0 dB, power 0.5": (1.0, 0.5),
        "  from -10 dB, power 0.5": (0.1, 0.5),
        "  from -5 dB, power 0.75": (0.3, 0.75),
        "  from 0 dB, power 0.4": (1.0, 0.4),
        "  from 0 dB, power 0.75": (1.0, 0.75),
        "  not at all: by the mean over bands": (1e6, 1.0),
    }
    rows, ratios = [], {}
    for hall, (scene, band) in halls.items():
        kept = None
        for name, how in rivals.items():
            with patched((sampling_plan, "ROULETTE_OF_A_BAND", how)):
                line = measure(scene, 2, n_rounds, 1, (band,))
            kept = kept or line
            cost = (line.score / kept.score) ** 2
            shown = " ".join(f"{c:.2f}" for c in cost)
            rows.append([f"{hall if line is kept else ''} {name}", *map(float, line.errors), line.seconds, shown])
            if line is not kept:
                ratios[f"{hall} | {name.strip()}"] = float(cost[0])
    return rows, ratios


def main() -> None:
    options = arguments(__doc__)
    n_seats, n_rounds = (150, 1) if options.quick else (600, 3)
    rows, ratios, z = [], {}, []
    measure(choices(20)[0][1], 2, 1, 1)
    for kept, scene, order, rivals in choices(n_seats):
        first = measure(scene, order, n_rounds, seed=1)
        rows.append([kept, *map(float, first.score), first.seconds, ""])
        for name, its_scene, its_order, changes in rivals:
            with patched(*changes):
                line = measure(its_scene, its_order, n_rounds, seed=2)
            # A seat's sphere is a mean over its volume: another radius is another mean, so it is left out here.
            if its_scene.receivers.radius == scene.receivers.radius:
                z.append(z_scores(line, first).ravel())
            cost = (line.score / first.score) ** 2
            shown = " ".join(f"{c:.2f}" for c in cost)
            rows.append([f"  {name}", *map(float, line.score), line.seconds, shown])
            ratios[f"{kept} | {name}"] = float(np.exp(np.log(cost).mean()))
    z = np.concatenate(z)
    limit = stats.t.isf(FALSE_ALARM / 2 / z.size, N_REPLICATES - 1)
    rms, largest = np.sqrt((z**2).mean()), np.abs(z).max()
    print(f"{z.size} z scores of means over seats, rms {rms:.2f}, largest {largest:.1f} of {limit:.1f}")
    if largest > limit:
        disagree("an alternative gives different figures")
    table(["sd x sqrt(s)", *FIGURES, "s", "rays x time re kept: STI C50 T20 level"], rows)
    print()
    rows_uneven, ratios_uneven = uneven(n_rounds)
    table(["a band by itself", *(f"error {name}" for name in FIGURES), "s", "rays x time re kept: STI C50 T20 level"],
          rows_uneven)  # fmt: skip
    finish({**ratios, **ratios_uneven})


if __name__ == "__main__":
    main()
