"""Statistical room acoustics: reverberation from volume, areas and absorption only.

The formulas do not take account of positions. `assumptions` lists where an enclosure violates what they assume.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from ..bands import EXACT, N_BANDS

DECAY_CONSTANT = 6.0 * np.log(10.0)
"""Energy falls as exp(-DECAY_CONSTANT t / T): 60 dB in the reverberation time T."""

SPEED_OF_SOUND = 343.2
"""m/s at 20 degC, the default."""


@dataclass(frozen=True)
class Enclosure:
    """An enclosure as the reverberation formulas describe it.

    Attributes
    ----------
    absorption : (n_surfaces, ..., n_bands) float
        Random-incidence absorption; in between any axes, such as scenarios.
    areas : (n_surfaces,) float, or broadcasting to `absorption`, m2
        A free-hanging sheet of cloth counts with both its faces, absorbs the energy that it neither reflects
        nor transmits, and has area 0 in a scenario without it.
    volume : float, m3
    air_attenuation : (n_bands,) float, 1/m
    speed_of_sound : float, m/s
    facing : (n_surfaces, 3) float, optional
        Share of each surface that faces along x, y and z: the squares of its unit normal's components. For
        the formulas that treat the three directions separately.
    """

    areas: np.ndarray
    absorption: np.ndarray
    volume: float
    air_attenuation: np.ndarray | float = 0.0
    speed_of_sound: float = SPEED_OF_SOUND
    facing: np.ndarray | None = None

    def __post_init__(self) -> None:
        areas = np.asarray(self.areas, dtype=float)
        absorption = np.asarray(self.absorption, dtype=float)
        if areas.ndim == 1:
            areas = areas.reshape(-1, *[1] * (absorption.ndim - 1))
        object.__setattr__(self, "absorption", absorption)
        object.__setattr__(self, "areas", areas)

    @property
    def total_area(self) -> np.ndarray:
        """Broadcasting to (..., n_bands), m2."""
        return self.areas.sum(axis=0)

    @property
    def mean_absorption(self) -> np.ndarray:
        """(..., n_bands), weighted by area."""
        return (self.areas * self.absorption).sum(axis=0) / self.total_area

    @property
    def air_area(self) -> np.ndarray:
        """Absorption area of the air, 4 m V, m2."""
        return 4.0 * np.asarray(self.air_attenuation) * self.volume

    @property
    def absorption_area(self) -> np.ndarray:
        """(..., n_bands) equivalent absorption area with the air's, m2."""
        return self.total_area * self.mean_absorption + self.air_area

    def time(self, area: np.ndarray) -> np.ndarray:
        """Reverberation time for an absorption area or exponent, air included: 24 ln(10) V / (c A), s."""
        with np.errstate(divide="ignore"):
            return 24.0 * np.log(10.0) * self.volume / (self.speed_of_sound * area)

    def along_axes(self) -> tuple[np.ndarray, np.ndarray]:
        """Area and mean absorption of the surfaces that face along x, y, z: each (3, ..., n_bands)."""
        if self.facing is None:
            raise ValueError("an Enclosure needs `facing` for this formula")
        shares = np.asarray(self.facing, dtype=float).T.reshape(3, -1, *[1] * (self.absorption.ndim - 1))
        areas = (shares * self.areas).sum(axis=1)
        absorbing = (shares * self.areas * self.absorption).sum(axis=1)
        return areas, absorbing / areas


# --- reverberation time ---------------------------------------------------------------------------------


def sabine(enclosure: Enclosure) -> np.ndarray:
    """Sabine: T = K V / (S a + 4 m V), K = 24 ln(10) / c. Returns (..., n_bands), s.

    Sabine, Collected Papers on Acoustics (1922); Kuttruff, Room Acoustics, ch. 5 (from memory). Valid for
    small, evenly distributed absorption; it does not become 0 for totally absorbing walls and is therefore too
    long from a mean absorption of about 0.2 upwards.
    """
    return enclosure.time(enclosure.absorption_area)


