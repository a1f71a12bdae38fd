"""The uncertainty of the results that follows from the uncertainty of the absorption, from the paths already traced.

The absorption of every material is drawn at random within its stated uncertainty (`scene/variation.py`), and the traced
paths are weighted again: no new ray is needed. All draws and the stated absorption are weighted over the same paths, so
that the Monte Carlo error cancels in their differences and few rays suffice for the effect of the input.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from ..metrics.replicated import Replicated, mean_of_seats, median_of_seats
from ..results.records import InputUncertainty
from ..scene.factors import scenario_factors
from ..scene.scene import Scene
from ..scene.variation import AbsorptionDraw
from ..venue.document import Study
from .compare import STI, sti_statistics
from .evaluator import SUMS_AT_A_TIME, Evaluator, evaluation_blocks

BATCHES = 5
"""Batches of paths that are weighted again, divided between the sources, at least one each: some 20 000 rays. Since all
draws share the Monte Carlo error, the input uncertainty of the STI agrees within a few per cent of itself with that
from twenty times as many."""
TABLE_BYTES = 128_000_000
"""Bytes of factor tables held in memory at a time."""

Draws = Callable[[int], np.ndarray]
"""Number of the draw -> factors (n_patches, 3, n_scenarios, 8)."""


def absorption_draws(study: Study, scene: Scene) -> Draws:
    """Factor tables of the scene with every material's absorption drawn within its uncertainty.

    Draw `i` depends only on the study's seed and the materials.
    """
    sets = [scenario.elements for scenario in study.document.scenarios_in_order()]

    def factors(draw: int) -> np.ndarray:
        variation = AbsorptionDraw(study.document.seed, draw)
        return scenario_factors(study, scene.patches, sets, variation)

    return factors


def input_uncertainty(
    evaluator: Evaluator, draws: Draws, n_draws: int, sti: Replicated, sti_target: float, within_limits: Sequence[bool]
) -> InputUncertainty:
    """Standard uncertainties of the speech transmission index from the input, and the probabilities of the order.

    Parameters
    ----------
    evaluator : of the traced paths
    draws : `absorption_draws` of its scene
    n_draws : number of draws used
    sti : (n_receivers, n_scenarios)
        As evaluated from all paths.
    sti_target : the lowest index at which a seat meets the target
    within_limits : (n_scenarios,) scenarios that keep all limits; only these are ranked
    """
    references = np.asarray(evaluator.scene.compare_with)
    shifts = np.stack(list(_shifts(evaluator, draws, n_draws)))
    value = sti.estimate().value
    over_seats = {
        name: np.stack([statistic(value + shift) for shift in shifts]) - statistic(value)
        for name, statistic in {STI: mean_of_seats, **sti_statistics(sti_target)}.items()
    }
    return InputUncertainty(
        n_draws=n_draws,
        seats={STI: _spread(shifts)},
        gains={STI: _spread(shifts - shifts[:, :, references])},
        room={name: _spread(shift) for name, shift in over_seats.items()},
        room_gains={name: _spread(shift - shift[:, references]) for name, shift in over_seats.items()},
        **_order(sti, over_seats["sti_median"], references, np.asarray(within_limits, dtype=bool)),
    )


def _shifts(evaluator: Evaluator, draws: Draws, n_draws: int) -> Iterator[np.ndarray]:
    """(n_receivers, n_scenarios) of each draw: the index minus the one for the absorption as stated."""
    scene = evaluator.scene
    n = scene.n_scenarios
    at_once = max(1, TABLE_BYTES // scene.factors.nbytes)
    tables = [scene.factors]
    stated: np.ndarray | None = None
    for draw in range(n_draws):
        tables.append(draws(draw))
        if len(tables) < at_once and draw < n_draws - 1:
            continue
        other = evaluator.with_scenarios(_side_by_side(scene, tables))
        blocks = evaluation_blocks(other.scene, len(other.edges) - 1, SUMS_AT_A_TIME)
        evaluator.progress.start("Input uncertainty", len(blocks))
        n_batches = math.ceil(BATCHES / len(evaluator.paths.setup.sources))
        weighted = other.whole_figures([STI], n_batches, evaluator.progress.advance)[STI]
        weighted = weighted.reshape(-1, n, len(tables))
        if stated is None:
            stated, weighted = weighted[:, :, 0], weighted[:, :, 1:]
        for k in range(weighted.shape[2]):
            yield weighted[:, :, k] - stated
        tables = []


def _side_by_side(scene: Scene, tables: Sequence[np.ndarray]) -> Scene:
    """A scene with every scenario once for each table, scenario by scenario, so that scenarios with the same sources
    remain next to each other."""
    n, noise_active = len(tables), scene.sources.noise_active
    return replace(
        scene,
        factors=np.stack(tables, axis=3).reshape(*scene.factors.shape[:2], -1, scene.factors.shape[3]),
        sources=replace(
            scene.sources,
            active=np.repeat(scene.sources.active, n, axis=1),
            noise_active=None if noise_active is None else np.repeat(noise_active, n, axis=1),
        ),
        scenarios=tuple(f"{name} {k}" for name in scene.scenarios for k in range(n)),
        compare_with=np.repeat(scene.compare_with * n, n),
        noise=np.repeat(scene.noise, n, axis=0),
    )


def _spread(shifts: np.ndarray) -> np.ndarray:
    """Root mean square over the draws of the deviation from the value for the absorption as stated."""
    return np.sqrt((shifts**2).mean(axis=0))


def _order(
    sti: Replicated, shifts: np.ndarray, references: np.ndarray, within_limits: np.ndarray
) -> dict[str, np.ndarray]:
    """"sign_kept", "best" and "ahead" of `InputUncertainty`: probabilities over all pairs of a draw of the input and a
    half-sample of the rays, since any error of the one may occur with any error of the other.

    Parameters
    ----------
    shifts : (n_draws, n_scenarios), of the median over the seats
    """
    median = sti.over_seats(median_of_seats)
    value = median.estimate().value
    error = median.moved - median.moved.mean(axis=0)
    possible = value + (shifts[:, None] + error[None]).reshape(-1, len(value))

    sign = np.sign(value - value[references])
    has_sign = ((possible - possible[:, references]) * sign > 0.0).mean(axis=0)
    sign_kept = np.where(np.isfinite(sign) & (sign != 0.0), has_sign, np.nan)

    best, ahead = np.full((2, len(value)), np.nan)
    chosen = np.flatnonzero(within_limits)
    if len(chosen):
        known = np.where(np.isfinite(possible), possible, -np.inf)[:, chosen]
        # Scenarios with equal values share the first place.
        first = known == known.max(axis=1, keepdims=True)
        best[chosen] = (first / first.sum(axis=1, keepdims=True)).mean(axis=0)
    falling = chosen[np.argsort(-np.where(np.isfinite(value), value, -np.inf)[chosen], kind="stable")]
    for this, following in pairwise(falling):
        if np.isfinite(value[[this, following]]).all():
            ahead[this] = (possible[:, this] > possible[:, following]).mean()
    return {"sign_kept": sign_kept, "best": best, "ahead": ahead}
