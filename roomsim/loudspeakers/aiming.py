"""Aiming a hang: the tilt of its top box and the angles between its boxes that cover the seats evenly."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.optimize import differential_evolution

from ..bands import N_BANDS, SPEECH_MID
from ..errors import PhysicalRangeError
from ..physics.radiation import frame, gain_towards
from ..venue.loudspeakers import Loudspeaker
from ..venue.systems import Hang
from .elements import band_energy, element_arrays
from .field import NEAREST
from .layout import Layout, layout_of

SPLAYS = (0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 7.0, 10.0)
"""Degrees between boxes that rigging frames commonly offer (common practice, no source)."""
SPREAD = 6.0
"""dB between the 5 % and the 95 % quantile of the seats: within +-3 dB at nine of ten seats (common practice, no
source)."""
TILT_STEP, STEEPEST, FLATTEST = 0.5, -30.0, 10.0
"""Degrees: step and range of the tilts of the top box that are tried; negative angles point down."""

STARTS, APART = 3, 6
"""Number of candidates from which the local search starts, and steps by which they differ at least, summed over
angles."""

Aiming = tuple[float, tuple[float, ...]]
"""Tilt of the top box and splays, degrees."""
Directions = Callable[[np.ndarray], np.ndarray]
"""(n, 3) unit vectors from the middle of the hang -> (n,) bool."""


@dataclass(frozen=True)
class Evenness:
    """Direct level over the seats."""

    level: np.ndarray
    """(n_seats, 8) float64, dB."""

    @property
    def spread(self) -> np.ndarray:
        """(8,) dB, 95 % quantile minus 5 % quantile over the seats."""
        low, high = np.quantile(self.level, (0.05, 0.95), axis=0)
        return high - low


@dataclass(frozen=True)
class Aim:
    """A hang with its new angles, compared with the original ones."""

    hang: Hang
    before: Evenness
    after: Evenness
    spill_before: np.ndarray
    """(8,) share of the energy that is radiated in unwanted directions."""
    spill_after: np.ndarray
    wanted: float
    """dB, the spread required."""
    is_met: bool


def aim(
    hang: Hang,
    own: Mapping[str, Loudspeaker],
    seats: np.ndarray,
    speed_of_sound: float,
    folder: Path,
    *,
    air_attenuation: np.ndarray,
    unwanted: Directions,
    splays: Sequence[float] = SPLAYS,
    spread: float = SPREAD,
    seed: int = 1,
) -> Aim:
    """Find the tilt of the top box and the splays of a hang.

    There are two criteria in strict order of priority, without weights between them:

    1. The spread of the direct level over the seats is at most `spread` in every band. Where no angles achieve this,
       the mean excess over the bands is minimised.
    2. Of all angles that achieve it, those are taken that radiate the smallest share of the energy in unwanted
       directions, mean over the bands.

    Angles between boxes are steps of the rigging and do not decrease downwards: straight at the top, curved below
    (common practice, no source). Candidates come from a differential evolution over whole steps (Storn and
    Price, Journal of Global Optimization 11 (1997), 341; feasible before infeasible as Deb, Computer Methods in
    Applied Mechanics and Engineering 186 (2000), 311; both from memory), then from changing one angle at a time
    until there is no improvement. The same input gives the same angles.

    Parameters
    ----------
    hang : with any angles; its position, boxes, drive and azimuth are retained
    own : the user's boxes
    seats : (n, 3) float, m, ear positions that it is to cover
    speed_of_sound : m/s
    folder : to which the names of directivity files are relative
    air_attenuation : (8,) float, 1/m, energy
    unwanted : directions in which radiation is to be avoided, such as those that first meet roof or walls
    splays : degrees, the steps of the rigging
    spread : dB, in the octaves 500 Hz to 4 kHz
    seed : of the evolution

    Raises
    ------
    PhysicalRangeError : no seats, or no steps
    DocumentError : no such box
    """
    steps = np.array(sorted(set(splays)))
    if not len(seats) or not len(steps):
        raise PhysicalRangeError("aiming a hang requires seats to cover and splay angles to choose from")
    field = _Field(hang, own, np.asarray(seats, dtype=float), speed_of_sound, folder, air_attenuation)
    tried: dict[Aiming, float] = {}
    fan, fan_weight = _fan(hang.azimuth)
    stray = unwanted(fan)

    def merit(aiming: Aiming) -> float:
        if aiming not in tried:
            excess = np.maximum(field.at_seats(aiming, tuple(SPEECH_MID)).spread - spread, 0.0).mean()
            spill = (
                field.share(aiming, fan, fan_weight, stray, tuple(SPEECH_MID), 3).mean() if excess == 0.0 else 1.0
            )
            tried[aiming] = float(spill + excess)
        return tried[aiming]

    best = _search(merit, hang, steps, seed)
    everywhere, weight = _globe()
    stray = unwanted(everywhere)
    original = (hang.tilt, hang.splay)
    after = field.at_seats(best)
    return Aim(
        hang=aimed(hang, best),
        before=field.at_seats(original),
        after=after,
        spill_before=field.share(original, everywhere, weight, stray),
        spill_after=field.share(best, everywhere, weight, stray),
        wanted=spread,
        is_met=bool((after.spread[SPEECH_MID] <= spread).all()),
    )


def aimed(hang: Hang, aiming: Aiming) -> Hang:
    """The hang with other angles."""
    return hang.model_copy(update={"tilt": aiming[0], "splay": aiming[1]})


def _search(merit: Callable[[Aiming], float], hang: Hang, steps: np.ndarray, seed: int) -> Aiming:
    """The angles with the lowest merit value."""

    def of(candidate: tuple[int, ...]) -> Aiming:
        return STEEPEST + TILT_STEP * candidate[0], tuple(float(steps[i]) for i in candidate[1:])

    n_tilts = round((FLATTEST - STEEPEST) / TILT_STEP)
    bounds = [(0, n_tilts), *[(0, len(steps) - 1)] * (hang.count - 1)]
    seen: dict[tuple[int, ...], float] = {}

    def in_order(numbers: Iterable[float]) -> tuple[int, ...]:
        tilt, *splays = map(int, numbers)
        return tilt, *sorted(splays)

    def evaluated(numbers: Iterable[float]) -> float:
        candidate = in_order(numbers)
        seen[candidate] = merit(of(candidate))
        return seen[candidate]

    differential_evolution(
        evaluated,
        bounds,
        integrality=np.ones(len(bounds), bool),
        seed=seed,
        popsize=10,
        maxiter=30,
        polish=False,
    )
    # A local search from each of the best three that are not neighbours.
    starts: list[tuple[int, ...]] = []
    for candidate in sorted(seen, key=lambda candidate: seen[candidate]):
        if all(np.abs(np.subtract(candidate, other)).sum() > APART for other in starts):
            starts.append(candidate)
        if len(starts) == STARTS:
            break
    for start in starts:
        best = start
        while True:
            better = in_order(min(_neighbours(best, bounds), key=evaluated))
            if seen[better] >= seen[best]:
                break
            best = better
    return of(min(seen, key=lambda candidate: seen[candidate]))


def _neighbours(candidate: tuple[int, ...], bounds: list[tuple[int, int]]) -> Iterator[list[int]]:
    """One angle changed, by itself or together with the top box so that the boxes below keep their direction
    roughly."""
    for i, (low, high) in enumerate(bounds):
        for by in (-4, -2, -1, 1, 2, 4):
            for shift in (0, -2, 2) if i else (0,):
                moved = list(candidate)
                moved[i] = min(max(moved[i] + by, low), high)
                moved[0] = min(max(moved[0] + shift, bounds[0][0]), bounds[0][1])
                yield moved


def _fan(azimuth: float) -> tuple[np.ndarray, np.ndarray]:
    """Directions in front of a hang and their weights, enough to rank candidates."""
    elevation, aside = np.meshgrid(np.arange(-60.0, 60.5, 1.0), np.arange(-60.0, 61.0, 30.0), indexing="ij")
    directions = [frame(azimuth + a, e)[0] for e, a in zip(elevation.ravel(), aside.ravel())]
    return np.array(directions), np.cos(np.radians(elevation.ravel()))


def _globe() -> tuple[np.ndarray, np.ndarray]:
    """Directions over the whole sphere and their weights. Fine steps in elevation resolve the edges that cut the
    beams."""
    elevation = np.radians(np.arange(-89.875, 90.0, 0.25))[:, None]
    azimuth = np.radians(np.arange(5.0, 360.0, 10.0))
    level = np.cos(elevation)
    parts = (level * np.cos(azimuth), level * np.sin(azimuth), np.sin(elevation) + 0.0 * azimuth)
    return np.stack(parts, axis=-1).reshape(-1, 3), np.broadcast_to(level, (len(level), len(azimuth))).ravel()


class _Field:
    """The field of one hang at seats and far away, for many sets of angles."""

    def __init__(
        self,
        hang: Hang,
        own: Mapping[str, Loudspeaker],
        seats: np.ndarray,
        speed_of_sound: float,
        folder: Path,
        air_attenuation: np.ndarray,
    ):
        self._hang, self._own, self._seats, self._speed = hang, own, seats, speed_of_sound
        self._air = air_attenuation
        layout = layout_of(hang, own, speed_of_sound)
        # Gains, filters and delays do not depend on the angles; the length of the hang practically does not either.
        self._boxes = element_arrays(layout, speed_of_sound, folder)
        self._some: dict[tuple[tuple[int, ...], int | None], tuple[np.ndarray, ...]] = {}

    def _layout(self, aiming: Aiming) -> Layout:
        return layout_of(aimed(self._hang, aiming), self._own, self._speed)

    def at_seats(self, aiming: Aiming, bands: tuple[int, ...] = tuple(range(N_BANDS))) -> Evenness:
        """Direct level with the loss in the air."""
        layout = self._layout(aiming)
        away = self._seats[None] - layout.position[:, None]
        distance = np.maximum(np.linalg.norm(away, axis=2), NEAREST)
        pressure = self._sum(layout, away, distance, 1.0 / distance, bands, None)
        energy = band_energy(pressure, self._boxes.per_band[list(bands)])
        middle = np.linalg.norm(self._seats - layout.reference, axis=1)
        energy = energy * np.exp(-middle[:, None] * self._air[list(bands)])
        return Evenness(10.0 * np.log10(np.maximum(energy, 1e-30)))

    def share(
        self,
        aiming: Aiming,
        directions: np.ndarray,
        weight: np.ndarray,
        chosen: np.ndarray,
        bands: tuple[int, ...] = tuple(range(N_BANDS)),
        n_lines: int = 4,
    ) -> np.ndarray:
        """(n_bands,) share of the energy that is radiated in the chosen directions."""
        layout = self._layout(aiming)
        away = np.broadcast_to(directions[None], (layout.n_boxes, *directions.shape))
        ahead_by = (layout.position - layout.reference) @ directions.T
        pressure = self._sum(layout, away, -ahead_by, np.ones_like(ahead_by), bands, n_lines)
        energy = (
            np.square(np.abs(pressure)).reshape(len(directions), -1, n_lines).mean(axis=2) * weight[:, None]
        )
        return energy[chosen].sum(axis=0) / energy.sum(axis=0)

    def _lines(self, bands: tuple[int, ...], n_lines: int | None) -> tuple[np.ndarray, ...]:
        """Frequencies, pattern and responses on `n_lines` of each band's lines, or on all."""
        if (bands, n_lines) not in self._some:
            per_band = self._boxes.per_band
            first = np.cumsum(per_band) - per_band
            steps = np.ones(N_BANDS, int) if n_lines is None else per_band // n_lines
            lines = np.concatenate(
                [np.arange(first[b] + steps[b] // 2, first[b] + per_band[b], steps[b]) for b in bands]
            )
            table = np.ascontiguousarray(self._boxes.table[..., lines])
            self._some[bands, n_lines] = (self._boxes.frequency[lines], table, self._boxes.response[:, lines])
        return self._some[bands, n_lines]

    def _sum(
        self,
        layout: Layout,
        away: np.ndarray,
        path: np.ndarray,
        loss: np.ndarray,
        bands: tuple[int, ...],
        n_lines: int | None,
    ) -> np.ndarray:
        """(n_points, n_lines) sum over boxes; away (n_boxes, n_points, 3), path and loss (n_boxes, n_points)."""
        frequency, table, response = self._lines(bands, n_lines)
        local = np.einsum("bpk,bjk->bpj", away, layout.frames)
        sent = gain_towards(table, np.eye(3), local) * response[:, None] * loss[..., None]
        return (sent * np.exp(-2j * np.pi / self._speed * frequency * path[..., None])).sum(axis=0)
