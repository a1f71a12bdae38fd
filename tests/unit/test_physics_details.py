"""Curves and defaults of the formulas at points that are worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from roomsim.errors import PhysicalRangeError
from roomsim.physics.air import air_attenuation
from roomsim.physics.arrival import precedence_limit
from roomsim.physics.radiation import coverage_loss
from roomsim.physics.reverberation import Enclosure, assumptions


def test_precedence_between_its_corners() -> None:
    """From 5 to 30 ms 10 dB (Haas, Acustica 1 (1951), 49, from memory); rising from 0 at once through 5 dB at 1 ms,
    falling through 0 at 50 ms to -10 dB at 80 ms (common practice, no source). Half-way along each slope, and a little
    on either side of each corner."""
    lag = [0.0, 0.0005, 0.001, 0.003, 0.005, 0.029, 0.031, 0.040, 0.050, 0.065, 0.080, 1.0]
    louder = [0.0, 2.5, 5.0, 7.5, 10.0, 10.0, 9.5, 5.0, 0.0, -5.0, -10.0, -10.0]
    np.testing.assert_allclose(precedence_limit(lag), louder, atol=1e-9)


def test_coverage_of_a_horn_widens_below_the_frequency_of_its_mouth() -> None:
    """A mouth of 10 inches holds 90 degrees down to 1e6 / (90 x 10) = 1111 Hz (Keele, AES preprint 1038 (1975), from
    memory). One octave below it the angle is twice as wide, so that 6 dB are lost at 90 degrees off the axis and a
    quarter of that at 45 degrees; above it the angle stays."""
    hold = 1e6 / 900.0
    loss = coverage_loss([45.0, 90.0], 90.0, 0.254, [hold / 4.0, hold / 2.0, hold, 2.0 * hold], 343.2)
    np.testing.assert_allclose(loss, [[0.375, 1.5, 6.0, 6.0], [1.5, 6.0, 24.0, 24.0]], rtol=1e-12)
    # In air in which sound is twice as fast the same happens one octave higher; without a mouth the angle is held.
    faster = coverage_loss(45.0, 90.0, 0.254, [hold, 2.0 * hold], 686.4)
    np.testing.assert_allclose(faster, [1.5, 6.0], rtol=1e-12)
    np.testing.assert_allclose(coverage_loss(45.0, 90.0, None, [10.0, 1e4], 343.2), [6.0, 6.0], rtol=1e-12)


@pytest.mark.parametrize(
    ("temperatures", "named"), [([-20.0, 20.0, 60.0], "60"), ([50.0, -30.0, 20.0], "-30")]
)
def test_a_refused_temperature_is_the_one_out_of_range(temperatures: list[float], named: str) -> None:
    """ISO 9613-1 covers -20 to 50 degC, both included: the message names the value outside, wherever it is."""
    with pytest.raises(PhysicalRangeError, match=f"air temperature is {named} degC"):
        air_attenuation(1000.0, temperatures, 50.0)
    assert air_attenuation(1000.0, [-20.0, 50.0], 50.0).shape == (2,)


def test_air_is_computed_up_to_200_kilopascals_and_no_further() -> None:
    assert air_attenuation(1000.0, 20.0, 50.0, 200.0) > 0.0
    for pressure in (0.9, 201.0):
        with pytest.raises(PhysicalRangeError, match=f"air pressure is {pressure:g} kPa"):
            air_attenuation(100.0, 20.0, 50.0, pressure)


def test_one_band_beyond_the_limit_is_enough_and_the_severity_is_its_measure() -> None:
    """A hall that is nearly anechoic at 8 kHz alone, and 90 by 20 by 8 m: 11.25 times as long as it is high."""
    absorption = np.full((1, 8), 0.1)
    absorption[0, 7] = 0.75
    hall = Enclosure(np.array([5360.0]), absorption, 14400.0)
    dead, long = assumptions(hall, np.full(8, 2.0), (90.0, 20.0, 8.0))
    assert (dead.code, dead.bands, dead.severity) == ("nearly_anechoic", (7,), pytest.approx(0.75))
    assert (long.code, long.severity) == ("disproportionate_room", pytest.approx(11.25))
    assert long.values["is_flat"] == 0.0
