"""Air: speed of sound, density, attenuation.

Temperatures in degrees Celsius, humidity in percent relative humidity, pressure in kilopascals, as
instruments show them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..bands import EXACT
from ..errors import PhysicalRangeError

STANDARD_PRESSURE = 101.325
"""kPa (ISO 9613-1:1993, 4.1)."""

_T0 = 293.15
"""K, reference temperature of ISO 9613-1:1993, 4.2."""
_TRIPLE_POINT = 273.16
"""K, triple point of water (ISO 9613-1:1993, Annex B)."""
_GAS_CONSTANT = 287.05
"""J/(kg K), of dry air (ISO 2533:1975, Table 1; from memory)."""


@dataclass(frozen=True)
class Air:
    """State of the air, and its acoustic properties.

    Attributes
    ----------
    temperature : float, degC
    humidity : float, percent
    pressure : float, kPa
    """

    temperature: float = 20.0
    humidity: float = 50.0
    pressure: float = STANDARD_PRESSURE

    @property
    def speed_of_sound(self) -> float:
        """Speed of sound, m/s: c = 343.2 sqrt(T / 293.15 K).

        ISO 9613-1:1993, Annex A (equation number from memory). Humidity is neglected: saturated air at 30 degC is
        0.8 % faster.
        """
        return 343.2 * math.sqrt((self.temperature + 273.15) / _T0)

    @property
    def density(self) -> float:
        """Density of dry air as an ideal gas, kg/m3. Humid air is up to 2 % lighter at 30 degC."""
        return 1000.0 * self.pressure / (_GAS_CONSTANT * (self.temperature + 273.15))

    @property
    def impedance(self) -> float:
        """Characteristic impedance, Pa s/m."""
        return self.density * self.speed_of_sound

    @property
    def attenuation(self) -> np.ndarray:
        """(8,) 1/m, energy attenuation at the exact mid-band frequencies."""
        return air_attenuation(EXACT, self.temperature, self.humidity, self.pressure)


def water_vapour(temperature: Any, humidity: Any, pressure: Any = STANDARD_PRESSURE) -> np.ndarray:
    """Molar concentration of water vapour, percent (ISO 9613-1:1993, Annex B)."""
    kelvin = np.asarray(temperature, dtype=float) + 273.15
    saturation = 10.0 ** (-6.8346 * (_TRIPLE_POINT / kelvin) ** 1.261 + 4.6151)
    return np.asarray(humidity) * saturation * STANDARD_PRESSURE / np.asarray(pressure)


def air_attenuation(
    frequency: Any, temperature: Any, humidity: Any, pressure: Any = STANDARD_PRESSURE
) -> np.ndarray:
    """Energy attenuation of a pure tone in air.

    ISO 9613-1:1993, Equations (3) to (5). The standard states +-10 % for 0.05 % to 5 % of water vapour (by
    molecules), +-20 % beyond that down to 0.005 %, and +-50 % below.

    A pure tone at mid-band represents its octave. In the 4 kHz and 8 kHz octaves the attenuation rises across
    the band, so that the loss over long paths is overestimated; the difference is relevant beyond some 50 m.

    Parameters
    ----------
    frequency : (..., n_bands) float, Hz
        Exact mid-band frequencies, as the standard's own table uses.
    temperature : float or broadcasting array, degC, -20 to 50
    humidity : float or broadcasting array, percent, 0 to 100
    pressure : float or broadcasting array, kPa, under 200

    Returns
    -------
    (..., n_bands) float, 1/m
        m in I = I0 exp(-m x). In dB per metre: 10 lg(e) m.

    Raises
    ------
    PhysicalRangeError
        Outside the ranges above, or outside 0.4 to 10 000 Hz/kPa.
    """
    frequency = np.asarray(frequency, dtype=float)
    _check_range("air temperature", temperature, -20.0, 50.0, "degC")
    _check_range("relative humidity", humidity, 0.0, 100.0, "%")
    _check_range("air pressure", pressure, 1.0, 200.0, "kPa")
    _check_range("frequency over pressure", frequency / np.asarray(pressure), 0.4, 1e4, "Hz/kPa")
    p = np.asarray(pressure) / STANDARD_PRESSURE
    t = (np.asarray(temperature) + 273.15) / _T0
    h = water_vapour(temperature, humidity, pressure)

    oxygen = p * (24.0 + 4.04e4 * h * (0.02 + h) / (0.391 + h))
    nitrogen = p / np.sqrt(t) * (9.0 + 280.0 * h * np.exp(-4.170 * (t ** (-1.0 / 3.0) - 1.0)))
    classical = 1.84e-11 / p * np.sqrt(t)
    relaxation = t**-2.5 * (
        0.01275 * np.exp(-2239.1 / (t * _T0)) / (oxygen + frequency**2 / oxygen)
        + 0.1068 * np.exp(-3352.0 / (t * _T0)) / (nitrogen + frequency**2 / nitrogen)
    )
    # The standard gives dB/m as 8.686 f^2 (...), which is 20 lg(e) times the decay of pressure; energy decays
    # twice as fast as pressure.
    return 2.0 * frequency**2 * (classical + relaxation)


def _check_range(quantity: str, value: Any, low: float, high: float, unit: str) -> None:
    value = np.asarray(value, dtype=float)
    # Written so that NaN counts as outside.
    if not np.all((value >= low) & (value <= high)):
        worst = value.flat[int(np.argmax(~((value >= low) & (value <= high))))]
        raise PhysicalRangeError(
            f"{quantity} is {worst:g} {unit}; ISO 9613-1 covers {low:g} to {high:g} {unit}",
            cure="Give the measured state of the air in degC, percent and kPa.",
        )