def eyring(enclosure: Enclosure) -> np.ndarray:
    """Norris and Eyring: T = K V / (-S ln(1 - a) + 4 m V). Returns (..., n_bands), s.

    Eyring, J. Acoust. Soc. Am. 1 (1930) 217 (from memory). Valid for diffusely reflecting walls and paths
    between reflections of nearly equal length.
    """
    return enclosure.time(enclosure.total_area * _exponent(enclosure.mean_absorption) + enclosure.air_area)


def millington(enclosure: Enclosure) -> np.ndarray:
    """Millington and Sette: T = K V / (-sum S_i ln(1 - a_i) + 4 m V). Returns (..., n_bands), s.

    Millington, J. Acoust. Soc. Am. 4 (1932) 69; Sette, ibid. 193 (from memory). Assumes that each sound hits
    every surface in proportion to its area; one small opening (absorption 1) makes it 0.
    """
    return enclosure.time((enclosure.areas * _exponent(enclosure.absorption)).sum(axis=0) + enclosure.air_area)


def fitzroy(enclosure: Enclosure) -> np.ndarray:
    """Fitzroy: the arithmetic mean of three Eyring times, one for each axis, weighted by area. Returns (...,
    n_bands), s.

    Fitzroy, J. Acoust. Soc. Am. 31 (1959) 893 (from memory). Intended for boxes with absorption on one pair of
    walls; usually too long.
    """
    weights, times = _eyring_along_axes(enclosure)
    return (weights * times).sum(axis=0)


def arau_puchades(enclosure: Enclosure) -> np.ndarray:
    """Arau-Puchades: the geometric mean of the three Eyring times. Returns (..., n_bands), s.

    Arau-Puchades, Acustica 65 (1988) 163 (from memory). For boxes with uneven absorption and some scattering;
    between Eyring and Fitzroy.
    """
    weights, times = _eyring_along_axes(enclosure)
    with np.errstate(divide="ignore"):
        return np.exp((weights * np.log(times)).sum(axis=0))


def _eyring_along_axes(enclosure: Enclosure) -> tuple[np.ndarray, np.ndarray]:
    """Share of the area that faces along x, y, z, and the Eyring time as if all did: each (3, ..., n_bands)."""
    areas, absorption = enclosure.along_axes()
    times = enclosure.time(enclosure.total_area * _exponent(absorption) + enclosure.air_area)
    return areas / areas.sum(axis=0), times


def kuttruff(enclosure: Enclosure, path_variance: float = 0.4) -> np.ndarray:
    """Kuttruff's correction of Eyring for unequal path lengths. Returns (..., n_bands), s.

    a'' = -ln(1 - a) (1 + (g/2) ln(1 - a)), with g the variance of the paths between reflections over their
    squared mean. Kuttruff, Room Acoustics (5th ed.), ch. 5.3 (from memory). For diffuse walls; practically
    exact up to a mean absorption of 0.3, with too small a decay exponent beyond.

    Parameters
    ----------
    enclosure : Enclosure
    path_variance : float
        1/8 in a sphere (exact), 0.35 in a cube, 0.4 in a hall of usual proportions, 0.5 to 0.65 in flat or
        long ones (chords of boxes under diffuse reflection, by Monte Carlo; Kuttruff, Table 5.1, prints 0.34
        to 0.61, from memory).
    """
    exponent = _exponent(enclosure.mean_absorption)
    corrected = exponent * (1.0 - 0.5 * path_variance * exponent)
    return enclosure.time(enclosure.total_area * corrected + enclosure.air_area)


FORMULAS: dict[str, Callable[[Enclosure], np.ndarray]] = {
    formula.__name__: formula for formula in (sabine, eyring, kuttruff, millington, fitzroy, arau_puchades)
}
"""All estimates of the reverberation time, in order of familiarity. Fitzroy and Arau-Puchades need
`Enclosure.facing`."""


def _exponent(absorption: np.ndarray) -> np.ndarray:
    """-ln(1 - a): infinite where everything is absorbed, so that the time becomes 0."""
    with np.errstate(divide="ignore"):
        return -np.log1p(-absorption)


