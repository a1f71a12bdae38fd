"""Cloth against handbook tables, and the built-in materials."""

from __future__ import annotations

import numpy as np
import pytest
from tables import read_table

from roomsim.physics import absorption
from roomsim.physics.absorption import (
    FORMULA_UNCERTAINTY,
    MeasuredRow,
    corrected_by_rows,
    drape_on_wall,
    weighted_absorption,
)
from roomsim.venue.document import MaterialsDocument
from roomsim.venue.materials import built_in_materials

BANDS = ("125", "250", "500", "1000", "2000", "4000")
CURTAINS = read_table("curtains_handbook.csv")

BETWEEN_LABORATORIES = 0.10
"""Spread of one specimen's absorption between reverberation rooms: +-.05 to +-.10 (common practice, no
source). The table gives neither flow resistance nor distance to the wall: two figures for each cloth are
fitted, and the six to eighteen values of a cloth, at up to three fullnesses, are met with those two."""


def printed(row):
    return np.array([float(row[band]) for band in BANDS])


def computed(row, resistance=None, gap=None):
    return drape_on_wall(
        float(row["fitted_resistance"]) if resistance is None else resistance,
        float(row["surface_mass"]),
        float(row["fitted_gap"]) if gap is None else gap,
        float(row["fullness"]),
    )[1:7]


def root_mean_square(rows, **cloth):
    return np.sqrt(np.mean([(computed(row, **cloth) - printed(row)) ** 2 for row in rows]))


def test_handbook_curtains():
    assert root_mean_square(CURTAINS) == pytest.approx(0.0, abs=BETWEEN_LABORATORIES)
    for row in CURTAINS:
        # A single row may lie at the far end of the spread and the fit: twice the variance.
        assert root_mean_square([row]) < np.sqrt(2.0) * BETWEEN_LABORATORIES, row
    # Control: the same cloth 1 m off the wall, or four times as dense, is not in the table.
    assert root_mean_square(CURTAINS, gap=1.0) > 1.3 * BETWEEN_LABORATORIES
    assert root_mean_square(CURTAINS, resistance=2000.0) > 1.3 * BETWEEN_LABORATORIES


@pytest.mark.parametrize("cloth", ["cotton", "unspecified"])
def test_fullness_is_what_the_handbook_says(cloth, monkeypatch):
    """The law for fullness is tested by the two cloths that the table has at three fullnesses."""
    rows = [row for row in CURTAINS if row["cloth"] == cloth]
    assert root_mean_square(rows) < BETWEEN_LABORATORIES + 0.005  # the fit below: nearest 50 Pa s/m and 10 mm
    # At 4 kHz all gaps are many wavelengths: only the cloth counts, and more fullness absorbs more.
    assert (np.diff([computed(row)[-1] for row in rows]) > 0.0).all()

    # Control: with the resistance divided by the fullness (the limit for shallow pleats, used at all
    # frequencies) no flow resistance and no gap meet the same rows.
    def shallow(frequency, flow_resistance, surface_mass, fullness, air):
        return whole(frequency, flow_resistance, surface_mass, 1.0, air) / fullness

    whole = absorption.sheet_impedance
    monkeypatch.setattr(absorption, "sheet_impedance", shallow)
    best = min(
        root_mean_square(rows, resistance=resistance, gap=gap)
        for resistance in (50.0, 100.0, 200.0, 400.0, 800.0, 1600.0)
        for gap in (0.01, 0.03, 0.08, 0.2, 0.4)
    )
    assert best > BETWEEN_LABORATORIES + 0.005


def left_out(fabric):
    """Root mean square over 125 Hz to 4 kHz of each row by the formula alone, and corrected by the other rows."""
    rows = tuple(MeasuredRow(row.stand_off, row.fullness, row.absorption) for row in fabric.measured)
    cloth = (fabric.flow_resistance, fabric.surface_mass)

    def off(absorbed, row):
        return float(np.sqrt(np.mean((absorbed[1:7] - row.absorption[1:7]) ** 2)))

    alone = [off(drape_on_wall(*cloth, row.gap, row.fullness), row) for row in rows]
    others = [tuple(other for other in rows if other is not row) for row in rows]
    corrected = [
        off(corrected_by_rows(*cloth, row.gap, row.fullness, other)[0], row)
        for row, other in zip(rows, others, strict=True)
    ]
    return alone, corrected


# fabric -> rows in the order of the file: by the formula alone, and by the formula corrected with the other rows. These
# are what the theory page says; straight rows are flat cloth that touches the wall, where neither is of use.
LEFT_OUT = {
    "velour_340": ([0.149], [0.149]),
    "velour_475": ([0.102, 0.082], [0.102, 0.082]),
    "velour_600": ([0.230, 0.075], [0.230, 0.075]),
    "cotton_475": ([0.125, 0.064, 0.105], [0.142, 0.131, 0.103]),
}


@pytest.mark.parametrize("fabric", LEFT_OUT)
def test_rows_by_the_formula_and_by_the_other_rows(fabric, built_in):
    alone, corrected = left_out(built_in.fabric[fabric])
    # Three digits as printed, and what quadrature leaves.
    assert alone == pytest.approx(LEFT_OUT[fabric][0], abs=0.001)
    assert corrected == pytest.approx(LEFT_OUT[fabric][1], abs=0.001)


