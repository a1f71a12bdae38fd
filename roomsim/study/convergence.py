"""Rounds of rays are traced until the requested standard errors are reached."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass

import numpy as np

from ..errors import SceneError
from ..tracing.replay import EnergyBuffer
from ..venue.document import Precision
from ..words import counted
from .compare import STI
from .evaluator import Evaluator
from .needs import Needs, bytes_text, free_disk, needs_of, require_capacity, seconds_text
from .progress import Progress
from .traced_paths import TracedPaths, TracingSetup


@dataclass(frozen=True)
class Convergence:
    """The precision that a run reached, and the paths that it took."""

    paths: TracedPaths
    errors: dict[str, tuple[float, float]]
    """Registry name of each quantity for which a precision is requested -> the standard error that the requested share
    of seats stays below in the worst scenario (and band), and the requested one."""

    @property
    def missed(self) -> dict[str, tuple[float, float]]:
        """Those of the errors that exceed the requested ones."""
        return {name: (error, requested) for name, (error, requested) in self.errors.items() if error > requested}


def converge(
    setup: TracingSetup, precision: Precision, progress: Progress | None = None
) -> tuple[Evaluator, Convergence]:
    """Trace rounds until the requested standard errors are reached, or the time, the rays or the disk are used up.

    Returns the evaluator of all traced paths, for the scene that was traced.

    Raises
    ------
    CapacityError : memory or disk space is not sufficient
    SceneError : no figure can be evaluated at any seat
    """
    progress = progress or Progress()
    deadline = time.monotonic() + 60 * precision.max_minutes
    progress.message(sharing_message(setup))
    # Rounds stored by an earlier run cost no tracing, so that there is nothing to probe.
    needs = needs_of(setup, probe=not setup.n_stored_rounds)
    require_capacity(needs, setup.folder)
    progress.message(_needs_message(setup, needs))
    most = _rounds_that_fit(setup, needs, max(1, precision.max_rays // setup.rays_per_round))
    memory = EnergyBuffer()
    progress.start("Tracing", setup.batches_per_round)
    paths = setup.trace(1, deadline, progress)
    while True:
        evaluator = Evaluator(paths, progress=progress, memory=memory)
        errors = _standard_errors(evaluator, precision)
        excess = max(error / requested for error, requested in errors.values())
        if excess <= 1.0 or time.monotonic() > deadline:
            break
        # The error falls with the square root of the number of rays; with a tenth more, one step is usually enough.
        needed = max(math.ceil(paths.n_rounds * 1.1 * excess**2), paths.n_rounds + 1)
        if needed > setup.n_stored_rounds:
            needs = needs if needs.round_seconds > 0.0 else needs_of(setup)
            most = _rounds_that_fit(setup, needs, most)
            progress.message(_more_rounds_message(setup, needs, paths.n_rounds, needed, most))
        if paths.n_rounds >= most:
            break
        n_more = min(needed, most) - paths.n_rounds
        progress.start("Tracing", n_more * setup.batches_per_round)
        paths = paths.extended(n_more, deadline, progress)
    return evaluator, Convergence(paths, errors)


def sharing_message(setup: TracingSetup) -> str:
    """How the scenarios share paths, in one or two sentences."""
    n_states = int(np.count_nonzero(setup.plan.initial_state)) - 1
    branching = (
        f" Paths branch at free-hanging cloth, for {n_states} of its states (cloths that hang, by band)."
        if n_states > 1
        else ""
    )
    return (
        f"All {setup.scene.n_scenarios} scenarios share one set of paths. The scenario and band whose scattering "
        f"differs most from the others needs about {setup.plan.loss:.1f} times as many rays as if it were traced by "
        f"itself.{branching}"
    )


def _needs_message(setup: TracingSetup, needs: Needs) -> str:
    scene, stored = setup.scene, setup.n_stored_rounds
    seats, scenarios = counted(scene.receivers.n_receivers, "seat"), counted(scene.n_scenarios, "scenario")
    rays = (
        f"{counted(stored, 'round')} of rays stored by an earlier run."
        if stored
        else f"A round of {setup.rays_per_round:,} rays takes {_cost(setup, needs, 1)}."
    )
    return (
        f"{seats} in {scenarios}, {counted(len(setup.sources), 'source')}: about {bytes_text(needs.memory)} of "
        f"memory. {rays}"
    )


def _more_rounds_message(setup: TracingSetup, needs: Needs, n_rounds: int, needed: int, most: int) -> str:
    limit = f" Only {most} rounds are allowed or fit on the disk." if needed > most else ""
    return (
        f"The requested precision needs about {needed} rounds of rays in all, which take "
        f"{_cost(setup, needs, needed - n_rounds)} more.{limit}"
    )


def _cost(setup: TracingSetup, needs: Needs, n_rounds: int) -> str:
    """Time and disk space of some rounds, in words."""
    seconds = seconds_text(n_rounds * needs.round_seconds + needs.figure_seconds)
    disk = "" if setup.folder is None else f" and {bytes_text(n_rounds * needs.round_disk)} on the disk"
    return f"about {seconds}{disk}"


def _rounds_that_fit(setup: TracingSetup, needs: Needs, most: int) -> int:
    """Rounds, of `most`, that fit on the disk together with the results."""
    if setup.folder is None or needs.round_disk == 0.0:
        return most
    more = int((free_disk(setup.folder) - needs.results_disk) / needs.round_disk)
    return min(most, max(1, setup.n_stored_rounds + more))


def _standard_errors(evaluator: Evaluator, precision: Precision) -> dict[str, tuple[float, float]]:
    """As in `Convergence.errors`."""
    requested = {STI: precision.sti, "a_weighted_level": precision.level, "clarity_c50": precision.clarity}
    limits = {name: limit for name, limit in requested.items() if limit}
    reached = {}
    for name, figure in evaluator.evaluate(list(limits), "Checking the precision").items():
        error = figure.estimate().standard_error
        if error.ndim == 3:
            error = error[..., 1:7].reshape(len(error), -1)
        known = np.isfinite(error).all(axis=1)
        if not known.any():
            if name != STI:  # Without late energy there is no clarity, however many rays are traced.
                continue
            raise SceneError(
                "no seat has a speech transmission index in all scenarios: no sound reaches the seats, or it decays "
                "too slowly to be traced to its end",
                cure="Check that sources and seats are in the same room, the delays of the sources, and the absorption "
                "of the surfaces.",
            )
        last = np.quantile(error[known], precision.share_of_seats, axis=0, method="higher").max()
        reached[name] = (float(last), limits[name])
    return reached
