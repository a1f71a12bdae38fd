"""Absorption of cloth and surfaces: drapes on a wall, free-hanging cloth, ratings of the standards.

Cloth is a limp, porous sheet: sound drives air through it against its flow resistance and at the same time
moves it as a mass. Both are driven by the same pressure difference, so resistance and mass are in parallel.
All impedances are divided by the characteristic impedance of air. A wave that meets the sheet at an angle
sees the impedance times the cosine of that angle. Kuttruff, Room Acoustics (5th ed.), ch. 2 and 6; Cox and
D'Antonio, Acoustic Absorbers and Diffusers, ch. 6 (both from memory).

Reflection, transmission and absorption are averaged over a diffuse field (Paris' formula: every angle with
weight sin 2 theta) and over each octave (equal weight per fraction of an octave), by Gauss quadrature to
better than 1e-4.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from scipy import special

from ..bands import EXACT, N_BANDS
from ..errors import PhysicalRangeError
from .air import Air

STANDARD_AIR = Air()

LAYER_GAP = 0.1
"""m between two layers of cloth hung as two lines (common practice, no source)."""

PLEAT_PITCH = 0.2
"""m from pleat to pleat along the pipe (common practice, no source)."""

FLATNESS = 0.02
"""m between the nearest and the farthest point of a cloth hung flat (common practice, no source)."""

ALIKE_DEPTH = float(np.log(2.0))
"""Logarithm of the ratio of two depths of air behind a cloth at which a measurement at one depth no longer applies to
the other. An absorption curve moves by an octave as the depth doubles: a value measured in a band then belongs to the
neighbouring band."""

ALIKE_FULLNESS = 0.5
"""The same for fullness: one of the usual steps, flat, 1.5, 2.0 (common practice, no source)."""

BETWEEN_LABORATORIES = 0.05
"""Spread of a small absorption coefficient from one laboratory to the next (common practice, no source)."""

FORMULA_UNCERTAINTY = 0.2
"""Relative standard uncertainty of the formula for cloth on a wall: it misses the handbook rows of cloth in pleats by
0.08 (root mean square) in an absorption of 0.46 on average (`tests/standards`)."""


# --- cloth ----------------------------------------------------------------------------------------------


def sheet_impedance(
    frequency: Any, flow_resistance: float, surface_mass: float, fullness: float, air: Air
) -> np.ndarray:
    """Normalised impedance of cloth per area covered: resistance and mass in parallel, times F^p.

    z = F^p r jX / (r + jX), r = R / (rho c), X = 2 pi f m / (rho c).

    The effect of fullness F depends on the depth D of the pleats. Where the pleats are much shallower than the
    wavelength, the pressure is uniform over them, and F times the cloth passes F times the flow: p = -1. Through
    pleats as deep as the wavelength, sound propagates straight, and a straight line crosses them F times on average
    (Cauchy's theorem: the mean number of crossings is proportional to the area): p = +1. In between p = (x^2 - 1) /
    (x^2 + 1), x = k D, is our own assumption; it reproduces handbook rows of one cloth at several fullnesses, which p
    = -1 throughout does not: with it, cloth would absorb less the fuller it hangs.

    Parameters
    ----------
    frequency : (...) float, Hz
    flow_resistance : float, Pa s/m, of one flat layer (ISO 9053-1)
    surface_mass : float, kg/m2 of cloth
    fullness : float, width of cloth over width hung

    Returns
    -------
    (...) complex
    """
    omega = 2.0 * np.pi * np.asarray(frequency, dtype=float)
    resistance = flow_resistance / air.impedance
    mass = 1j * omega * surface_mass / air.impedance
    x2 = (omega / air.speed_of_sound * fold_depth(fullness)) ** 2
    return fullness ** ((x2 - 1.0) / (x2 + 1.0)) * resistance * mass / (resistance + mass)


def fold_depth(fullness: float) -> float:
    """Range of depths of the gap behind a cloth, m.

    Triangular pleats of pitch p that use F times the width are p/2 sqrt(F^2 - 1) deep. Cloth meant to hang
    flat waves by `FLATNESS`.
    """
    return max(FLATNESS, 0.5 * PLEAT_PITCH * float(np.sqrt(fullness**2 - 1.0)))


def drape_on_wall(
    flow_resistance: float,
    surface_mass: float,
    gap: float,
    fullness: float = 1.0,
    layers: int = 1,
    air: Air = STANDARD_AIR,
) -> np.ndarray:
    """Random-incidence absorption of cloth hanging in front of a rigid wall.

    The wave reflected by the wall is carried back through the air gap and each layer in turn, exactly (plane
    waves, locally flat cloth, free gap). For one layer this is Z = z cos(theta) - j cot(k d cos(theta)),
    absorption 4 Re Z / |Z + 1|^2. Pleats spread the gap evenly from `gap` to `gap` + `fold_depth`; the mean
    over the gaps is taken in closed form.

    Valid for cloth much wider than the gap, in front of a rigid, airtight wall; the wall's own absorption is
    added by `over_wall`. The formula agrees with handbook tables to 0.08 (root mean square), about the
    difference between laboratories; there are no table values at 63 Hz.

    Parameters
    ----------
    flow_resistance : float, Pa s/m, of one flat layer (ISO 9053-1)
    surface_mass : float, kg/m2 of cloth
    gap : float, m, wall to the nearest point of the cloth
    fullness : float, width of cloth over width hung; 2.0 is "100 % fullness"
    layers : 1 or 2, `LAYER_GAP` apart
    air : Air, by default at 20 degC

    Returns
    -------
    (8,) float, 0 to 1

    Raises
    ------
    PhysicalRangeError
        For values that no cloth can have.
    """
    _check_cloth(flow_resistance, surface_mass, gap, fullness, layers)
    fold = fold_depth(fullness)
    absorption = np.empty(N_BANDS)
    for band, centre in enumerate(EXACT):
        frequency, cosine, weight = _octave_and_angles(centre, air, gap + fold + (layers - 1) * LAYER_GAP)
        number = 2.0 * np.pi * frequency / air.speed_of_sound * cosine
        z = sheet_impedance(frequency, flow_resistance, surface_mass, fullness, air) * cosine
        a, b, q, _ = _stack(z, np.exp(-2j * number * LAYER_GAP), layers)
        # Mean of w / (1 - q w) over the gaps; w = exp(-2j k d cos(theta)) is the way to the wall and back.
        near, far = np.exp(-2j * number * gap), np.exp(-2j * number * (gap + fold))
        mean = (np.log1p(-q * far) - np.log1p(-q * near)) / (2j * q * number * fold)
        e = b + a * q
        reflected = (
            np.abs(a) ** 2
            + 2.0 * (a.conj() * e * mean).real
            + np.abs(e) ** 2 * (1.0 + 2.0 * (q * mean).real) / (1.0 - np.abs(q) ** 2)
        )
        absorption[band] = 1.0 - (weight * reflected).sum()
    return np.clip(absorption, 0.0, 1.0)


class MeasuredRow(NamedTuple):
    """Absorption of one layer of cloth on a wall, as measured."""

    gap: float
    """m, wall to the nearest point of the cloth."""
    fullness: float
    absorption: tuple[float, ...]
    """(8,)"""


def corrected_by_rows(
    flow_resistance: float,
    surface_mass: float,
    gap: float,
    fullness: float,
    rows: tuple[MeasuredRow, ...],
    air: Air = STANDARD_AIR,
) -> tuple[np.ndarray, float]:
    """Absorption of one layer on a wall, from the formula corrected by measurements under similar conditions.

    Each row i gives the error of the formula under its conditions, band by band: c_i, a difference on the scale t =
    ln((a + e) / (1 - a + e)) with e = `BETWEEN_LABORATORIES`, on which a correction of a small absorption adds and one
    of a large absorption does not reach 1. Under other conditions its weight decreases with the difference from those
    of the row, k_i = exp(-d_i^2 / 2), d_i^2 = (ln(D / D_i) / `ALIKE_DEPTH`)^2 + ((F - F_i) / `ALIKE_FULLNESS`)^2, with
    D the mean depth of air behind the cloth and F the fullness. With v_i = k_i / (1 - k_i) the correction is sum(v_i
    c_i) / (1 + sum(v_i)): exactly that of a row under its own conditions, k_i c_i for a single row, never more than
    the largest, and smooth between; far from all rows the formula remains. An interpolation by inverse distance
    (Shepard, Proc. 23rd ACM National Conference (1968) 517, from memory) with the formula as a further value far away;
    this form of the weights and the length scales are our own.

    Parameters
    ----------
    flow_resistance, surface_mass, gap, fullness, air : as in `drape_on_wall`
    rows : taken to be measured at 20 degC

    Returns
    -------
    absorption : (8,) float, 0 to 1
    trust : float
        sum(v_i) / (1 + sum(v_i)): 1 where a row was measured, 0 far from all.
    """
    formula = drape_on_wall(flow_resistance, surface_mass, gap, fullness, air=air)
    if not rows:
        return formula, 0.0
    deeper = np.log([_mean_depth(gap, fullness) / _mean_depth(row.gap, row.fullness) for row in rows])
    fuller = fullness - np.array([row.fullness for row in rows])
    away = 0.5 * ((deeper / ALIKE_DEPTH) ** 2 + (fuller / ALIKE_FULLNESS) ** 2)
    # v = 1 / (exp(d^2 / 2) - 1), limited to the numerical range: two rows with equal conditions then count equally.
    likeness = 1.0 / np.clip(np.expm1(np.minimum(away, 700.0)), 1e-12, None)
    trust = float(likeness.sum() / (1.0 + likeness.sum()))
    errors = [_error_of_formula(flow_resistance, surface_mass, row) for row in rows]
    correction = likeness @ np.array(errors) / (1.0 + likeness.sum())
    odds = np.exp(_stretched(formula) + correction)
    absorption = ((1.0 + BETWEEN_LABORATORIES) * odds - BETWEEN_LABORATORIES) / (1.0 + odds)
    return np.clip(absorption, 0.0, 1.0), trust


@lru_cache(maxsize=256)
def _error_of_formula(flow_resistance: float, surface_mass: float, row: MeasuredRow) -> np.ndarray:
    formula = drape_on_wall(flow_resistance, surface_mass, row.gap, row.fullness)
    return _stretched(np.array(row.absorption)) - _stretched(formula)


def _stretched(absorption: np.ndarray) -> np.ndarray:
    return np.log((absorption + BETWEEN_LABORATORIES) / (1.0 - absorption + BETWEEN_LABORATORIES))


def _mean_depth(gap: float, fullness: float) -> float:
    """m, of the air between wall and cloth."""
    return gap + 0.5 * fold_depth(fullness)


def free_sheet(
    flow_resistance: float,
    surface_mass: float,
    fullness: float = 1.0,
    layers: int = 1,
    air: Air = STANDARD_AIR,
) -> tuple[np.ndarray, np.ndarray]:
    """Random-incidence reflection and transmission of cloth hanging free, sound field on both sides.

    Of one layer R = |z' / (2 + z')|^2 and T = |2 / (2 + z')|^2 with z' = z cos(theta); the rest is
    absorbed. Two layers are combined exactly across the air between them. Each hit of either face loses
    1 - R - T, so a sheet of area S counts 2 S (1 - R - T) of equivalent absorption area.

    Valid for cloth much larger than the wavelength: diffraction round the edges is neglected.

    Parameters
    ----------
    flow_resistance : float, Pa s/m, of one flat layer (ISO 9053-1)
    surface_mass : float, kg/m2 of cloth
    fullness : float, width of cloth over width hung
    layers : 1 or 2, `LAYER_GAP` apart
    air : Air, by default at 20 degC

    Returns
    -------
    reflection, transmission : each (8,) float, 0 to 1, together at most 1

    Raises
    ------
    PhysicalRangeError
        For values that no cloth can have.
    """
    _check_cloth(flow_resistance, surface_mass, 0.0, fullness, layers)
    reflection, transmission = np.empty(N_BANDS), np.empty(N_BANDS)
    for band, centre in enumerate(EXACT):
        frequency, cosine, weight = _octave_and_angles(centre, air, (layers - 1) * LAYER_GAP)
        z = sheet_impedance(frequency, flow_resistance, surface_mass, fullness, air) * cosine
        turn = np.exp(-4j * np.pi * frequency / air.speed_of_sound * cosine * LAYER_GAP)
        reflected, _, _, denominator = _stack(z, turn, layers)
        reflection[band] = (weight * np.abs(reflected) ** 2).sum()
        transmission[band] = (weight * 4.0**layers / np.abs(denominator) ** 2).sum()
    return reflection, transmission


def over_wall(drape_absorption: Any, wall_absorption: Any) -> np.ndarray:
    """Absorption of a wall with cloth in front of it: 1 - (1 - drape)(1 - wall).

    The energy that the cloth does not absorb still reaches the wall. Cloth is transparent at low frequencies,
    where the wall's own absorption (a panel, a sheet roof) would be lost if the cloth replaced it. An energy
    estimate based on judgement.
    """
    return 1.0 - (1.0 - np.asarray(drape_absorption)) * (1.0 - np.asarray(wall_absorption))


def _stack(
    z: np.ndarray, turn: np.ndarray, layers: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Reflection factor before a stack of layers, given the factor w behind it: (a + b w) / (1 - q w).

    One layer of impedance z: (z + (2 - z) w) / (2 + z - z w), from equal velocity on both faces and a
    pressure difference of z times it. Air between layers turns a factor by `turn`. Products of such
    functions are products of their 2 x 2 matrices. The last value is the denominator at w = 0: a stack
    before an open half-space lets 2^layers / denominator of the amplitude through.
    """
    b, a, minus_q, one = 2.0 - z, z, -z, 2.0 + z
    for _ in range(layers - 1):
        b, a = b * turn * (2.0 - z) - a * z, b * turn * z + a * (2.0 + z)
        minus_q, one = minus_q * turn * (2.0 - z) - one * z, minus_q * turn * z + one * (2.0 + z)
    return a / one, b / one, -minus_q / one, one


def _octave_and_angles(centre: float, air: Air, depth: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Quadrature nodes of an octave and of all angles: frequency (n, 1), cosine (1, m), weight (n, m).

    Interference over an air `depth` turns by 2 k depth over all angles and by 0.7 times that over an octave; a cloth
    of high resistance makes it sharper. The orders grow with the phase, and are more than sufficient for a resistance
    of 5000 Pa s/m.
    """
    phase = 2.0 * np.pi * centre * 10.0**0.15 / air.speed_of_sound * depth
    log_f, f_weight = _gauss(24 + int(1.2 * phase), -0.15, 0.15)
    cosine, c_weight = _gauss(48 + int(2.5 * phase), 0.0, 1.0)
    # sin(2 theta) d theta = 2 cos(theta) d cos(theta)
    weight = f_weight[:, None] * (2.0 * cosine * c_weight)
    return (centre * 10.0**log_f)[:, None], cosine[None, :], weight


def _gauss(order: int, low: float, high: float) -> tuple[np.ndarray, np.ndarray]:
    """Gauss-Legendre nodes from `low` to `high` and weights that sum to 1."""
    node, weight = _legendre(order)
    return low + 0.5 * (high - low) * (node + 1.0), 0.5 * weight


# The cloths of all scenarios use a few dozen orders, each of which requires the eigenvalues of a matrix.
_legendre = lru_cache(special.roots_legendre)


def _check_cloth(flow_resistance: float, surface_mass: float, gap: float, fullness: float, layers: int) -> None:
    for quantity, value, low, high, unit in (
        ("flow resistance of a fabric", flow_resistance, 1e-3, 1e6, "Pa s/m"),
        ("surface mass of a fabric", surface_mass, 1e-3, 100.0, "kg/m2"),
        ("gap behind a drape", gap, 0.0, 20.0, "m"),
        ("fullness of a drape", fullness, 1.0, 10.0, ""),
        ("number of layers", layers, 1, 2, ""),
    ):
        if not low <= value <= high:
            raise PhysicalRangeError(
                f"{quantity} is {value:g} {unit}".rstrip(),
                cure=f"It must lie between {low:g} and {high:g} {unit}".rstrip() + ".",
            )


# --- ratings and measurements of the standards -----------------------------------------------------------


class WeightedAbsorption(NamedTuple):
    """Single-number rating of ISO 11654:1997."""

    value: float
    """alpha_w, in steps of 0.05."""
    indicators: str
    """L, M, H where the curve exceeds the shifted reference by 0.25 or more: low, middle, high."""
    letter: str
    """Sound absorption class A to E, or "-" where not classified."""

    @property
    def text(self) -> str:
        """As usually quoted: "0.60(MH), class C"."""
        indicators = f"({self.indicators})" if self.indicators else ""
        return f"{self.value:.2f}{indicators}, " + ("not classified" if self.letter == "-" else f"class {self.letter}")


def weighted_absorption(absorption: Any) -> WeightedAbsorption:
    """Weighted absorption alpha_w, shape indicators and class (ISO 11654:1997, clauses 4 to 6 and Annex B).

    The reference curve 0.80 1.00 1.00 1.00 0.90 at 250 Hz to 4 kHz moves down in steps of 0.05 until the
    practical absorption falls short of it by 0.10 at most, all bands together; alpha_w is its value at 500
    Hz. Limits from memory.

    Parameters
    ----------
    absorption : (8,) float
        63 Hz to 8 kHz; only 250 Hz to 4 kHz count, rounded to 0.05. A rating from octave values is for
        comparison; a certificate needs third octaves.
    """
    # In whole twentieths: 0.1 is not a binary fraction, and "at most 0.10" would fail on 0.10000000000000009.
    practical = np.minimum(_twentieths(np.asarray(absorption, dtype=float)[2:7]), 20)
    reference = np.array([16, 20, 20, 20, 18])
    shift = next(shift for shift in range(21) if np.maximum(reference - shift - practical, 0).sum() <= 2)
    excess = practical - np.maximum(reference - shift, 0) >= 5
    value = 20 - shift
    indicators = "".join(
        name for name, bands in (("L", [0]), ("M", [1, 2]), ("H", [3, 4])) if excess[bands].any()
    )
    letter = next(name for name, low in zip("ABCDE-", (18, 16, 12, 6, 3, 0)) if value >= low)
    return WeightedAbsorption(value / 20.0, indicators, letter)


def _twentieths(value: np.ndarray) -> np.ndarray:
    """Nearest whole number of 0.05, halves upward, after rounding to 0.01."""
    hundredths = np.floor(100.0 * value + 0.5 + 1e-9).astype(int)
    return (2 * hundredths + 5) // 10
