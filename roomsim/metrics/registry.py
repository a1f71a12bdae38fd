"""Every figure that roomsim computes for a seat. A new one needs a function and a row here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, partial
from typing import TYPE_CHECKING, Literal

import numpy as np

from ..bands import N_BANDS, SPEECH
from ..physics.levels import a_weighted_level, level
from . import room_parameters, speech

if TYPE_CHECKING:
    from ..decay.curves import SeatEnergy  # compiled code, which readers of results do without


@dataclass(frozen=True)
class MetricInput:
    """The input of a figure."""

    seats: SeatEnergy
    noise: np.ndarray
    """(n_scenarios, 8) or, where it differs from seat to seat, (n_receivers, n_scenarios, 8), dB."""
    source_power: np.ndarray | None
    """(n_scenarios, 8), dB re 1 pW, of all sources together; None where it is not known."""

    @cached_property
    def signal_level(self) -> np.ndarray:
        """(n_receivers, n_scenarios, 8), dB."""
        return level(self.seats.total)

    @cached_property
    def modulation_transfer_index(self) -> np.ndarray:
        """(n_receivers, n_scenarios, 7), bands 125 Hz to 8 kHz."""
        total = self.seats.total[..., SPEECH]
        with np.errstate(invalid="ignore", divide="ignore"):
            modulation = np.abs(self.seats.modulation[..., SPEECH]) / total[:, None]
        # Without any sound the modulation is zero; NaN remains NaN.
        modulation = np.where(total[:, None] == 0.0, 0.0, modulation)
        return speech.modulation_transfer_index(
            modulation, self.signal_level[..., SPEECH], self.noise[..., SPEECH]
        )

    @cached_property
    def speech_transmission_index(self) -> np.ndarray:
        """(n_receivers, n_scenarios)."""
        return speech.speech_transmission_index(self.modulation_transfer_index)


@dataclass(frozen=True, kw_only=True)
class Metric:
    """A figure: its name, how it is to be interpreted and how it is computed."""

    name: str
    symbol: str
    unit: str = ""
    """Empty for a ratio."""
    per_band: bool = True
    just_noticeable_difference: float | None = None
    """In `unit`, or as a share of the value where `is_relative`."""
    is_relative: bool = False
    better: Literal["higher", "lower"] | None = None
    """None where it depends on the programme."""
    decimals: int
    """Printed decimals: no more than the accuracy of the figure warrants."""
    clause: str
    description: str
    function: Callable[[MetricInput], np.ndarray]
    """Returns (n_receivers, n_scenarios) or (n_receivers, n_scenarios, 8). NaN where it cannot be evaluated."""


def _in_eight_bands(speech_bands: np.ndarray) -> np.ndarray:
    padded = np.full((*speech_bands.shape[:-1], N_BANDS), np.nan)
    padded[..., SPEECH] = speech_bands
    return padded


def _strength(data: MetricInput) -> np.ndarray:
    power = np.full(N_BANDS, np.nan) if data.source_power is None else data.source_power
    return room_parameters.strength(data.seats.total, power)


def _curvature(data: MetricInput) -> np.ndarray:
    times = data.seats.slopes.time
    return room_parameters.curvature(times["reverberation_time_t20"], times["reverberation_time_t30"])


def _decay_time(name: str, symbol: str, clause: str, description: str) -> Metric:
    """The row of a time for 60 dB of decay, evaluated over the range of that name."""
    return Metric(
        name=name, symbol=symbol, unit="s", just_noticeable_difference=0.05, is_relative=True, decimals=2,
        clause=clause, description=description, function=lambda data: data.seats.slopes.time[name],
    )  # fmt: skip


_level_metric = partial(Metric, unit="dB", just_noticeable_difference=1.0, decimals=1)

_ROWS = (
    Metric(
        name="speech_transmission_index",
        symbol="STI",
        per_band=False,
        just_noticeable_difference=0.03,
        better="higher",
        decimals=2,
        clause="IEC 60268-16:2020, full method, male speech",
        description="Intelligibility of speech, 0 to 1, with noise, masking and hearing threshold.",
        function=lambda data: data.speech_transmission_index,
    ),
    Metric(
        name="modulation_transfer_index",
        symbol="MTI",
        better="higher",
        decimals=2,
        clause="IEC 60268-16:2020, Annex A",
        description="Contribution of each octave band from 125 Hz to the speech transmission index.",
        function=lambda data: _in_eight_bands(data.modulation_transfer_index),
    ),
    Metric(
        name="articulation_loss",
        symbol="ALcons",
        unit="%",
        per_band=False,
        better="lower",
        decimals=1,
        clause="from the speech transmission index, Farrel Becker (from memory)",
        description="Consonants misheard, derived from the speech transmission index.",
        function=lambda data: speech.articulation_loss(data.speech_transmission_index),
    ),
    _decay_time(
        "early_decay_time",
        symbol="EDT",
        clause="ISO 3382-1:2009, A.2.2",
        description="Perceived reverberation during running music or speech: from the first 10 dB of decay.",
    ),
    _decay_time(
        "reverberation_time_t20",
        symbol="T20",
        clause="ISO 3382-1:2009, 3.6",
        description="Time for 60 dB of decay, from the range -5 to -25 dB.",
    ),
    _decay_time(
        "reverberation_time_t30",
        symbol="T30",
        clause="ISO 3382-1:2009, 3.6",
        description="Time for 60 dB of decay, from the range -5 to -35 dB.",
    ),
    Metric(
        name="curvature",
        symbol="C",
        unit="%",
        decimals=0,
        clause="ISO 3382-2:2008, Annex B",
        description="Excess of T30 over T20: above 10 % the decay is curved and no single time describes it.",
        function=_curvature,
    ),
    Metric(
        name="non_linearity",
        symbol="xi",
        unit="permille",
        decimals=0,
        clause="ISO 3382-2:2008, Annex B",
        description="Deviation of the T30 range of the decay from a straight line: above 10 the deviation is large.",
        function=lambda data: room_parameters.non_linearity(data.seats.slopes.non_linearity["reverberation_time_t30"]),
    ),
    _level_metric(
        name="clarity_c50",
        symbol="C50",
        better="higher",
        clause="ISO 3382-1:2009, A.2.3",
        description="Energy of the first 50 ms relative to the rest: clarity of speech.",
        function=lambda data: room_parameters.clarity(data.seats.until(0.05), data.seats.from_zero),
    ),
    _level_metric(
        name="clarity_c80",
        symbol="C80",
        clause="ISO 3382-1:2009, A.2.3",
        description="Energy of the first 80 ms relative to the rest: clarity of music.",
        function=lambda data: room_parameters.clarity(data.seats.until(0.08), data.seats.from_zero),
    ),
    Metric(
        name="definition_d50",
        symbol="D50",
        just_noticeable_difference=0.05,
        better="higher",
        decimals=2,
        clause="ISO 3382-1:2009, A.2.3",
        description="Share of the energy that arrives within 50 ms.",
        function=lambda data: room_parameters.definition(data.seats.until(0.05), data.seats.from_zero),
    ),
    Metric(
        name="centre_time",
        symbol="Ts",
        unit="ms",
        just_noticeable_difference=10.0,
        decimals=0,
        clause="ISO 3382-1:2009, A.2.3",
        description="Centre of gravity of the arriving energy.",
        function=lambda data: room_parameters.centre_time(data.seats.moment, data.seats.from_zero),
    ),
    _level_metric(
        name="sound_strength",
        symbol="G",
        clause="ISO 3382-1:2009, A.2.1",
        description="Level re that of the source at 10 m in the free field: the gain of the room.",
        function=_strength,
    ),
    _level_metric(
        name="sound_pressure_level",
        symbol="Lp",
        clause="ISO 80000-8:2020, 8-14",
        description="Level of the programme at the seat, direct and reverberant together.",
        function=lambda data: data.signal_level,
    ),
    _level_metric(
        name="a_weighted_level",
        symbol="LpA",
        per_band=False,
        clause="IEC 61672-1:2013, Annex E",
        description="A-weighted level of the programme at the seat.",
        function=lambda data: a_weighted_level(data.signal_level),
    ),
    Metric(
        name="direct_to_reverberant_ratio",
        symbol="DRR",
        unit="dB",
        better="higher",
        decimals=1,
        clause="level of the direct sound relative to that of all reflections",
        description="Direct sound from the sources relative to the reflected sound.",
        function=lambda data: room_parameters.direct_to_reverberant_ratio(data.seats.direct, data.seats.total),
    ),
    Metric(
        name="signal_to_noise_ratio",
        symbol="SNR",
        unit="dB",
        better="higher",
        decimals=1,
        clause="IEC 60268-16:2020, Annex A",
        description="Level of the programme relative to that of the noise.",
        function=lambda data: data.signal_level - data.noise,
    ),
)

METRICS = {metric.name: metric for metric in _ROWS}
"""Name -> row, in the order in which they are listed for the user.

Just noticeable differences: ISO 3382-1:2009, Table A.1 (from memory); speech transmission index: Bradley,
Reich and Norcross, JASA 106 (1999) 1820 (from memory). For levels the 1 dB of the sound strength is taken.
"""
