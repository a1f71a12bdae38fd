"""All absorption on few surfaces: where single reverberation formulas part, and what the program makes of it.

The hall H1, 30 x 20 x 8 m, carries drape (0.60) on its two end walls; side walls 0.05, floor 0.10, ceiling
0.20. One and the same absorption means 1.84 s with walls that scatter all and 6.7 s (T30) with mirrors, where
the formulas say anything from 1.5 to 3.3 s.
"""

from __future__ import annotations

import numpy as np
import pytest
from agreement import Disagreement, assert_agrees
from reference.lambert_box import lambert_time, view_factors
from reference.specular_box import image_energy, specular_energy, times_of
from scenes import WALLS, box_scene
from traced import slope_time, spread_seats, traced
from venues import rectangle_area, shoebox, write_venue

import roomsim.study.run
from roomsim.physics.air import Air
from roomsim.report.tables import comparison_table

H1 = {
    "wall_west": 0.6,
    "wall_east": 0.6,
    "wall_south": 0.05,
    "wall_north": 0.05,
    "floor": 0.1,
    "ceiling": 0.2,
}
SIZE = (30.0, 20.0, 8.0)
TALKER = (4.3, 8.7, 1.7)
BAND = 1
"""125 Hz: hardly any air."""


# --- the references themselves ----------------------------------------------------------------------------


def test_view_factors_are_those_of_the_catalogue():
    # Howell's catalogue, C-11 and C-41: a unit cube, opposite and adjacent; plates 30 x 20, 8 apart. Worked out
    # for this project to seven digits.
    cube, _, _, wall = view_factors((1, 1, 1), 0.25)
    # Rows sum to 1: whatever leaves a patch arrives somewhere. To rounding, in sums of 16 terms.
    np.testing.assert_allclose(cube.sum(axis=1), 1.0, rtol=1e-11)
    from_first = [cube[wall == 0][:, wall == k].sum(axis=1).mean() for k in range(1, 6)]
    np.testing.assert_allclose(from_first, [0.1998249, *[0.2000438] * 4], rtol=0, atol=5.1e-8)
    hall, _, _, wall = view_factors(SIZE, 100.0)
    assert hall[wall == 4][:, wall == 5].sum(axis=1).mean() == pytest.approx(0.5468680, abs=5.1e-8)


def test_decay_of_diffuse_boxes_by_eigenvalues_is_that_by_chance():
    # Independent Monte Carlo of the room-averaged energy, made for this project: +-0.5 %.
    for size, absorption, steps, chance in (
        (SIZE, list(H1.values()), (4.0, 2.0), 1.837),
        ((10, 10, 10), [0.2] * 6, (2.5, 1.25), 1.255),
    ):
        coarse, fine = (lambert_time(size, absorption, step) for step in steps)
        assert fine + (fine - coarse) / 3.0 == pytest.approx(
            chance, rel=0.005 + 0.001
        )  # and the extrapolation


def test_decay_of_mirror_boxes_by_directions_is_that_by_counting_hits():
    # The same Monte Carlo with whole numbers of hits: +-0.5 %, and 0.6 % for hits taken as their mean.
    time = np.linspace(0.0, 15.0, 6001)
    for size, walls, chance in (
        (SIZE, list(H1.values()), (2.178, 4.973, 6.715)),
        ((30, 20, 8), [0.2] * 6, (2.082, 2.647, 2.918)),
        ((10, 10, 10), [0.2] * 6, (1.233, 1.273, 1.296)),
        ((10, 10, 10), [0.1] * 6, (2.610, 2.694, 2.742)),
    ):
        found = times_of(time, specular_energy(time, size, 1.0 - np.array(walls)))
        np.testing.assert_allclose(found, chance, rtol=0.014)


# --- one surface ------------------------------------------------------------------------------------------


def test_all_absorption_on_the_floor_of_a_diffuse_cube():
    """0.9 on the floor, 0.05 elsewhere: faster than Eyring by 5 %, as the floor is met by all that it faces."""
    absorption = [0.05] * 4 + [0.9, 0.05]
    coarse, fine = (lambert_time((10, 10, 10), absorption, step) for step in (2.5, 1.25))
    exact = fine + (fine - coarse) / 3.0
    scene = box_scene(
        (10, 10, 10), dict(zip(WALLS, absorption)), 1.0, (4, 4, 4), spread_seats((10, 10, 10), 150)
    )
    energy, edges = traced(scene, 0.8, 16, 16000)
    times = slope_time(edges, energy.mean(axis=1)[..., 0, 0], 0.2, 0.8)
    # 0.2 %: the extrapolation, half of what it adds.
    error = np.hypot(times.std(ddof=1) / 4.0, 0.002 * exact)
    assert error < 0.008 * exact
    assert_agrees(times.mean(), error, exact, n_checks=1, degrees_of_freedom=15, false_alarm=1e-3)
    with pytest.raises(Disagreement):  # control: Eyring for a mean of 0.1917, 0.161 V / (600 x 0.2128)
        assert_agrees(times.mean(), error, 1.2612, n_checks=1, degrees_of_freedom=15, false_alarm=1e-3)


# --- the whole program ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def halls(tmp_path_factory):
    """Results of H1 from its files, with walls that scatter all and with mirrors."""
    found = {}
    for name, scattering, error in (("diffuse", 1.0, 0.008), ("mirrors", 0.0, 0.004)):
        path = write_venue(
            tmp_path_factory.mktemp(name),
            shoebox(SIZE),
            audience=[rectangle_area("seats", (9.0, 3.0, 28.0, 17.0), (4, 2))],
            absorption=H1,
            scattering=scattering,
            crowd=False,
            elements={},
            scenarios=[{"name": "bare", "elements": []}],
            sources=[{"name": "talker", "position": list(TALKER), "level": [70.0] * 8}],
            study={"precision": {"sti": error}, "uncertainty": {"draws": 0}},
        )
        found[name] = roomsim.study.run.run(path, threads=2)
    return found


