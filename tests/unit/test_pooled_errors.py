"""Errors of reverberation times at seats, shared between the seats."""

from __future__ import annotations

import numpy as np

from roomsim.estimate import Estimate
from roomsim.study.pooled_errors import LARGEST, with_pooled_errors


def test_half_of_the_squared_relative_error_is_that_of_all_seats():
    value = np.array([1.0, 2.0, 4.0])[:, None, None] * np.ones((3, 1, 8))
    relative = np.array([0.02, 0.03, 0.04])[:, None, None]
    got = with_pooled_errors(Estimate(value, relative * value, 20))
    # Mean of the squares: (4 + 9 + 16) / 3 = 29 / 3, in units of 1e-4.
    wanted = np.sqrt([(4 + 29 / 3) / 2, (9 + 29 / 3) / 2, (16 + 29 / 3) / 2])
    np.testing.assert_allclose(got.standard_error[:, 0, 3], 1e-2 * wanted * [1.0, 2.0, 4.0])
    assert np.array_equal(got.value, value) and got.n_replicates == 20


def test_errors_that_are_alike_stay_and_one_odd_seat_keeps_its_own():
    value = np.full((101, 1, 8), 2.0)
    alike = np.full(value.shape, 0.05)
    np.testing.assert_allclose(with_pooled_errors(Estimate(value, alike, 20)).standard_error, alike)
    odd = alike.copy()
    odd[0] = 2.0
    got = with_pooled_errors(Estimate(value, odd, 20)).standard_error
    assert (got[1:] <= 0.05 * np.sqrt(1.0 + 0.5 * (LARGEST - 1.0) / 101) + 1e-12).all()
    assert (got[0] > 2.0 / np.sqrt(2.0)).all()


def test_seats_and_bands_without_a_figure_stay_without():
    value = np.full((4, 1, 8), 2.0)
    value[0], value[:, :, 0] = np.nan, np.nan
    got = with_pooled_errors(Estimate(value, np.where(np.isnan(value), np.nan, 0.1), 20)).standard_error
    assert np.array_equal(np.isnan(got), np.isnan(value))
    np.testing.assert_allclose(got[1:, :, 1:], 0.1)
