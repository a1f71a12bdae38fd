"""Curves and defaults of the formulas at points that are worked out by hand."""

from __future__ import annotations

import numpy as np

from roomsim.physics.arrival import precedence_limit


def test_precedence_between_its_corners() -> None:
    """From 5 to 30 ms 10 dB (Haas, Acustica 1 (1951), 49, from memory); rising from 0 at once through 5 dB at 1 ms,
    falling through 0 at 50 ms to -10 dB at 80 ms (common practice, no source). Half-way along each slope, and a little
    on either side of each corner."""
    lag = [0.0, 0.0005, 0.001, 0.003, 0.005, 0.029, 0.031, 0.040, 0.050, 0.065, 0.080, 1.0]
    louder = [0.0, 2.5, 5.0, 7.5, 10.0, 10.0, 9.5, 5.0, 0.0, -5.0, -10.0, -10.0]
    np.testing.assert_allclose(precedence_limit(lag), louder, atol=1e-9)
