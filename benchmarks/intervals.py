"""How often the 95 % intervals hold the value of a far longer run: the long form of
tests/statistical/test_coverage.py.

Two rooms, each run over and over with other seeds: a small hard room with few rays, and a hall cut by three
cloths that scenarios hang or leave out, where weights vary most. Beside each share stands the one that the
same intervals reach when their errors are multiplied by 0.6: it must be far off, or the count would notice
nothing.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from harness import arguments, disagree, finish, table
from scipy import stats

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from repeated_runs import covered, figures, hall_with_cloths, repeated, small_room

FALSE_ALARM = 1e-3
"""That some share of this table is marked although all intervals are honest."""


def main() -> None:
    options = arguments(__doc__)
    cases = [
        # room, rays a batch, repeats quick and long, rays of the long run re those of the others
        ("small room", small_room(), 64, 350, 3000, 200),
        ("small room, more rays", small_room(), 256, 100, 1500, 100),
        # Fewer rays than any study asks for: where the intervals begin to fail.
        ("hall with cloths, too few rays", hall_with_cloths(), 128, 60, 1500, 150),
        ("hall with cloths", hall_with_cloths(), 768, 60, 800, 40),
    ]
    rows, ratios = [], {}
    for name, scene, n_rays, n_quick, n_long, longer in cases:
        n_repeats = n_quick if options.quick else n_long
        long_run = figures(scene, 1_000_000, n_rays * longer)
        runs = repeated(scene, range(1, n_repeats + 1), n_rays)
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
                disagree("shrunken intervals went unnoticed")
    limit = stats.norm.isf(FALSE_ALARM / 2 / len(rows))
    table(
        ["room", "figure", "runs", "intervals", "standard error", "95 % covers", "worst one (chance of it)",
         "control, 0.6", "|bias| / sd"],
        rows,
    )  # fmt: skip
    print(
        f"A share further than {limit:.1f} of its own errors from 0.95 would happen by chance in one table of 1000."
    )
    finish(ratios)


def _share(inside: np.ndarray) -> tuple[float, float]:
    by_run = inside.mean(axis=1)
    return float(by_run.mean()), float(by_run.std(ddof=1) / np.sqrt(len(by_run)))


if __name__ == "__main__":
    main()
