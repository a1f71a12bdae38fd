"""Evaluation of a response, the registry of figures, and statistics over seats."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from responses import FINE_EDGES, UNEVEN_EDGES, response_of

from roomsim.decay.response import EnergyResponse
from roomsim.metrics import evaluate as evaluate_module
from roomsim.metrics.evaluate import evaluate
from roomsim.metrics.registry import METRICS
from roomsim.metrics.replicated import (
    Replicated,
    mean_of_seats,
    median_of_seats,
    quantile_of_seats,
    share_above,
)

N_RECEIVERS, N_SCENARIOS, N_REPLICATES = 3, 2, 4
NOISE = np.full((N_SCENARIOS, 8), 40.0)
POWER = np.full((N_SCENARIOS, 8), 100.0)


@pytest.fixture
def response() -> EnergyResponse:
    rng = np.random.default_rng(1)
    edges = UNEVEN_EDGES
    left = np.exp(-8.0 * edges)
    mean = 1e6 * (left[:-1] - left[1:])
    shape = (N_REPLICATES, N_RECEIVERS, len(mean), N_SCENARIOS, 8)
    late = (mean[:, None, None] * rng.gamma(20.0, 1 / 20.0, shape)).astype(np.float32)
    return response_of(edges, late, ((0.0, np.array(2e5)), (0.023, np.array(1e5))))


def sliced(response: EnergyResponse, receivers: slice, scenarios: slice) -> EnergyResponse:
    arrivals = response.arrivals.of(receivers)
    return EnergyResponse(
        response.bin_edges,
        response.late[:, receivers, :, scenarios],
        replace(arrivals, energy=arrivals.energy[:, scenarios]),
        response.direct[receivers, scenarios],
        response.early_modulation[receivers, :, scenarios],
    )


def test_every_figure_has_its_shape_and_a_finite_value(response):
    got = evaluate(response, NOISE, POWER)
    assert list(got) == list(METRICS)
    for name, figure in got.items():
        shape = (N_RECEIVERS, N_SCENARIOS, 8) if METRICS[name].per_band else (N_RECEIVERS, N_SCENARIOS)
        assert figure.full.shape == shape, name
        assert figure.left_out.shape == (N_REPLICATES, *shape), name
        heard = figure.full[..., 1:] if name == "modulation_transfer_index" else figure.full
        assert np.isfinite(heard).all(), name


def test_left_out_sums_are_those_without_the_replicate(response):
    got = evaluate(response, NOISE, metrics=["clarity_c50", "speech_transmission_index", "centre_time"])
    for i in range(N_REPLICATES):
        rest = np.delete(response.late, i, axis=0)
        without = evaluate(replace(response, late=rest), NOISE, metrics=got)
        for name, figure in got.items():
            # The window for the tail is chosen from all replicates: at most the next bin. The tail is e^-16
            # of all.
            np.testing.assert_allclose(figure.left_out[i], without[name].full, rtol=1e-5, err_msg=name)


def test_receivers_and_scenarios_do_not_mix(response, monkeypatch):
    names = ["clarity_c80", "sound_pressure_level", "signal_to_noise_ratio"]
    noise = NOISE + np.arange(N_SCENARIOS)[:, None]
    together = evaluate(response, noise, metrics=names)
    monkeypatch.setattr(evaluate_module, "CHUNK_BYTES", 1)  # one seat at a time
    for i in range(N_RECEIVERS):
        for j in range(N_SCENARIOS):
            one = sliced(response, slice(i, i + 1), slice(j, j + 1))
            alone = evaluate(one, noise[j : j + 1], metrics=names)
            for name in names:
                # The rate of the tail comes from other seats as well; the tail is e^-16 of all.
                np.testing.assert_allclose(together[name].full[i, j], alone[name].full[0, 0], rtol=1e-5)


def test_a_seat_that_one_replicate_alone_reaches(response):
    late = response.late.copy()
    late[1:, 0] = 0.0
    got = evaluate(replace(response, late=late), NOISE, metrics=["clarity_c50"])
    # Without that replicate all energy of the seat is early, and the clarity is infinite: no error can be
    # told.
    assert np.isposinf(got["clarity_c50"].left_out[0, 0]).all()
    assert not np.isfinite(got["clarity_c50"].estimate().standard_error[0]).any()
    assert np.isfinite(got["clarity_c50"].estimate().standard_error[1:]).all()


def test_not_evaluable_seats_are_counted_not_invented():
    # Decays of 20 and 60 dB in 2 s: T20 needs 25.
    seats = [np.exp(-np.log(10.0) * fall / 10.0 * FINE_EDGES / 2.0) for fall in (20.0, 60.0)]
    late = np.stack([left[:-1] - left[1:] for left in seats], axis=1)
    late = np.broadcast_to(late[None, None, :, :, None], (2, 1, 400, 2, 8))
    got = evaluate(response_of(FINE_EDGES, late), NOISE)
    t20 = got["reverberation_time_t20"]
    assert np.isfinite(t20.full).mean(axis=0)[:, 0].tolist() == [0.0, 1.0]
    assert np.isnan(t20.estimate().value[0, 0]).all()
    assert np.isnan(t20.left_out[:, 0, 0]).all()
    assert np.isnan(t20.over_seats(median_of_seats).estimate().value[0]).all()
    assert np.isfinite(got["early_decay_time"].full).all()


def test_faults_are_named(response):
    with pytest.raises(ValueError, match=r"no metric 'clarity'\. Did you mean"):
        evaluate(response, NOISE, metrics=["clarity"])
    with pytest.raises(ValueError, match=r"noise has shape \(8,\)"):
        evaluate(response, NOISE[0])
    with pytest.raises(ValueError, match=r"source_power has shape"):
        evaluate(response, NOISE, POWER[:1])
    alone = replace(response, late=response.late[:1])
    with pytest.raises(ValueError, match="two replicates"):
        evaluate(alone, NOISE)


@pytest.mark.parametrize(
    ("edges", "message"),
    [
        (0.02 * np.arange(101), "no bin edge at 50 ms"),
        (0.01 + 0.005 * np.arange(101), "start at 0"),
        (np.concatenate([[0.0, 0.0], 0.005 * np.arange(1, 100)]), "increase"),
    ],
)
def test_bins_that_do_not_serve_are_refused(edges, message):
    with pytest.raises(ValueError, match=message):
        response_of(edges, np.zeros((2, 1, len(edges) - 1, 1, 8)))


def test_arrays_that_do_not_fit_are_refused(response):
    with pytest.raises(ValueError, match="direct has shape"):
        replace(response, direct=response.direct[:1])
    with pytest.raises(ValueError, match="energy of the arrivals has shape"):
        replace(response, arrivals=replace(response.arrivals, energy=response.arrivals.energy[1:]))


def test_rows_of_the_registry_are_complete():
    for name, metric in METRICS.items():
        assert metric.name == name
        assert metric.symbol and metric.description and metric.clause
        assert metric.description.endswith(".")
        assert metric.better in ("higher", "lower", None)
        assert not metric.is_relative or metric.just_noticeable_difference is not None
    symbols = [metric.symbol for metric in METRICS.values()]
    assert len(set(symbols)) == len(symbols)


# --- Statistics over seats --------------------------------------------------------------------------------


@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.77, 1.0])
def test_quantiles_are_numpys(share):
    rng = np.random.default_rng(3)
    seats = rng.normal(size=(31, 2, 3))
    seats[rng.random(seats.shape) < 0.2] = np.nan
    got = quantile_of_seats(share)(seats)
    np.testing.assert_allclose(got, np.nanquantile(seats, share, axis=0), rtol=1e-12)  # rounding
    assert np.isnan(quantile_of_seats(share)(np.full((4, 2), np.nan))).all()
    assert quantile_of_seats(share)(np.array([[2.5]])) == 2.5


def test_means_and_shares_leave_out_what_is_not_evaluable():
    seats = np.array([[0.4, np.nan], [0.5, np.nan], [0.6, np.nan], [np.nan, np.nan]])
    assert abs(mean_of_seats(seats)[0] - 0.5) < 1e-12  # rounding
    assert abs(share_above(0.5)(seats)[0] - 2 / 3) < 1e-12  # rounding; a seat on the threshold counts
    assert np.isnan(mean_of_seats(seats)[1])
    assert np.isnan(share_above(0.5)(seats)[1])


def test_mean_over_seats_has_the_error_of_the_jackknife():
    rng = np.random.default_rng(4)
    figure = Replicated(*replicates_of(np.exp(rng.normal(size=(20, 50, 3)))))
    got = figure.over_seats(mean_of_seats).estimate()
    want = Replicated(figure.full.mean(axis=0)[None], figure.left_out.mean(axis=1)[:, None]).estimate()
    np.testing.assert_allclose(got.value, want.value[0], rtol=1e-12)  # rounding
    np.testing.assert_allclose(got.standard_error, want.standard_error[0], rtol=1e-10)  # rounding


def replicates_of(replicates):
    n = len(replicates)
    total = replicates.sum(axis=0)
    return total / n, (total - replicates) / (n - 1)


def test_gains_are_formed_scenario_by_scenario():
    rng = np.random.default_rng(5)
    figure = Replicated(*replicates_of(rng.normal(size=(20, 40, 3, 8))))
    compare_with = np.array([0, 0, 1])
    gain = figure.difference(figure.scenarios(compare_with)).estimate()
    assert (gain.value[:, 0] == 0.0).all() and (gain.standard_error[:, 0] == 0.0).all()
    want = figure.scenarios([2]).difference(figure.scenarios([1])).estimate()
    np.testing.assert_allclose(gain.value[:, 2], want.value[:, 0], rtol=1e-12)  # rounding
    np.testing.assert_allclose(gain.standard_error[:, 2], want.standard_error[:, 0], rtol=1e-12)  # rounding
    over = figure.over_seats(median_of_seats)
    gain = over.difference(over.scenarios(compare_with))
    assert (gain.value[0] == 0.0).all() and (gain.standard_error[0] == 0.0).all()
    assert gain.value.shape == (3, 8)


def test_sound_of_noise_sources_adds_to_the_noise_with_its_chance(response):
    rng = np.random.default_rng(2)
    traced = 1e5 * rng.gamma(20.0, 1 / 20.0, (N_REPLICATES, N_RECEIVERS, N_SCENARIOS, 8))
    name = "signal_to_noise_ratio"
    got = evaluate(response, NOISE, metrics=[name], noise_energy=traced)[name]
    # 40 dB of steady noise and some 50 dB of sources: sums worked out apart, replicate by replicate.
    for i in range(N_REPLICATES):
        rest = np.delete(response.late, i, axis=0)
        noise = 10.0 * np.log10(1e4 + np.delete(traced, i, axis=0).mean(axis=0))
        signal = evaluate(replace(response, late=rest), NOISE, metrics=["sound_pressure_level"])
        without = signal["sound_pressure_level"].full - noise
        # The window for the tail is chosen from all replicates; the tail is e^-16 of all.
        np.testing.assert_allclose(got.left_out[i], without, rtol=1e-5)
    quiet = evaluate(response, NOISE, metrics=[name])[name]
    # 10 lg(11) = 10.4 dB; 80 gamma draws of shape 1 have a spread of 11 %, 0.5 dB; five of these.
    assert np.abs(quiet.full - got.full - 10.4).max() < 2.4
    # No steady noise at all: the sources alone are the noise.
    alone = evaluate(response, np.full((N_SCENARIOS, 8), -np.inf), metrics=[name], noise_energy=traced)[name]
    assert np.isfinite(alone.full).all() and (alone.full > got.full).all()


def test_noise_that_does_not_fit_is_refused(response):
    with pytest.raises(ValueError, match="noise_energy has shape"):
        evaluate(response, NOISE, noise_energy=np.ones((N_REPLICATES, N_RECEIVERS, 8)))
    with pytest.raises(ValueError, match="noise has shape"):
        evaluate(response, np.zeros((N_SCENARIOS + 1, 8)))
