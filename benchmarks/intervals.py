"""Coverage of the value of a far longer run by the 95 % intervals: the long form of
tests/statistical/test_coverage.py and tests/statistical/test_bands.py.

First, two rooms whose bands decay alike, each run repeatedly with other seeds: a small hard room with few rays, and a
hall divided by three cloths that scenarios hang or omit, where weights vary most. Then halls whose bands decay at very
different rates, band by band. Finally, the coverage as a function of the relative standard error of a reverberation
time, on which a warning in `roomsim/study/caveats.py` is based.

Beside each share is the share of the same intervals with their errors multiplied by 0.6: it must differ clearly, or the
test would be insensitive.
"""

from __future__ import annotations

import multiprocessing
import sys
from collections.abc import Callable
from concurrent.futures import Executor, ProcessPoolExecutor
from functools import partial
from itertools import pairwise
from pathlib import Path

import numpy as np
from harness import arguments, disagree, finish, table
from scipy import stats

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from repeated_runs import (
    covered,
    figures,
    figures_by_band,
    hall_with_cloths,
    lambert_sphere,
    panelled_hall,
    seated_hall,
    small_room,
    soft_hall,
    together,
)

from roomsim.bands import LABELS
from roomsim.estimate import Estimate
from roomsim.scene.scene import Scene

FALSE_ALARM = 1e-3
"""That some share of the first table is marked although all intervals are honest."""
LONG_RUN = 1_000_000
"""Seed of the long run."""
STEPS = (0.0, 0.02, 0.03, 0.04, 0.05, 0.06, 0.08, 0.1, 0.12, 0.16, np.inf)
"""Edges of relative standard errors."""

Runs = dict[str, Estimate]


def main() -> None:
    options = arguments(__doc__, processes=True)
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(options.processes, mp_context=spawn) as pool:
        ratios = _alike(pool, options.quick)
        print()
        ratios |= _by_band(pool, options.quick)
    finish(ratios)


def _alike(pool: Executor, quick: bool) -> dict[str, float]:
    cases = [
        # room, rays a batch, repeats quick and long, rays of the long run re those of the others
        ("small room", small_room, 64, 200, 3000, 200),
        ("small room, more rays", small_room, 256, 60, 1500, 100),
        # Fewer rays than any study asks for: where the intervals begin to fail.
        ("hall with cloths, too few rays", hall_with_cloths, 128, 60, 1500, 150),
        ("hall with cloths", hall_with_cloths, 768, 60, 800, 40),
    ]
    rows, ratios = [], {}
    for name, make, n_rays, n_quick, n_long, longer in cases:
        n_repeats = n_quick if quick else n_long
        runs, long_run = _repeated(pool, figures, make, n_rays, n_repeats, n_rays * longer)
        for figure, got in runs.items():
            inside = covered(got, long_run[figure]).reshape(n_repeats, -1)
            control = covered(got, long_run[figure], 0.6).reshape(n_repeats, -1)
            share, error = _share(inside)
            worst = inside.mean(axis=0).min()
            # Intervals of seats and scenarios share rays, so each is held to its own binomial tail.
            each = stats.binom.cdf(round(worst * n_repeats), n_repeats, 0.95) * inside.shape[1]
            bias = (got.value.mean(axis=0) - long_run[figure].value) / got.value.std(axis=0, ddof=1)
            rows.append([
                name, figure, n_repeats, inside.shape[1], float(got.standard_error.mean()),
                f"{share:.3f} +- {error:.3f}",
                f"{worst:.3f} ({min(each, 1.0):.2g})", f"{control.mean():.3f}", float(np.abs(bias).mean()),
            ])  # fmt: skip
            ratios[f"{name}: {figure}"] = share
            if control.mean() > 0.85:
                disagree(f"shrunken intervals went unnoticed: {name}, {figure}, {control.mean():.3f}")
    limit = stats.norm.isf(FALSE_ALARM / 2 / len(rows))
    table(
        ["room", "figure", "runs", "intervals", "standard error", "95 % covers", "worst one (chance of it)",
         "control, 0.6", "|bias| / sd"],
        rows,
    )  # fmt: skip
    print(
        f"A share further than {limit:.1f} of its own errors from 0.95 would happen by chance in one table of 1000."
    )
    return ratios


