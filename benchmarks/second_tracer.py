"""The halls of the zoo compared with a slow ray tracer that shares no code with the package.

Each hall is compared in two scenarios (without and with treatment), at six seats, in all eight bands: energy in time
windows, level, EDT, T20, C50 and STI. The package runs with many seeds; the slow tracer
(tests/reference/slow_tracer.py) traces each band separately. The script checks

- that the mean over the seeds nowhere differs significantly by more than one just noticeable difference from the
  reference;
- that single runs scatter about the reference by the stated errors of both (rms of z near 1);
- that 95 % intervals contain the mean over all seeds in 95 % of cases, in every band (control: intervals shrunk by 0.6
  must fail);
- that no decay time is missing that the reference determines precisely.

    python benchmarks/second_tracer.py --processes 16 --page docs/zoo.md     # about 2 hours of processor time
    python benchmarks/second_tracer.py --quick                               # about 4 minutes of processor time

Ends with exit code 1 if anything fails.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass
from functools import cache
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

import numpy as np
from agreement import largest_ratio
from reference import slow_tracer as slow
from scipy import stats
from zoo.comparison import (
    COMPARED,
    Deviation,
    Figures,
    air_of,
    compile_compared,
    deviation,
    judgeable,
    package_figures,
    plain_room,
    plain_sources,
    reference_figures,
    stacked,
)

FALSE_ALARM = 1e-3
"""Of each of the four checks, over all halls and quantities."""
SPREAD = {"STI": (0.5, 1.5)}
"""Permitted range of the rms of z in a hall if the permitted difference of the models is far below the Monte Carlo
error; the lower limit decreases as the permitted difference increases. With 19 degrees of freedom the expected rms is
about 1.06. Seats, seeds and bands share rays or a reference, so it has a random error of a seventh; the STI has 12
values per hall, the others have 96."""
OTHER_SPREAD = (0.7, 1.3)
COVERAGE = 0.95
LACKING = 0.03
"""By which the coverage may fall short: for quantities that are not sums the jackknife is an approximation."""
CONTROL = 0.87
"""Upper limit of the mean coverage over the bands of intervals shrunk by 0.6."""
FIGURES = ("windows", "level", "C50", "EDT", "T20", "STI")


@cache
def compiled(name: str):
    """Scene, order of the image sources, and air of a hall."""
    with tempfile.TemporaryDirectory() as folder:
        scene, order = compile_compared(name, Path(folder))
        return scene, order, air_of(Path(folder))


def traced(name: str, scenario: int, band: int, batch: int, n_rays: int) -> tuple[np.ndarray, int]:
    """One batch of the slow tracer."""
    scene, _, air = compiled(name)
    room, seats = plain_room(scene, scenario, air), scene.receivers
    seed = 1 + batch + slow.N_BATCHES * scenario
    energy, lost = slow.trace_band(
        room, plain_sources(name), seats.position, seats.radius, COMPARED[name].duration, band, n_rays, seed
    )
    return energy.astype(np.float32), lost


def referred(name: str, scenario: int, batches: np.ndarray) -> Figures:
    """Quantities computed by the slow tracer."""
    scene, _, air = compiled(name)
    return reference_figures(scene, scenario, batches, plain_room(scene, scenario, air), plain_sources(name))


def run(name: str, seed: int, rays_per_batch: int) -> Figures:
    """Quantities computed by one run of the package."""
    scene, order, _ = compiled(name)
    return package_figures(scene, order, seed, 1, rays_per_batch)


# --- the checks -----------------------------------------------------------------------------------------


@dataclass
class Verdict:
    """The comparison of one quantity in one hall."""

    hall: str
    figure: str
    largest: float
    """Largest deviation of the mean over seeds, in just noticeable differences, of the decidable comparisons."""
    decidable: float
    """Share of the comparisons in which a deviation of one just noticeable difference would be detected."""
    judged: float
    """Share of the comparisons in which the errors of single runs and of the reference are small enough."""
    spread: float
    """Rms of z of single runs."""
    coverage: np.ndarray
    """(8,) share of intervals that contain the mean over seeds, by band; a single one for the STI."""
    missing: int
    """Decay times that the reference determines to 3 % and that more than half of the runs do not have."""
    faults: list[str]


def judged(name: str, figure: str, runs: list[Figures], reference: Figures, n_checks: int) -> Verdict:
    """Compare the runs of a hall with the reference."""
    value = np.stack([one[figure][0] for one in runs])
    error = np.stack([one[figure][1] for one in runs])
    n = np.isfinite(value).sum(axis=0)
    enough = n > max(2, len(runs) // 2)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(enough, np.nansum(value, axis=0) / n, np.nan)
        scatter = np.sqrt(np.nansum((value - mean) ** 2, axis=0) / (n - 1))
    pooled = mean, scatter / np.sqrt(np.maximum(n, 1))
    judged_here = enough & judgeable(figure, mean, scatter, reference)
    off = deviation(figure, pooled, reference, judged_here)
    single = [deviation(figure, one, reference, judged_here) for one in zip(value, error)]
    known = np.isfinite(off.difference)
    decidable = known & off.decidable()
    z = np.stack([one.z for one in single])[:, known]

    faults = []
    beyond = off.surely_beyond(largest_ratio(n_checks, FALSE_ALARM, slow.N_BATCHES - 1))
    if beyond.any():
        worst = np.unravel_index(np.nanargmax(np.where(beyond, np.abs(off.difference), np.nan)), beyond.shape)
        faults.append(
            f"{beyond.sum()} of {known.sum()} differ by more than a just noticeable difference, most "
            f"{place(figure, worst)}: {mean[worst]:.4g}; reference {reference[figure][0][worst]:.4g}"
        )
    spread = float(np.sqrt(np.nanmean(z**2))) if z.size else np.nan
    least, most = SPREAD.get(figure, OTHER_SPREAD)
    # If the permitted difference of the models is as large as the Monte Carlo error, and they agree, z is smaller.
    due = np.stack([(one.error / np.hypot(one.error, one.model))[known] for one in single])
    least *= float(np.sqrt(np.nanmean(due**2))) if due.size else 0.0
    if z.size and not least < spread < most:
        faults.append(f"rms of z {spread:.2f}{by_band(figure, single, known)}")
    coverage, too_few = covered(figure, value, error, pooled, n_checks)
    faults += too_few
    reference_value, reference_error = reference[figure]
    missing = 0
    if figure in ("EDT", "T20"):
        missing = int((np.isnan(mean) & (reference_error < 0.03 * reference_value)).sum())
    if missing:
        faults.append(f"{missing} missing that the reference determines precisely")
    largest = float(np.max(np.abs(off.difference[decidable]))) if decidable.any() else np.nan
    shares = float(decidable.mean()), float(known.mean())
    return Verdict(name, figure, largest, *shares, spread, coverage, missing, faults)


def by_band(figure: str, single: list[Deviation], known: np.ndarray) -> str:
    """Rms of z and mean deviation in just noticeable differences in each band, to show the cause of a spread."""
    if figure == "STI":
        return ""
    z = np.where(known, np.stack([one.z for one in single]), np.nan).reshape(-1, 8)
    away = np.where(known, np.stack([one.difference for one in single]), np.nan).reshape(-1, 8)
    parts = [
        f"{label(band)} {np.sqrt(np.nanmean(z[:, band] ** 2)):.1f} ({np.nanmean(away[:, band]):+.2f})"
        for band in range(8)
        if np.isfinite(z[:, band]).any()
    ]
    return "; by band, with the mean deviation: " + ", ".join(parts)


def covered(
    figure: str, value: np.ndarray, error: np.ndarray, pooled: tuple[np.ndarray, np.ndarray], n_checks: int
) -> tuple[np.ndarray, list[str]]:
    """Share of the intervals that contain the mean over seeds, by band, and the bands in which it is too small.

    Seats and scenarios of one run share rays, so the error of a share is computed from the seeds.
    """
    if figure == "STI":
        value, error, pooled = value[..., None], error[..., None], (pooled[0][..., None], pooled[1][..., None])
    # The mean includes the run itself, which reduces the difference between the two.
    n = len(value)
    own = np.sqrt(np.maximum(error**2 - 2.0 * error**2 / n + pooled[1] ** 2, 1e-300))
    ratio = stats.t.ppf(0.975, 19)
    shares, controls, faults = [], [], []
    for band in range(value.shape[-1]):
        away = np.abs(value - pooled[0])[..., band] / own[..., band]
        inside, shrunk = away <= ratio, away <= 0.6 * ratio
        # Values without energy or time are left out, and so are seats where half of the runs have no value.
        cases = np.isfinite(away) & (error[..., band] > 0.0)
        if figure in ("windows", "EDT", "T20"):
            cases &= pooled[1][..., band] * np.sqrt(n) < 0.25 * np.abs(pooled[0][..., band])
        by_seed, by_shrunk = (
            np.array([part[one].mean() for part, one in zip(which, cases) if one.any()]) for which in (inside, shrunk)
        )
        if len(by_seed) < n // 2 or len(by_seed) < 3:
            shares.append(np.nan)
            continue
        chance = stats.t.isf(FALSE_ALARM / n_checks, len(by_seed) - 1) / np.sqrt(len(by_seed))
        shares.append(float(by_seed.mean()))
        if by_seed.mean() + chance * by_seed.std(ddof=1) < COVERAGE - LACKING:
            faults.append(f"{by_seed.mean():.0%} of the intervals at {label(band)} contain the mean")
        controls.append(by_shrunk.mean())
    # With normal errors, intervals shrunk by 0.6 contain the mean in 0.77 of the cases.
    if controls and np.mean(controls) > CONTROL:
        faults.append(f"control: {np.mean(controls):.0%} of the intervals shrunk by 0.6 contain the mean")
    return np.array(shares), faults


def label(band: int) -> str:
    return f"{slow.BANDS[band]:g} Hz"


def place(figure: str, index: tuple[int, ...]) -> str:
    """The position in the arrays of a quantity, in words."""
    numbers = [int(i) for i in index]
    words = [f"window from {1000 * slow.WINDOWS[numbers.pop(0)]:g} ms"] if figure == "windows" else []
    words += [f"scenario {numbers[0] + 1}", f"seat {numbers[1] + 1}"]
    return ", ".join(words + ([label(numbers[2])] if len(numbers) > 2 else []))


# --- the run --------------------------------------------------------------------------------------------


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--hall", action="append", choices=list(COMPARED), help="may be given more than once")
    parser.add_argument("--quick", action="store_true", help="few rays: only large errors are detected")
    parser.add_argument("--rays", type=int, help="of the slow tracer, in each of 20 batches, bands and scenarios")
    parser.add_argument("--seeds", type=int, help="runs of the package")
    parser.add_argument("--rays-per-batch", type=int, help="of the package, in each of 20 batches (default: by hall)")
    parser.add_argument("--page", type=Path, help="Markdown page to write")
    arguments = parser.parse_args()
    n_rays = arguments.rays or (1000 if arguments.quick else 16000)
    n_seeds = arguments.seeds or (6 if arguments.quick else 64)
    halls = arguments.hall or list(COMPARED)
    n_checks = len(halls) * len(FIGURES) * 2 * 6 * 8

    started = time.monotonic()
    verdicts: list[Verdict] = []
    with ProcessPoolExecutor(arguments.processes) as pool:
        ahead = submitted(pool, halls[0], n_rays, n_seeds, arguments.rays_per_batch)
        for i, name in enumerate(halls):
            batches, runs = ahead
            # Processes start on the next hall while the last work on this one is finished.
            if i + 1 < len(halls):
                ahead = submitted(pool, halls[i + 1], n_rays, n_seeds, arguments.rays_per_batch)
            figures = [one.result() for one in runs]
            print(f"{name}: runs of the package finished after {time.monotonic() - started:.0f} s", flush=True)
            reference = gathered(pool, name, batches)
            verdicts += [judged(name, figure, figures, reference, n_checks) for figure in FIGURES]
            print(f"{name}: compared after {time.monotonic() - started:.0f} s", flush=True)
            print("\n".join(line(verdict) for verdict in verdicts if verdict.hall == name), flush=True)
    faults = [f"{v.hall}, {v.figure}: {fault}" for v in verdicts for fault in v.faults]
    print("\n" + ("\n".join(faults) or "No comparison failed."))
    if arguments.page:
        rays = f"{slow.N_BATCHES * n_rays:,} rays per band of the slow tracer"
        about = f"{rays}, {n_seeds} seeds of the package"
        arguments.page.write_text(page(verdicts, faults, about, arguments.rays_per_batch), encoding="utf-8")
    return 1 if faults else 0


Batches = dict[tuple[int, int, int], "Future[tuple[np.ndarray, int]]"]


def submitted(
    pool: ProcessPoolExecutor, name: str, n_rays: int, n_seeds: int, per_batch: int | None
) -> tuple[Batches, list[Future[Figures]]]:
    """All work on a hall: batches by scenario, band and number, and runs of the package."""
    per_batch = per_batch or COMPARED[name].rays_per_batch
    runs = [pool.submit(run, name, seed, per_batch) for seed in range(1, n_seeds + 1)]
    n_scenarios = 1 + len(COMPARED[name].scenarios)
    batches = {
        (scenario, band, batch): pool.submit(traced, name, scenario, band, batch, n_rays)
        for scenario in range(n_scenarios)
        for band in range(8)
        for batch in range(slow.N_BATCHES)
    }
    return batches, runs


def gathered(pool: ProcessPoolExecutor, name: str, batches: Batches) -> Figures:
    """Quantities of the slow tracer from its batches."""
    parts = []
    for scenario in sorted({scenario for scenario, _, _ in batches}):
        energy = np.stack(
            [
                np.stack([batches[scenario, band, batch].result()[0] for band in range(8)], axis=-1)
                for batch in range(slow.N_BATCHES)
            ]
        )
        parts.append(pool.submit(referred, name, scenario, energy))
    lost = sum(batch.result()[1] for batch in batches.values())
    batches.clear()
    if lost:
        print(f"{name}: {lost} rays of the slow tracer left the room", flush=True)
    return stacked([part.result() for part in parts])


HEAD = ("quantity", "largest", "decidable", "evaluated", "spread", *(label(band) for band in range(8)), "missing")


def cells(verdict: Verdict) -> list[str]:
    """A row of the tables."""
    by_band = [f"{100 * share:.0f}" if np.isfinite(share) else "-" for share in verdict.coverage]
    by_band += [""] * (8 - len(by_band))
    shares = f"{verdict.decidable:.0%}", f"{verdict.judged:.0%}"
    numbers = [f"{verdict.largest:.2f}", *shares, f"{verdict.spread:.2f}"]
    return [verdict.figure, *numbers, *by_band, str(verdict.missing or "")]


def line(verdict: Verdict) -> str:
    return "  " + "".join(cell.rjust(9) for cell in cells(verdict)) + ("  FAILED" if verdict.faults else "")


def page(verdicts: list[Verdict], faults: list[str], about: str, per_batch: int | None) -> str:
    """The results as Markdown."""
    lines = [
        "# The zoo of halls",
        "",
        "Eight small invented halls of different kinds (`tests/zoo/`), each without and with one treatment, at six",
        "seats, compared with a slow ray tracer that shares no code with the package",
        "(`tests/reference/slow_tracer.py`). Written by `python benchmarks/second_tracer.py --page docs/zoo.md`.",
        "",
        f"{about}.",
        "",
        "- *largest*: largest deviation of the mean over the seeds from the slow tracer, in just noticeable",
        "  differences (1 dB of level, of C50 and of the energy in a time window; 5 % of EDT and T20; 0.03 of STI),",
        "  among the decidable comparisons",
        "- *decidable*: share of the comparisons whose error is small enough to detect a deviation of one just",
        "  noticeable difference",
        "- *evaluated*: share of the comparisons in which the standard deviation of single runs is less than 10 % of",
        "  EDT and T20 or 25 % of the energy in a time window; *largest* and *spread* include only these",
        "- *spread*: rms of the deviations of single runs in standard errors; 1.0 to 1.1 is expected",
        "- for each band: percentage of the 95 % intervals of single runs that contain the mean over all seeds",
        "- *missing*: decay times that the slow tracer determines precisely and that most runs do not have",
    ]
    for hall in dict.fromkeys(verdict.hall for verdict in verdicts):
        treated = COMPARED[hall].scenarios[0]
        rays = f"{20 * (per_batch or COMPARED[hall].rays_per_batch):,} rays per source"
        lines += ["", f"## {hall.replace('_', ' ').capitalize()}", ""]
        lines += [f'Without treatment, and in the scenario "{treated}"; {rays}.', ""]
        lines += ["| " + " | ".join(HEAD) + " |", "| --- |" + " ---: |" * (len(HEAD) - 1)]
        lines += ["| " + " | ".join(cells(v)) + " |" for v in verdicts if v.hall == hall]
    lines += ["", "## Comparisons that failed", ""]
    lines += [f"- {fault}" for fault in faults] or ["None."]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    sys.exit(main())
