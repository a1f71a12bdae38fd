"""Where boxes are, how they are driven, and what one box radiates."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from pydantic import ValidationError
from scipy import special
from systems import C, arrays, box, hang, stack

from roomsim.bands import EXACT, LINES_PER_BAND, band_lines
from roomsim.loudspeakers.coverage import coverage_angles
from roomsim.loudspeakers.elements import band_energy
from roomsim.loudspeakers.field import pressure_at
from roomsim.loudspeakers.filters import linkwitz_riley
from roomsim.loudspeakers.layout import layout_of
from roomsim.loudspeakers.patterns import pattern
from roomsim.physics.radiation import frame
from roomsim.venue.loudspeakers import built_in_loudspeakers, find_loudspeaker

ONE = {"kind": "stack", "count": 1}


def directions(azimuth, elevation=0.0):
    azimuth, elevation = np.broadcast_arrays(np.radians(azimuth), np.radians(elevation))
    flat = np.cos(elevation)
    return np.stack([flat * np.cos(azimuth), flat * np.sin(azimuth), np.sin(elevation)], axis=-1).reshape(
        -1, 3
    )


def level(found):
    return 20.0 * np.log10(np.abs(found))


# --- where boxes are ------------------------------------------------------------------------------------


def test_fronts_of_a_hang_touch_and_look_down_by_their_splay():
    splay = (1.0, 2.0, 4.0)
    layout = layout_of(
        hang(count=4, splay=splay, tilt=3.0, azimuth=30.0, top=(1.0, 2.0, 9.0)), {"box": box()}, C
    )
    edge = np.array([1.0, 2.0, 9.0])
    for position, frames, elevation in zip(layout.position, layout.frames, (3.0, 2.0, 0.0, -4.0)):
        ahead, left, up = frame(30.0, elevation)
        np.testing.assert_allclose(frames, [up, ahead, left], atol=1e-12)
        # The top edge of each box is where the one above ended; its height is 0.5 m.
        np.testing.assert_allclose(position + 0.25 * frames[0], edge, atol=1e-12)
        edge = position - 0.25 * frames[0]
    assert np.linalg.det(layout.frames) == pytest.approx(np.ones(4))
    assert layout.frame[1] == pytest.approx([np.cos(np.pi / 6), 0.5, 0.0])


def test_a_straight_hang_by_hand():
    layout = layout_of(hang(count=3, splay=(0.0, 0.0)), {"box": box()}, C)
    assert layout.position == pytest.approx(np.array([[0, 0, 7.75], [0, 0, 7.25], [0, 0, 6.75]]))
    assert layout.reference == pytest.approx([0, 0, 7.25])


def test_stacks_by_hand():
    own = {"box": box()}
    gradient = layout_of(stack({"kind": "stack", "count": 3, "reversed": (2,)}, azimuth=90.0), own, C)
    # Looks along +y; the reversed box has its front 0.9 m further back.
    assert gradient.position == pytest.approx(
        np.array([[0, 0, 0.25], [0, -0.9, 0.75], [0, 0, 1.25]]), abs=1e-12
    )
    assert gradient.frames[:, 1] == pytest.approx(np.array([[0, 1, 0], [0, -1, 0], [0, 1, 0]]), abs=1e-12)
    assert gradient.gain == pytest.approx([1.0, -1.0, 1.0])
    assert gradient.delay == pytest.approx([0.0, 0.9 / C, 0.0])
    line = layout_of(stack({"kind": "end_fire", "count": 3, "spacing": 1.2}, position=(5.0, 0, 0)), own, C)
    assert line.position[:, 0] == pytest.approx([2.6, 3.8, 5.0])
    assert line.delay == pytest.approx([0.0, 1.2 / C, 2.4 / C])
    # 2.4 m at 343.2 m/s: 6.993 ms, by hand (common practice: 2.91 ms a metre at 20 degrees).
    assert 1000.0 * line.delay[2] == pytest.approx(6.993, abs=5e-4)
    row = layout_of(stack({"kind": "row", "count": 2, "spacing": 3.0}), own, C)
    assert row.position[:, 1] == pytest.approx([-1.5, 1.5])  # from the right, as the boxes see it


def test_drives_of_all_and_of_one_add_up():
    one = {"number": 2, "gain": -6.0, "delay": 1.5, "polarity": "inverted", "low_pass": {"frequency": 80.0}}
    driven = hang(count=2, splay=(0.0,), gain=2.0, delay=10.0, high_pass={"frequency": 40.0}, box=(one,))
    layout = layout_of(driven, {"box": box()}, C)
    assert layout.gain == pytest.approx([10**0.1, -(10**-0.2)])
    assert layout.delay == pytest.approx([0.010, 0.0115])
    sides = [[(side, crossover.frequency) for side, crossover in filters] for filters in layout.filters]
    assert sides == [[("high", 40.0)], [("high", 40.0), ("low", 80.0)]]


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: hang(count=3, splay=(1.0,)), "3 boxes have 2 angles between them; splay has 1"),
        (lambda: hang(count=1, box=({"number": 2},)), "box 2 has processing of its own, but there are only 1"),
        (lambda: hang(count=2, splay=(0.0,), box=({"number": 1}, {"number": 1})), "box 1 is listed twice"),
        (lambda: stack({"kind": "stack", "count": 2, "reversed": (3,)}), "reversed must name boxes from 1 to"),
        (lambda: stack(ONE, position=(0, 0, -1.0), floor=0.0), "lies below its floor"),
        (lambda: box(level=(80.0,) * 9), "there are 9"),
    ],
)  # fmt: skip
def test_impossible_systems(make, said):
    with pytest.raises(ValidationError, match=said):
        make()


def test_generic_boxes_are_there_and_name_no_product():
    known = built_in_loudspeakers()
    assert set(known) == {"compact_line", "wide_fill", "point_source", "sub", "cardioid_sub"}
    for entry in known.values():
        assert "invented" in entry.source and "common practice" in entry.source
    own = {"sub": box()}
    assert find_loudspeaker(own, "sub") is own["sub"]


# --- crossovers -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("order", [4, 8])
def test_both_sides_of_a_crossover_add_up_to_all(order):
    # Linkwitz and Riley: all-pass sum, both sides in phase and 6 dB down at the corner (Linkwitz, Journal
    # of the Audio Engineering Society 24 (1976), 2, from memory).
    f = np.geomspace(20.0, 500.0, 40)
    low, high = (linkwitz_riley(f, 80.0, order, side) for side in ("low", "high"))
    assert np.abs(low + high) == pytest.approx(np.ones(40), abs=1e-9)
    assert level(linkwitz_riley(np.array([80.0]), 80.0, order, "low")) == pytest.approx([-6.0206], abs=1e-4)
    # Far off the corner: 6 dB an octave for each order.
    step = level(linkwitz_riley(np.array([2560.0, 1280.0]), 80.0, order, "low"))
    assert step[1] - step[0] == pytest.approx(6.0206 * order, rel=0.01)


def test_second_order_needs_one_side_inverted():
    low, high = (linkwitz_riley(np.array([80.0]), 80.0, 2, side) for side in ("low", "high"))
    assert np.abs(low + high)[0] < 1e-9
    assert np.abs(low - high) == pytest.approx([1.0])


def test_main_and_sub_meet_at_the_crossover():
    # The same box high-passed and low-passed at 80 Hz in one place is the box without filters.
    cut = {"frequency": 80.0}
    ear = np.array([[12.0, 3.0, 1.0]])
    sides = [arrays(hang(**{key: cut})) for key in ("high_pass", "low_pass")]
    together = sum(pressure_at(side, ear, C) for side in sides)
    plain = pressure_at(arrays(hang()), ear, C)
    assert np.abs(together) == pytest.approx(np.abs(plain), rel=1e-9)
    apart = sum(band_energy(pressure_at(side, ear, C)) for side in sides)
    assert apart[0, 0] < 0.9 * band_energy(plain)[0, 0]  # control: energies alone would leave a dip


# --- one box --------------------------------------------------------------------------------------------


def test_level_of_a_box_is_that_of_its_octaves_and_thirds():
    octaves = (70.0, 80.0, 90.0, 85.0, 84.0, 83.0, 82.0, 81.0)
    at_1_m = band_energy(pressure_at(arrays(hang(), box(level=octaves)), np.array([[1.0, 0.0, 7.75]]), C))
    assert 10.0 * np.log10(at_1_m[0]) == pytest.approx(octaves, abs=1e-9)
    thirds = tuple(70.0 + 0.5 * i for i in range(24))
    elements = arrays(hang(), box(level=thirds))
    found = 10.0 * np.log10(band_energy(pressure_at(elements, np.array([[1.0, 0.0, 7.75]]), C))[0])
    summed = [10.0 * np.log10(sum(10 ** (thirds[3 * b + i] / 10) for i in range(3))) for b in range(8)]
    assert found == pytest.approx(summed, abs=1e-9)
    lines = np.abs(elements.response[0]) ** 2
    # Four lines a third, of equal energy.
    assert lines[: LINES_PER_BAND // 3] == pytest.approx(np.full(4, lines[0]))
    assert lines[4] / lines[3] == pytest.approx(10**0.05)


def test_piston_is_that_of_its_bessel_function():
    # First null of 2 J1(x) / x: x = 3.8317 (Abramowitz and Stegun, Table 9.5). a = 0.1 m at 4 kHz: ka =
    # 7.323.
    f = np.array([4000.0])
    ka = 2.0 * np.pi * 4000.0 * 0.1 / C
    null = np.degrees(np.arcsin(special.jn_zeros(1, 1)[0] / ka))
    cone = box({"kind": "piston", "radius": 0.1}).directivity
    found = pattern(cone, directions([0.0, null, 90.0, 180.0]), f, C, Path("."))[:, 0]
    assert found[0] == pytest.approx(1.0)
    assert abs(found[1]) < 1e-9
    assert level(found[3]) == pytest.approx(level(found[2]) - 20.0)  # down to the rear level


def test_line_element_at_its_edges():
    slot = box({"kind": "line_element", "height": 0.25, "coverage": 110.0, "width": 0.3}).directivity
    f = np.array([100.0, 1000.0, 8000.0])
    aside = level(pattern(slot, directions([0.0, 55.0, -55.0, 180.0]), f, C, Path(".")))
    assert aside[1, 1:] == pytest.approx([-6.0, -6.0])
    assert aside[2] == pytest.approx(aside[1])
    # 25 400 / (110 x 0.3) = 770 Hz: at 100 Hz the angle is 7.7 times as wide, 6 dB / 59 at 55 degrees.
    assert aside[1, 0] == pytest.approx(-6.0 / 7.697**2, rel=2e-3)
    assert aside[3, 2] == pytest.approx(-20.0)
    # Null of the slot where L sin(elevation) is a wavelength.
    null = np.degrees(np.arcsin(C / 8000.0 / 0.25))
    assert np.abs(pattern(slot, directions(0.0, null), f, C, Path(".")))[0, 2] < 1e-9


def test_horn_is_6_db_down_at_both_its_angles():
    horn = box({"kind": "horn", "coverage": [90.0, 30.0]}).directivity
    found = level(
        pattern(horn, directions([45.0, 0.0, 45.0], [0.0, 15.0, 15.0]), np.array([1000.0]), C, Path("."))
    )
    assert found[:, 0] == pytest.approx([-6.0, -6.0, -12.0])


def write_thirds(path: Path, tilt):
    """A whole sphere in thirds: `tilt` dB less behind for each band number above 50 Hz."""
    lines = ["azimuth_deg,elevation_deg,f_hz,level_db"]
    for elevation in range(-90, 91, 15):
        for azimuth in range(0, 360, 15):
            ahead = np.cos(np.radians(azimuth)) * np.cos(np.radians(elevation))
            for third in range(17, 41):
                lines.append(
                    f"{azimuth},{elevation},{10 ** (third / 10):.4g},{-tilt * (third - 17) * (1 - ahead) / 2}"
                )
    path.write_text("\n".join(lines), encoding="utf-8")


def test_tabulated_thirds_reach_the_lines(tmp_path: Path):
    write_thirds(tmp_path / "box.csv", 0.5)
    data = box({"kind": "tabulated", "file": "box.csv"}).directivity
    found = level(pattern(data, directions([0.0, 90.0, 180.0]), band_lines(), C, tmp_path)).reshape(3, 24, 4)
    assert found[2] == pytest.approx(np.repeat(-0.5 * np.arange(24.0)[:, None], 4, axis=1), abs=1e-6)
    assert found[1] == pytest.approx(found[2] / 2.0, abs=1e-6)
    assert found[0] == pytest.approx(np.zeros((24, 4)), abs=1e-6)


def test_two_polars_meet_both_planes(tmp_path: Path):
    lines = ["azimuth_deg,elevation_deg,f_hz,level_db"]
    around = [(a, 0.0, -(a if a <= 180 else 360 - a) / 10.0) for a in range(0, 360, 10)]
    upright = [(a, e, -(abs(e) if a == 0 else 180 - abs(e)) / 20.0 - (9.0 if a else 0.0))
               for e in range(-90, 91, 10) for a in (0, 180) if e]  # fmt: skip
    for azimuth, elevation, value in (*around, *upright):
        lines += [f"{azimuth},{elevation},{f:g},{value}" for f in (63, 125, 250, 500, 1000, 2000, 4000, 8000)]
    (tmp_path / "box.csv").write_text("\n".join(lines), encoding="utf-8")
    data = box({"kind": "tabulated", "file": "box.csv"}).directivity
    found = level(pattern(data, directions([30.0, -70.0, 0.0, 0.0], [0, 0, 40.0, -20.0]), EXACT, C, tmp_path))
    assert found[:, 3] == pytest.approx([-3.0, -7.0, -2.0, -1.0], abs=1e-6)


# --- coverage -------------------------------------------------------------------------------------------


def test_coverage_angles_are_those_that_were_asked_for():
    horn = box({"kind": "horn", "coverage": [90.0, 40.0]}).directivity
    assert coverage_angles(horn, C, Path(".")) == pytest.approx(
        np.repeat([[90.0], [40.0]], 8, axis=1), abs=0.05
    )  # linear within steps of 0.5 degrees: (0.5 / 20)^2 of the angle at most
    omni = box().directivity
    assert (coverage_angles(omni, C, Path(".")) == 360.0).all()
    # A cardioid is 6 dB down at 90 degrees: (1 + cos t) / 2 = 0.501.
    cardioid = box({"kind": "first_order", "omnidirectional_part": 0.5}).directivity
    assert coverage_angles(cardioid, C, Path("."))[0] == pytest.approx(np.full(8, 180.0), abs=0.5)


def test_coverage_of_a_piston_and_of_the_generic_line_box():
    # 2 J1(x) / x = 0.5012 at x = 2.2118 (derived; scipy.special.j1 is the reference), in the middle of a band.
    ka = 2.0 * np.pi * EXACT[5] * 0.15 / C
    middle = 2.0 * np.degrees(np.arcsin(2.2118 / ka))
    found = coverage_angles(box({"kind": "piston", "radius": 0.15}).directivity, C, Path("."))
    # The octave as a whole differs from its middle, by its upper half mostly.
    assert found[0, 5] == pytest.approx(middle, rel=0.15)
    assert found[0] == pytest.approx(found[1])
    compact = built_in_loudspeakers()["compact_line"].directivity
    horizontal, vertical = coverage_angles(compact, C, Path("."))
    assert horizontal[5:] == pytest.approx([110.0] * 3, abs=0.01)  # at 1 kHz the waveguide begins to let go
    # 0.24 m against waves of 43 mm: 0.603 x 2 of lambda / L (line at half pressure: u = 1.8955), 12 degrees.
    assert vertical[7] == pytest.approx(
        2.0 * np.degrees(np.arcsin(1.8955 / np.pi * C / EXACT[7] / 0.24)), rel=0.15
    )


def test_a_row_that_is_all_but_straight_has_no_delays() -> None:
    """An arc of no angle at all and one of 1e-300 degrees are one and the same."""
    row = {"kind": "row", "count": 4, "spacing": 3.0}
    own = {"box": box()}
    straight, bent = (layout_of(stack({**row, "arc": arc}), own, C) for arc in (0.0, 1e-300))
    assert np.abs(straight.delay - bent.delay).max() < 1e-15
    # 4 boxes over 9 m on an arc of 90 degrees: its radius is 4.5 m / sin 45, and the outer ones lie back by
    # sqrt(radius^2 - 1.5^2) - radius cos 45 from the inner ones.
    radius = 4.5 / np.sin(np.pi / 4)
    delay = layout_of(stack({**row, "arc": 90.0}), own, C).delay
    assert np.ptp(delay) == pytest.approx((np.sqrt(radius**2 - 1.5**2) - radius * np.cos(np.pi / 4)) / C)
