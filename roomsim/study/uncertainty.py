"""The uncertainty of the results that follows from the uncertainty of the absorption, from the paths traced anyway.

The absorption of every material is drawn at random within its stated uncertainty (`scene/variation.py`), and the traced
paths are weighted again: no new ray is needed. All draws and the stated absorption are weighted over the same paths, so
that the Monte Carlo error cancels in their differences and a few rays show the effect of the input.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from ..metrics.replicated import Replicated, SeatFunction, mean_of_seats, median_of_seats, share_above
from ..metrics.replicated import quantile_of_seats as quantile
from ..results.records import InputUncertainty
from ..scene.factors import scenario_factors
from ..scene.scene import Scene
from ..scene.variation import AbsorptionDraw
from ..venue.document import Study
from .compare import STI
from .evaluator import SUMS_AT_A_TIME, Evaluator, evaluation_blocks

BATCHES = 5
"""Batches of paths that are weighted again, divided between the sources, at least one each: some 20 000 rays. Since all
draws share the Monte Carlo error, the input uncertainty of the STI agrees to a few per cent of itself with that from
twenty times as many."""
TABLE_BYTES = 128_000_000
"""Of factor tables held at a time."""

Draws = Callable[[int], np.ndarray]
"""Number of the draw -> factors (n_patches, 3, n_scenarios, 8)."""


def absorption_draws(study: Study, scene: Scene) -> Draws:
    """Factor tables of the scene with every material's absorption drawn within its uncertainty.

    Draw `i` depends on the study's seed and on the materials alone.
    """
    sets = [scenario.elements for scenario in study.document.scenarios_in_order()]

    def factors(draw: int) -> np.ndarray:
        variation = AbsorptionDraw(study.document.seed, draw)
        return scenario_factors(study, scene.patches, sets, variation)

    return factors


def input_uncertainty(
    evaluator: Evaluator,
    draws: Draws,
    n_draws: int,
    sti: Replicated,
    compare_with: Sequence[int] | np.ndarray,
    sti_target: float,
    within_limits: Sequence[bool],
) -> InputUncertainty:
    """Standard uncertainties of the speech transmission index from the input, and how certain the order is.

    Parameters
    ----------
    evaluator : of the traced paths
    draws : `absorption_draws` of its scene
    n_draws : how many of them to use
    sti : (n_receivers, n_scenarios)
        As evaluated from all paths.
    compare_with : (n_scenarios,)
    sti_target : above which a seat counts as served
    within_limits : (n_scenarios,) scenarios that can be chosen; only these are ranked

    Returns
    -------
    InputUncertainty
    """
    references = np.asarray(compare_with)
    shifts = np.stack(list(_shifts(evaluator, draws, n_draws)))
    value = sti.estimate().value
    seats, gains = _spread(shifts), _spread(shifts - shifts[:, :, references])
    room, room_gains = {}, {}
    statistics: dict[str, SeatFunction] = {
        STI: mean_of_seats,
        "sti_median": median_of_seats,
        "sti_worst_tenth": quantile(0.1),
        "sti_share_of_seats": share_above(sti_target),
    }
    moved: dict[str, np.ndarray] = {}
    for name, statistic in statistics.items():
        moved[name] = np.stack([statistic(value + shift) for shift in shifts]) - statistic(value)
        room[name], room_gains[name] = _spread(moved[name]), _spread(moved[name] - moved[name][:, references])
    return InputUncertainty(
        n_draws=n_draws,
        seats={STI: seats},
        gains={STI: gains},
        room=room,
        room_gains=room_gains,
        **_order(sti, moved["sti_median"], references, np.asarray(within_limits, dtype=bool)),
    )


def _shifts(evaluator: Evaluator, draws: Draws, n_draws: int) -> Iterator[np.ndarray]:
    """(n_receivers, n_scenarios) of each draw: by how much the index exceeds that with the absorption as stated."""
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
        weighed = other.whole_figures([STI], n_batches, evaluator.progress.advance)[STI]
        weighed = weighed.reshape(-1, n, len(tables))
        if stated is None:
            stated, weighed = weighed[:, :, 0], weighed[:, :, 1:]
        for k in range(weighed.shape[2]):
            yield weighed[:, :, k] - stated
        tables = []


def _side_by_side(scene: Scene, tables: Sequence[np.ndarray]) -> Scene:
    """A scene with every scenario once for each table, scenario by scenario, so that those whose sources play
    together stay together."""
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
    """How often the order of the scenarios is the same: every draw of the input with every half-sample of rays.

    Parameters
    ----------
    shifts : (n_draws, n_scenarios), of the median seat's index
    """
    median = sti.over_seats(median_of_seats)
    value = median.estimate().value
    error = median.moved - median.moved.mean(axis=0)
    # (n_draws * n_half_samples, n_scenarios): any error of the input may occur with any error of the rays.
    possible = value + (shifts[:, None] + error[None]).reshape(-1, len(value))
    return {
        "sign_kept": _share_above_zero(
            possible - possible[:, references], np.sign(value - value[references])
        ),
        **_ranks(possible, value, within_limits),
    }


def _ranks(possible: np.ndarray, value: np.ndarray, within_limits: np.ndarray) -> dict[str, np.ndarray]:
    """"best" and "ahead" among the scenarios within the limits; NaN for the others."""
    chosen = np.flatnonzero(within_limits)
    ranks = {}
    for name, found in (
        ("best", _share_best(possible[:, chosen])),
        ("ahead", _share_ahead(possible[:, chosen], value[chosen])),
    ):
        ranks[name] = np.full(len(value), np.nan)
        ranks[name][chosen] = found
    return ranks


def _share_above_zero(possible: np.ndarray, sign: np.ndarray) -> np.ndarray:
    share = (possible * sign > 0.0).mean(axis=0)
    return np.where(np.isfinite(sign) & (sign != 0.0), share, np.nan)


def _share_best(possible: np.ndarray) -> np.ndarray:
    if not possible.shape[1]:
        return np.empty(0)
    known = np.where(np.isfinite(possible), possible, -np.inf)
    # Scenarios that are the same share the place.
    first = known == known.max(axis=1, keepdims=True)
    return (first / first.sum(axis=1, keepdims=True)).mean(axis=0)


def _share_ahead(possible: np.ndarray, value: np.ndarray) -> np.ndarray:
    order = np.argsort(-np.where(np.isfinite(value), value, -np.inf), kind="stable")
    ahead = np.full(len(value), np.nan)
    for this, following in pairwise(order):
        if np.isfinite(value[[this, following]]).all():
            ahead[this] = (possible[:, this] > possible[:, following]).mean()
    return ahead
