"""Steady sound between two endless planes, source and receiver midway, without rays."""

from __future__ import annotations

import numpy as np
from scipy.integrate import quad
from scipy.special import j0, k1


def between_mirrors(distance, height, reflection, n=4000):
    """Sum over the images, sum R^|n| / (r^2 + n^2 h^2): energy re the direct one at 1 m."""
    order = np.arange(-n, n + 1)
    return float((reflection ** np.abs(order) / (distance**2 + (order * height) ** 2)).sum())


def between_rigid_mirrors(distance, height):
    """Its closed form for R = 1, (pi / r h) coth(pi r / h) (Mittag-Leffler expansion)."""
    return float(np.pi / (distance * height * np.tanh(np.pi * distance / height)))


def between_diffuse_planes(distance, height, reflection):
    """Lambert planes: 1/r^2 + (4 R / h^2) int z e^-z J0(r z / h) / (1 - R z K1(z)) dz.

    The planes irradiate each other; in plan this is a convolution with h^2 / (pi (r^2 + h^2)^2), whose Hankel transform
    is z K1(z) with z = k h, so the infinite row of reflections is a geometric one (Kuttruff, Room Acoustics, on flat
    rooms, from memory; derived anew).
    """

    def integrand(z):
        return z * np.exp(-z) * j0(distance * z / height) / (1.0 - reflection * z * k1(z))

    total, _ = quad(integrand, 0.0, 60.0, limit=800)
    return 1.0 / distance**2 + 4.0 * reflection / height**2 * total