def test_uncertainty_of_the_formula_is_its_residual_from_pleats(built_in):
    rows = [(fabric, row) for fabric in built_in.fabric.values() for row in fabric.measured if row.fullness > 1.3]
    off = [
        drape_on_wall(fabric.flow_resistance, fabric.surface_mass, row.stand_off, row.fullness)[1:7]
        - row.absorption[1:7]
        for fabric, row in rows
    ]
    relative = np.sqrt(np.mean(np.square(off))) / np.mean([row.absorption[1:7] for _, row in rows])
    # Four rows of six bands: their spread is known to 1 / sqrt(2 * 24), a seventh, at best.
    assert len(rows) == 4 and relative == pytest.approx(FORMULA_UNCERTAINTY, rel=0.15)


# --- the built-in file ----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def built_in() -> MaterialsDocument:
    return built_in_materials()


def test_every_row_has_a_source_that_says_how_far_it_was_checked(built_in):
    for name, row in built_in.material.items():
        assert row.description, name
        if name != "open":
            assert sum(word in row.source for word in ("found", "from memory", "judged")) >= 1, name
            assert "63 Hz extrapolated" in row.source and "8 kHz = 4 kHz" in row.source, name
            assert "Scattering: common practice, no source" in row.source, name
    for name, row in built_in.fabric.items():
        assert row.description, name
        assert "judged" in row.source or "fitted" in row.source, name
        for curve in row.measured:
            assert "found" in curve.source and "63 Hz extrapolated" in curve.source, name


def test_values_are_what_they_say(built_in):
    for name, row in built_in.material.items():
        absorbed, scattered = np.array(row.absorption), np.array(row.scattering)
        assert ((absorbed >= 0.0) & (absorbed <= 1.0)).all(), name
        assert ((scattered >= 0.0) & (scattered <= 1.0)).all(), name
        assert absorbed[7] == absorbed[6], name
        # 63 Hz is half of 125 Hz, or the same: never more.
        assert absorbed[0] in (pytest.approx(absorbed[1] / 2.0), absorbed[1]), name
        assert (np.diff(scattered) >= 0.0).all(), name
        if "judged" in row.source and name != "stage_house_opening":
            assert row.uncertainty >= 0.2, name
    assert built_in.material["open"].absorption == (1.0,) * 8


def test_rows_against_another_handbook(built_in):
    # Kuttruff, Room Acoustics, Table 9.1 (from memory): hard surfaces (brick walls, plaster, hard floors)
    # .02 .02 .03 .03 .04 .05 at 125 Hz to 4 kHz. Between tables: .03.
    for name in ("brick", "brick_painted", "concrete_sealed"):
        row = np.array(built_in.material[name].absorption[1:7])
        assert np.abs(row - [0.02, 0.02, 0.03, 0.03, 0.04, 0.05]).max() < 0.031, name  # and rounding
    # Worked by hand for people on hard chairs (.40 .80 1.00 .95 .85 in steps of .05): 250 Hz holds the curve
    # at .70, which 1 kHz exceeds by .30 and 2 kHz by .25.
    assert weighted_absorption(built_in.material["audience_seated_2_per_m2"].absorption) == (0.7, "MH", "C")
    assert weighted_absorption(built_in.material["concrete_sealed"].absorption).letter == "-"


def test_surfaces_are_in_order(built_in):
    def middle(name):
        return np.mean(built_in.material[name].absorption[3:5])

    for less, more in (
        ("brick_painted", "brick"),
        ("concrete_sealed", "concrete_rough"),
        ("concrete_rough", "carpet_heavy_on_concrete"),
        ("carpet_heavy_on_concrete", "carpet_heavy_on_felt"),
        ("chairs_plastic_empty", "audience_seated_1_per_m2"),
        ("audience_seated_1_per_m2", "audience_seated_2_per_m2"),
        ("seats_light_upholstery_empty", "audience_light_upholstery"),
        ("glass_large_pane", "glass_window"),
        ("audience_standing", "open"),
    ):
        assert middle(less) < middle(more), (less, more)


def test_fabrics_are_in_order(built_in):
    cloth = {
        name: drape_on_wall(row.flow_resistance, row.surface_mass, 0.15, 2.0)
        for name, row in built_in.fabric.items()
    }

    def middle(name):
        return cloth[name][3:5].mean()

    assert middle("voile_80") < middle("velour_340") < middle("wool_serge_500")
    assert middle("blackout_400") < middle("wool_serge_500")
    assert all(absorbed[0] < 0.1 for absorbed in cloth.values())  # no drape absorbs bass


def test_measured_rows_are_the_table(built_in):
    table = {(row["cloth"], round(float(row["fullness"]), 2)): printed(row) for row in CURTAINS}
    names = {
        "velour_340": "velour_light",
        "velour_475": "velour_medium",
        "velour_600": "velour_heavy",
        "cotton_475": "cotton",
    }
    rows = [(names[name], row) for name in names for row in built_in.fabric[name].measured]
    assert len(rows) == 8
    for cloth, row in rows:
        assert np.array(row.absorption[1:7]) == pytest.approx(table[cloth, round(row.fullness, 2)], abs=1e-12)