def room_value(results, figure):
    estimate = results.room[figure]
    return estimate.value[0, BAND], estimate.standard_error[0, BAND]


def test_with_scattering_walls_the_program_finds_the_diffuse_decay(halls):
    coarse, fine = (lambert_time(SIZE, list(H1.values()), step) for step in (4.0, 2.0))
    rate = 6.0 * np.log(10.0) / (fine + (fine - coarse) / 3.0) + 343.2 * Air().attenuation[BAND]
    exact = 6.0 * np.log(10.0) / rate
    assert exact == pytest.approx(1.83, abs=0.006)
    for figure in ("reverberation_time_t20", "reverberation_time_t30"):
        value, error = room_value(halls["diffuse"], figure)
        # 0.5 %: the early part of the decay at seats is not yet the last exponential.
        both = np.hypot(error, 0.005 * exact)
        assert both < 0.01 * exact
        assert_agrees(value, both, exact, n_checks=2, degrees_of_freedom=19, false_alarm=1e-3)
        eyring = halls["diffuse"].statistical["eyring"][0, BAND]
        with pytest.raises(Disagreement):  # control
            assert_agrees(value, both, eyring, n_checks=2, degrees_of_freedom=19, false_alarm=1e-3)


def exact_specular_times(results):
    """(T20, T30) s, mean over the seats, of all images that arrive within 3 s; what comes later by directions."""
    edges = np.arange(0.0, 3.0001, 0.01)
    reflection, air = 1.0 - np.array(list(H1.values())), Air().attenuation[BAND]
    later = np.arange(2.5, 20.0, 0.01)
    far = specular_energy(later + 0.005, SIZE, reflection, air)
    found = []
    for seat in results.positions:
        near = image_energy(edges, SIZE, reflection, TALKER, seat, air)
        tail = far[50:] * near[-50:].sum() / far[:50].sum()
        time = np.concatenate([edges[:-1], later[50:]])
        found.append(times_of(time, np.concatenate([near, tail]))[1:])
    return np.mean(found, axis=0)


def test_with_mirror_walls_the_program_finds_the_specular_decay(halls):
    figures = ("reverberation_time_t20", "reverberation_time_t30")
    for figure, exact in zip(figures, exact_specular_times(halls["mirrors"]), strict=True):
        value, error = room_value(halls["mirrors"], figure)
        # 1 %: the mean over spheres, and regression over samples of 10 ms.
        both = np.hypot(error, 0.01 * exact)
        assert both < 0.04 * exact
        assert_agrees(value, both, exact, n_checks=2, degrees_of_freedom=19, false_alarm=1e-3)
        assert np.isfinite(halls["mirrors"].seats[figure].value[:, 0, BAND]).all()
        with pytest.raises(Disagreement):  # control: the largest of the formulas
            assert_agrees(value, both, 3.3, n_checks=2, degrees_of_freedom=19, false_alarm=1e-3)


def test_no_formula_knows_both(halls):
    """The known failure: the same room to every formula, and none within a fifth of both truths."""
    times = halls["mirrors"].statistical
    for name, of_diffuse in times.items():
        np.testing.assert_array_equal(of_diffuse, halls["diffuse"].statistical[name], err_msg=name)
    at_band = {name: value[0, BAND] for name, value in times.items()}
    # Without air, worked out for this project: 1.9518, 1.7514, 1.5010, 3.3024, 2.3780, 1.8323 s; the air of 125 Hz
    # takes 0.4 to 0.9 % (1 % allowed).
    printed = {"sabine": 1.9518, "eyring": 1.7514, "millington": 1.5010, "fitzroy": 3.3024}
    printed |= {"arau_puchades": 2.3780, "kuttruff": 1.8323}
    for name, value in printed.items():
        assert 0.98 * value < at_band[name] < value, name
    diffuse = room_value(halls["diffuse"], "reverberation_time_t30")[0]
    mirrors = room_value(halls["mirrors"], "reverberation_time_t30")[0]
    for name, value in at_band.items():
        assert abs(value / diffuse - 1.0) > 0.2 or abs(value / mirrors - 1.0) > 0.2, name
    # Kuttruff's is made for diffuse walls, and right there; for mirrors all are too short by half and more.
    assert at_band["kuttruff"] == pytest.approx(diffuse, rel=0.02)
    assert max(at_band.values()) < 0.6 * mirrors


def test_the_program_says_why_they_differ(halls):
    (found,) = [caveat for caveat in halls["mirrors"].caveats if caveat.code.startswith("long_decay")]
    assert found.code == "long_decay_specular" and found.values["scattered_share"] == 0.0
    contrast = {"most_along": 0, "most": 0.60, "least_along": 1, "least": 0.05}
    assert {name: found.values[name] for name in contrast} == pytest.approx(contrast)
    # It stands where the comparison is read, too.
    assert "decays more slowly than the rest" in " ".join(comparison_table(halls["mirrors"]).text(200).split())
    # Control: where the walls scatter, traced and statistical times agree, and there is nothing to explain.
    assert not [caveat for caveat in halls["diffuse"].caveats if caveat.code.startswith("long_decay")]
    # That the formulas disagree is recorded in both: absorption is uneven either way.
    for results in halls.values():
        assert any(caveat.code == "uneven_absorption" for caveat in results.caveats)