def _by_band(pool: Executor, quick: bool) -> dict[str, float]:
    halls = {
        "soft": soft_hall, "panelled": panelled_hall, "seated": seated_hall, "Lambert sphere": lambert_sphere,
    }  # fmt: skip
    if quick:
        halls = {name: halls[name] for name in ("soft", "panelled")}
    rows, ratios, relative, held = [], {}, {}, {}
    for name, make in halls.items():
        # A quarter of the rays of a first round, and all.
        for n_rays, n_repeats in [(1024, 30)] if quick else [(1024, 1000), (4096, 1000)]:
            runs, long_run = _repeated(
                pool, figures_by_band, make, n_rays, n_repeats, 4096, n_rounds=10 if quick else 40
            )
            controls = []
            for figure, got in runs.items():
                inside = covered(got, long_run[figure]).mean(axis=(1, 2))
                control = covered(got, long_run[figure], 0.6).mean()
                error = inside.std(axis=0, ddof=1).max() / np.sqrt(n_repeats)
                # The index is one figure: it has no bands.
                shown = inside.mean(axis=0) if figure != "STI" else inside.mean(axis=0)[:1]
                rows.append([
                    name, n_rays, figure, *(f"{share:.3f}" for share in shown), *[""] * (8 - len(shown)),
                    f"{error:.3f}", f"{control:.3f}",
                ])  # fmt: skip
                ratios[f"{name}, {n_rays}: {figure}, worst band"] = float(shown.min())
                controls.append(control)
                if figure in ("EDT", "T20", "T30"):
                    of_band = np.nan_to_num(got.standard_error / got.value, nan=np.inf)
                    relative.setdefault(figure, []).append(np.median(of_band, axis=(0, 2)).ravel())
                    held.setdefault(figure, []).append(covered(got, long_run[figure]).mean(axis=(0, 2)).ravel())
            if np.mean(controls) > 0.85:
                disagree(f"shrunken intervals went unnoticed: {name}")
    table(["hall", "rays", "figure", *LABELS, "+- at most", "control, 0.6"], rows)
    print("\nAn interval that does not exist, since some replicate has no value, counts as not holding the truth.\n")
    rows = []
    for low, high in pairwise(STEPS):
        row = [f"{100 * low:g} to {100 * high:g} %"]
        for figure, errors in relative.items():
            among = np.concatenate(held[figure])[(np.concatenate(errors) >= low) & (np.concatenate(errors) < high)]
            row.append(f"{among.mean():.3f} ({len(among)})" if len(among) else "")
        rows.append(row)
    table(["relative standard error", *relative], rows)
    print("Share of intervals that contain the true value, mean over seats and bands of all halls with such errors.")
    return ratios


def _repeated(
    pool: Executor, run: Callable[..., Runs], make: Callable[[], Scene], n_rays: int, n_repeats: int,
    rays_of_long_run: int, n_rounds: int = 1,
) -> tuple[Runs, Runs]:  # fmt: skip
    """`n_repeats` runs with other seeds as one, and the long run."""
    long_run = pool.submit(_one, run, make, rays_of_long_run, n_rounds, LONG_RUN)
    runs = together(list(pool.map(partial(_one, run, make, n_rays, 1), range(1, n_repeats + 1), chunksize=5)))
    return runs, long_run.result()


def _one(run: Callable[..., Runs], make: Callable[[], Scene], n_rays: int, n_rounds: int, seed: int) -> Runs:
    return run(make(), seed, n_rays, n_rounds)


def _share(inside: np.ndarray) -> tuple[float, float]:
    by_run = inside.mean(axis=1)
    return float(by_run.mean()), float(by_run.std(ddof=1) / np.sqrt(len(by_run)))


if __name__ == "__main__":
    main()
