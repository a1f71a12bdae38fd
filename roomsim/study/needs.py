"""Memory, disk space and time of a computation, estimated before it begins; what cannot fit is refused."""

from __future__ import annotations

import os
import re
import shutil
import time
from dataclasses import dataclass
from pathlib import Path

from ..bands import N_BANDS
from ..errors import CapacityError
from .duration import PILOT_BATCH
from .evaluator import SUMS_AT_A_TIME, evaluation_blocks
from .traced_paths import TracingSetup

PROBE_RAYS = 256
"""Rays of each source that are traced to measure their time and size."""
PROGRAM_MEMORY = 0.3e9
"""Bytes of the program itself. This and the following constants were measured on boxes of 200 to 8,000 seats and 6 to
41 scenarios, where the estimates below are accurate to a fifth."""
MEMORY_A_FIGURE = 20e3
"""Bytes for each seat and scenario, with all figures, their replicates and differences."""
BLOCK_OVERHEAD, SUMS_OVERHEAD = 0.7, 2.4
"""Memory for evaluating a block of energies, relative to the energies."""
RESULTS = 4e3
"""Bytes on the disk for each seat and scenario."""
WEIGHTING = 0.04
"""Processor time to weight paths for one scenario, relative to tracing them."""
FIGURE_SECONDS = 4e-4
"""Processor time for all figures of a seat in a scenario, with all replicates."""


@dataclass(frozen=True)
class Needs:
    """Memory, disk space and time of a computation."""

    memory: float
    """Largest number of bytes."""
    round_disk: float
    """Bytes of a round of rays on the disk; 0 where paths are held in memory."""
    round_seconds: float
    """To trace a round and weight it for all scenarios."""
    figure_seconds: float
    """To compute all figures once."""
    results_disk: float
    """Bytes of the results."""


def needs_of(setup: TracingSetup, *, probe: bool = True) -> Needs:
    """Estimated from a few rays of each source and from the numbers of seats and scenarios.

    Parameters
    ----------
    probe : trace these few rays; otherwise the time and size of a round count as 0
    """
    scene, n_bins = setup.scene, len(setup.edges) - 1
    n_figures = scene.receivers.n_receivers * scene.n_scenarios
    one = n_bins * N_BANDS * 4

    def largest(blocks: list) -> float:
        return max((len(scenarios) * (seats.stop - seats.start) * one for scenarios, seats in blocks), default=0)

    sums = evaluation_blocks(scene, n_bins, SUMS_AT_A_TIME)
    block = setup.n_replicates * largest(evaluation_blocks(scene, n_bins, setup.n_replicates))
    at_once = min(setup.threads, setup.n_replicates, len(sums)) * largest(sums)
    seconds, size = _probe(setup) if probe else (0.0, 0.0)
    round_bytes = size * setup.rays_per_round
    return Needs(
        memory=PROGRAM_MEMORY
        + MEMORY_A_FIGURE * n_figures
        + block
        + max(BLOCK_OVERHEAD * block, SUMS_OVERHEAD * at_once)
        + (0.0 if setup.folder else round_bytes),
        round_disk=round_bytes if setup.folder else 0.0,
        round_seconds=seconds * (1.0 + WEIGHTING * scene.n_scenarios) * setup.rays_per_round / setup.threads,
        figure_seconds=FIGURE_SECONDS * n_figures / setup.threads,
        results_disk=RESULTS * n_figures if setup.folder else 0.0,
    )


def _probe(setup: TracingSetup) -> tuple[float, float]:
    """Processor time, s, and bytes of a ray, mean over the sources."""
    seconds, size = 0.0, 0.0
    for source in setup.sources:
        # The first call includes compilation and must not be counted.
        setup.tracer.trace(source, PILOT_BATCH, 1)
        started = time.perf_counter()
        log = setup.tracer.trace(source, PILOT_BATCH, PROBE_RAYS)
        seconds += time.perf_counter() - started
        size += sum(getattr(value, "nbytes", 0) for value in vars(log).values())
    n = PROBE_RAYS * max(1, len(setup.sources))
    return seconds / n, size / n


def require_capacity(needs: Needs, disk: Path | None) -> None:
    """Raise before hours are spent on a computation for which this machine is too small.

    Raises
    ------
    CapacityError : too little memory, or too little disk space for one round of rays
    """
    memory = available_memory()
    if memory is not None and needs.memory > memory:
        raise CapacityError(
            f"This needs about {bytes_text(needs.memory)} of memory; {bytes_text(memory)} are free.",
            cure="Use fewer seats (a larger seat_spacing), fewer scenarios, fewer threads (--threads), or a machine "
            "with more memory.",
        )
    if disk is not None:
        least, free = needs.round_disk + needs.results_disk, free_disk(disk)
        if least > free:
            raise CapacityError(
                f"This needs at least {bytes_text(least)} of disk space; {bytes_text(free)} are free.",
                file=disk,
                cure="Free some space, choose a folder on another disk (--out), or use fewer seats.",
            )


def available_memory() -> float | None:
    """Bytes that programs can still use, where the system reports them; the limit of a container is respected."""
    try:
        meminfo = Path("/proc/meminfo").read_text(encoding="ascii")
        limits = [1024.0 * int(number) for number in re.findall(r"^MemAvailable:\s+(\d+) kB", meminfo, re.M)]
    except (OSError, ValueError):
        limits = []
    if not limits and hasattr(os, "sysconf") and "SC_PHYS_PAGES" in os.sysconf_names:
        limits = [float(os.sysconf("SC_PHYS_PAGES")) * os.sysconf("SC_PAGE_SIZE")]
    try:
        limit, used = (
            Path("/sys/fs/cgroup", name).read_text(encoding="ascii").strip()
            for name in ("memory.max", "memory.current")
        )
        limits += [] if limit == "max" else [float(limit) - float(used)]
    except (OSError, ValueError):
        pass
    return min(limits, default=None)


def free_disk(folder: Path) -> float:
    """Free bytes on the disk of a folder that exists or will be created."""
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    return float(shutil.disk_usage(folder).free)


def bytes_text(size: float) -> str:
    """ "4.6 GB", "120 MB"."""
    for unit, name in ((1e12, "TB"), (1e9, "GB"), (1e6, "MB")):
        if size >= unit:
            number = size / unit
            return f"{number:.0f} {name}" if number >= 9.95 else f"{number:.1f} {name}"
    return "less than 1 MB"


def seconds_text(seconds: float) -> str:
    """ "8 s", "3 min", "2.5 h"."""
    if seconds < 90.0:
        return f"{max(1, round(seconds))} s"
    return f"{seconds / 60.0:.0f} min" if seconds < 5400.0 else f"{seconds / 3600.0:.1f} h"
