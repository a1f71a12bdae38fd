"""Listening positions: areas of one seat stand by themselves in the comparison."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_results import invented_results

from roomsim.estimate import Estimate
from roomsim.report.export import comparison_object
from roomsim.report.rows import position_rows
from roomsim.report.tables import comparison_table


@pytest.fixture(scope="module")
def with_mixer():
    """The invented hall with seat 250 as an area of its own."""
    hall = invented_results()
    area = hall.area.copy()
    area[250] = len(hall.area_names)
    rng = np.random.default_rng(3)
    shape = hall.seats["speech_transmission_index"].value.shape
    seats = {
        **hall.seats,
        "signal_to_noise_ratio": Estimate(rng.uniform(5.0, 25.0, (*shape, 8)), np.full((*shape, 8), 0.1), 20),
        "a_weighted_level": Estimate(rng.uniform(70.0, 80.0, shape), np.full(shape, 0.1), 20),
    }
    return replace(hall, area=area, area_names=(*hall.area_names, "mix position"), seats=seats)


def test_figures_are_those_of_the_seat(with_mixer):
    rows = position_rows(with_mixer)
    assert [row.number for row in rows] == list(range(1, len(with_mixer.scenarios) + 1))
    assert {row.position for row in rows} == {"mix position"}
    for i, row in enumerate(rows):
        sti = with_mixer.seats["speech_transmission_index"]
        assert row.sti.value == sti.value[250, i]
        assert row.sti.half_width == pytest.approx(float(sti.half_width()[250, i]), rel=1e-12)
        ratio = with_mixer.seats["signal_to_noise_ratio"].value[250, i, 3:7]
        assert row.signal_to_noise.value == pytest.approx(ratio.sum() / 4.0, rel=1e-12)
        compared = with_mixer.scenarios[i].compare_with != i
        assert (row.gain is not None) == compared


def test_they_are_printed_and_exported(with_mixer):
    text = comparison_table(with_mixer).text(120)
    assert "Listening positions" in text and "mix position" in text
    found = comparison_object(with_mixer)["listening_positions"]
    assert len(found) == len(with_mixer.scenarios)
    assert np.isfinite(found[1]["gain"]["value"]) and found[0]["gain"] is None


def test_areas_of_many_seats_are_none():
    hall = invented_results()
    assert position_rows(hall) == []
    assert "Listening positions" not in comparison_table(hall).text()
    assert comparison_object(hall)["listening_positions"] == []