def schroeder_frequency(reverberation_time: Any, volume: float) -> np.ndarray:
    """Frequency below which single modes are audible, Hz: 2000 sqrt(T / V).

    Schroeder and Kuttruff, J. Acoust. Soc. Am. 34 (1962) 76 (from memory). T in s, any shape; V in m3.
    """
    return 2000.0 * np.sqrt(np.asarray(reverberation_time) / volume)


# --- limits of validity ----------------------------------------------------------------------------

UNEVEN = 1.1
"""Arau-Puchades over Eyring from which absorption counts as uneven: twice the 5 % that are just
noticeable."""
HIGH_ABSORPTION = 0.2
"""Mean absorption from which Sabine is 12 % longer than Eyring: -ln(1 - 0.2) / 0.2 = 1.116."""
DEAD = 0.5
"""Mean absorption from which half the energy is lost at each reflection and no decay is diffuse (judged)."""
OUT_OF_PROPORTION = 5.0
"""Longest over shortest side of a hall from which it counts as long or flat (common practice, no source)."""


class BrokenAssumption(NamedTuple):
    """A property of an enclosure that the statistical estimates, or energy methods in general, do not describe."""

    code: str
    """"modal_region", "nearly_anechoic", "highly_absorbing", "uneven_absorption" or "disproportionate_room"."""
    severity: float
    """The larger, the more severe, among enclosures with the same code."""
    bands: tuple[int, ...]
    """Indices of the octave bands concerned."""
    values: dict[str, float]
    """The figures that demonstrate it, by name."""


def assumptions(
    enclosure: Enclosure, reverberation_time: Any, extent: tuple[float, float, float]
) -> list[BrokenAssumption]:
    """Properties of an enclosure that the statistical estimates do not describe, each code at most once.

    Parameters
    ----------
    enclosure : Enclosure of one scenario: absorption (n_surfaces, 8)
    reverberation_time : (8,) float, s, the best estimate available
    extent : three floats, m, size along x, y, z
    """
    broken: list[BrokenAssumption] = []

    def add(code: str, severity: float, bands: np.ndarray, **values: float) -> None:
        figures = {name: float(value) for name, value in values.items()}
        broken.append(BrokenAssumption(code, float(severity), tuple(np.flatnonzero(bands).tolist()), figures))

    limit = schroeder_frequency(reverberation_time, enclosure.volume)
    below = limit > EXACT
    if below.any():
        add("modal_region", limit[below].max(), below, schroeder_frequency=limit[below].max())
    mean = enclosure.mean_absorption
    if (mean > DEAD).any():
        add("nearly_anechoic", mean.max(), mean > DEAD, absorption=mean.max())
    elif (mean > HIGH_ABSORPTION).any():
        excess = (sabine(enclosure) / eyring(enclosure) - 1.0).max()
        add("highly_absorbing", mean.max(), mean > HIGH_ABSORPTION, absorption=mean.max(), sabine_excess=excess)
    if enclosure.facing is not None:
        even = eyring(enclosure)
        # Where everything is absorbed, both times are 0 and the absorption is even.
        ratio = np.divide(arau_puchades(enclosure), even, out=np.ones_like(even), where=even > 0.0)
        if (ratio > UNEVEN).any():
            worst = int(np.argmax(ratio))
            contrast = axis_contrast(enclosure, worst)
            add("uneven_absorption", ratio.max(), ratio > UNEVEN, band=worst, **contrast)
    short, middle, long = sorted(extent)
    if long > OUT_OF_PROPORTION * short:
        sizes = dict(zip(("x", "y", "z"), extent, strict=True))
        is_flat = middle > OUT_OF_PROPORTION * short
        add("disproportionate_room", long / short, np.ones(N_BANDS, dtype=bool), is_flat=is_flat, **sizes)
    return broken


def axis_contrast(enclosure: Enclosure, band: int) -> dict[str, float]:
    """The axes, 0 to 2, along which surfaces face that absorb most and least in a band, and their mean absorption."""
    along = enclosure.along_axes()[1][:, band]
    high, low = int(np.nanargmax(along)), int(np.nanargmin(along))
    return {"most_along": high, "most": float(along[high]), "least_along": low, "least": float(along[low])}
