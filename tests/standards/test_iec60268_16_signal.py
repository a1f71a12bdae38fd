"""Modulation transfer from the energy response against the same through a real signal chain.

Noise is modulated in intensity, sent through a synthesised room response, filtered into octaves and
demodulated, as a measurement by IEC 60268-16 would (direct method). Filters and transforms are SciPy's.

The noise is white, so that the expected squared output is the squared band-filtered response convolved with
the modulation: Schroeder, Acustica 49 (1981) 179. One run of the file on a new seed fails a correct program
once in a million.
"""

from __future__ import annotations

import numpy as np
import pytest
from agreement import Disagreement, assert_agrees
from responses import response_of
from scipy import signal

from roomsim.decay.curves import response_tail, seat_energies
from roomsim.decay.response import MODULATION_FREQUENCIES
from roomsim.estimate import jackknife_of

RATE = 16_000
SECONDS = 10.0
N = int(RATE * SECONDS)
N_RUNS = 32
"""Noise signals; each is a replicate."""
BANDS = {3: 500.0, 4: 1000.0, 5: 2000.0}
"""Index of the octave band -> mid-band frequency, Hz."""
FREQUENCIES = (0.8, 2.0, 6.3)
"""Whole periods fit into the signal, which is periodic; so nothing has to settle."""
TIMES = {3: 1.6, 4: 1.2, 5: 0.8}
"""Reverberation time of the synthesised room by band, s."""
N_CHECKS = len(BANDS) * len(FREQUENCIES) * 2


def octave_filters() -> dict[int, np.ndarray]:
    """Transfer functions on the bins of a real transform."""
    bins = np.fft.rfftfreq(N, 1.0 / RATE)
    filters = {}
    for band, middle in BANDS.items():
        edges = (middle / np.sqrt(2.0), middle * np.sqrt(2.0))
        sections = signal.butter(4, edges, btype="bandpass", fs=RATE, output="sos")
        filters[band] = signal.freqz_sos(sections, worN=bins, fs=RATE)[1]
    return filters


def room_response(rng: np.random.Generator, filters: dict[int, np.ndarray]) -> np.ndarray:
    """(N,) direct pulse and, from 20 ms on, noise that decays in each band with its own time."""
    time = np.arange(N) / RATE
    response = np.zeros(N)
    for band, transfer in filters.items():
        noise = np.fft.irfft(np.fft.rfft(rng.standard_normal(N)) * transfer, N)
        response += 0.02 * noise * np.exp(-3.0 * np.log(10.0) * time / TIMES[band]) * (time >= 0.02)
    response[0] += 0.8
    return response


def measured(rng: np.random.Generator, response: np.ndarray, filters: dict[int, np.ndarray]) -> np.ndarray:
    """(N_RUNS, bands, frequencies, 3): real and imaginary part of the demodulated intensity, and its mean."""
    time = np.arange(N) / RATE
    transfer = np.fft.rfft(response)
    sums = np.empty((N_RUNS, len(BANDS), len(FREQUENCIES), 3))
    for run in range(N_RUNS):
        for j, frequency in enumerate(FREQUENCIES):
            intensity = 1.0 + np.cos(2.0 * np.pi * frequency * time)
            sent = np.fft.rfft(rng.standard_normal(N) * np.sqrt(intensity)) * transfer
            for i, octave in enumerate(filters.values()):
                squared = np.fft.irfft(sent * octave, N) ** 2
                coefficient = 2.0 * np.mean(squared * np.exp(-2j * np.pi * frequency * time))
                sums[run, i, j] = coefficient.real, coefficient.imag, squared.mean()
    return sums


def computed(response: np.ndarray, filters: dict[int, np.ndarray]) -> np.ndarray:
    """(bands, frequencies, 2): the same ratio, real and imaginary part, by way of the energy response.

    The direct sound, as the filters spread it over the first 20 ms, makes early arrivals at exact times; the
    decay goes into bins of 1 ms: within longer ones this one response's noise would have a structure of its
    own.
    """
    per_bin, n_early = RATE // 1000, int(0.02 * RATE)
    squared = np.zeros((N, 8))
    for band, octave in filters.items():
        squared[:, band] = np.fft.irfft(np.fft.rfft(response) * octave, N) ** 2
    pulses = tuple((sample / RATE, squared[sample].copy()) for sample in range(n_early))
    squared[:n_early] = 0.0
    bins = squared.reshape(-1, per_bin, 8).sum(axis=1)
    late = np.repeat(bins[None, None, :, None], 2, axis=0)
    energy = response_of(0.001 * np.arange(len(bins) + 1), late, pulses)
    seats = next(seat_energies(energy, response_tail(energy), slice(None)))
    rows = [int(np.flatnonzero(frequency == MODULATION_FREQUENCIES)[0]) for frequency in FREQUENCIES]
    bands = list(BANDS)
    ratio = (seats.modulation[0, rows, 0][:, bands] / seats.total[0, 0, bands]).T
    return np.stack([ratio.real, ratio.imag], axis=-1)


@pytest.fixture(scope="module")
def chain():
    rng = np.random.default_rng(16)
    filters = octave_filters()
    response = room_response(rng, filters)
    sums = measured(rng, response, filters)
    return response, filters, jackknife_of(sums, lambda mean: mean[..., :2] / mean[..., 2:])


def test_direct_computation_agrees_with_the_demodulated_signal(chain):
    response, filters, got = chain
    # Within a bin the centre is off by some 0.2 ms, either way: 0.01 rad at 6.3 Hz, over the root of some
    # 500 bins that matter 0.0004, a third of a standard error at most.
    truth = computed(response, filters)
    assert got.standard_error.max() < 0.02  # the comparison is worth something
    assert_agrees(got.value, got.standard_error, truth, n_checks=N_CHECKS, degrees_of_freedom=N_RUNS - 1)


def test_the_chain_would_notice_another_decay(chain):
    # Control: the same response with its decay 20 % longer in level.
    response, filters, got = chain
    time = np.arange(N) / RATE
    other = response * np.exp(0.2 * 3.0 * np.log(10.0) * time / 1.2)
    with pytest.raises(Disagreement):
        assert_agrees(
            got.value,
            got.standard_error,
            computed(other, filters),
            n_checks=N_CHECKS,
            degrees_of_freedom=N_RUNS - 1,
        )
