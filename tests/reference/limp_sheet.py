"""Limp porous sheets by the textbook formulas and dense sums: slow, simple, numpy only."""

from __future__ import annotations

import numpy as np


def sheet(frequency, resistance, mass, cosine, rho_c):
    """Impedance of a sheet through which air flows (resistance) and that moves (mass), in parallel."""
    moving = 2j * np.pi * frequency * mass
    return (1.0 / (1.0 / resistance + 1.0 / moving)) * cosine / rho_c


def midpoints(low, high, n):
    return low + (high - low) * (np.arange(n) + 0.5) / n


def octave_and_angles(centre, n_frequencies, n_angles):
    """Midpoint rule: frequencies (n, 1), angles (n,), weights (n,) of Paris' formula."""
    frequency = centre * 10.0 ** midpoints(-0.15, 0.15, n_frequencies)
    angle = midpoints(0.0, np.pi / 2.0, n_angles)
    return frequency[:, None], angle, np.sin(2.0 * angle) * np.pi / 2.0


def on_wall(centre, resistance, mass, gaps, c, rho_c, second_gap=None, n_frequencies=100, n_angles=250):
    """Absorption in front of a rigid wall, mean over an octave, all angles and the given gaps.

    One sheet: Z = z - j cot(k d cos). Two: the impedance of the inner one carried over the air between them,
    Z -> (Z + j tan) / (1 + j Z tan), plus that of the outer one.
    """
    frequency, angle, weight = octave_and_angles(centre, n_frequencies, n_angles)
    cosine = np.cos(angle)
    k = 2.0 * np.pi * frequency / c
    z = sheet(frequency, resistance, mass, cosine, rho_c)
    total = 0.0
    for gap in gaps:
        impedance = z - 1j / np.tan(k * gap * cosine)
        if second_gap is not None:
            tan = 1j * np.tan(k * second_gap * cosine)
            impedance = z + (impedance + tan) / (1.0 + impedance * tan)
        absorbed = 4.0 * impedance.real / np.abs(impedance + 1.0) ** 2
        total += (absorbed * weight).mean()
    return total / len(gaps)


def free(centre, resistance, mass, c, rho_c, between=None, n_frequencies=100, n_angles=250):
    """Reflection and transmission of one free sheet, or of two by the sum of all echoes between them."""
    frequency, angle, weight = octave_and_angles(centre, n_frequencies, n_angles)
    cosine = np.cos(angle)
    z = sheet(frequency, resistance, mass, cosine, rho_c)
    r, t = z / (2.0 + z), 2.0 / (2.0 + z)
    if between is None:
        return (np.abs(r) ** 2 * weight).mean(), (np.abs(t) ** 2 * weight).mean()
    turn = np.exp(-1j * 2.0 * np.pi * frequency / c * between * cosine)
    echo = np.ones_like(z)
    back, through = r.copy(), np.zeros_like(z)
    for _ in range(60):
        through += t * echo * turn * t
        back += t * echo * turn * r * turn * t
        echo = echo * turn * r * turn * r
    return (np.abs(back) ** 2 * weight).mean(), (np.abs(through) ** 2 * weight).mean()
