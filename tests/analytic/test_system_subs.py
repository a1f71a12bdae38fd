"""Gradient stacks, end-fire lines and rows against closed forms and computed tables."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from systems import C, arrays, at_frequencies, box, points_as_elements, stack

from roomsim.bands import EXACT, band_lines
from roomsim.errors import DocumentError
from roomsim.loudspeakers.field import pressure_towards
from roomsim.loudspeakers.layout import layout_of
from roomsim.loudspeakers.subs import LOW_BANDS, front_to_back, level_map

FREQUENCIES = (31.5, 40.0, 50.0, 63.0, 80.0, 100.0)


def towards(system, degrees, frequencies=FREQUENCIES, speed=C):
    """dB re one box, far away in a horizontal direction off the front."""
    elements = at_frequencies(system, frequencies, speed=speed)
    angle = np.radians(degrees)
    there = np.array([[np.cos(angle), np.sin(angle), 0.0]])
    pressure = pressure_towards(elements, there, elements.position.mean(axis=0), speed)[0]
    return 20.0 * np.log10(np.maximum(np.abs(pressure), 1e-15))


@pytest.mark.parametrize(
    ("frequency", "front", "side"),
    [(40.0, 1.105807, 0.577503), (63.0, 1.594476, 0.890320), (80.0, 1.842817, 1.105807)],
)
def test_gradient_pair_closed_form(frequency, front, side):
    # |H| = 2 |sin((k d / 2)(1 + cos t))|, d = 0.8 m (Kinsler and Frey, Fundamentals of Acoustics, ch. 7,
    # from memory); values derived, printed to 1e-6.
    pair = stack({"kind": "gradient_pair", "spacing": 0.8})
    found = 10.0 ** (np.array([towards(pair, degrees, [frequency])[0] for degrees in (0, 90, 180)]) / 20.0)
    assert found[:2] == pytest.approx([front, side], abs=1e-6)
    assert found[2] < 1e-12
    plain = stack({"kind": "row", "count": 2, "spacing": 0.8})
    assert towards(plain, 180.0, [frequency])[0] > 6.0  # control: two boxes that help each other


def test_gradient_pair_with_an_error_of_1_db():
    # What is left behind at 40, 63, 80 Hz with the rear box 1 dB too quiet, re the front of the pair as
    # it should be (derived, to 1e-3 dB).
    wrong = stack({"kind": "gradient_pair", "spacing": 0.8, "rear_gain": -1.0})
    right = stack({"kind": "gradient_pair", "spacing": 0.8})
    f = (40.0, 63.0, 80.0)
    assert towards(wrong, 180.0, f) - towards(right, 0.0, f) == pytest.approx(
        [-20.145, -23.324, -24.581], abs=6e-4
    )


TABLE = {
    "gradient pair": (
        {"kind": "gradient_pair", "spacing": 0.9}, (-0.1, 1.8, 3.3, 4.7, 5.7, 6.0), None,
    ),
    "two and one reversed": (
        {"kind": "stack", "count": 3, "reversed": (2,)}, (4.7, 6.0, 7.3, 8.4, 9.3, 9.5), (0.0,) * 6,
    ),
    "end-fire 4": (
        {"kind": "end_fire", "count": 4, "spacing": 1.0}, (12.0,) * 6, (2.7, -10.1, -4.0, 0.7, -7.7, -1.0),
    ),
    "end-fire 3": (
        {"kind": "end_fire", "count": 3, "spacing": 1.0}, (9.5,) * 6, (5.2, 1.7, -6.3, -9.3, -0.4, -2.7),
    ),
}  # fmt: skip
"""Arrangement of equal points -> dB re one box in front and behind, computed for this project by another
program."""


@pytest.mark.parametrize("name", TABLE)
def test_computed_table_of_directional_subs(name):
    arrangement, front, rear = TABLE[name]
    # Printed to 0.1 dB, for 343 m/s (at 344 two of its values would come out otherwise).
    assert towards(stack(arrangement), 0.0, speed=343.0) == pytest.approx(front, abs=0.0501)
    if rear is None:
        assert (
            towards(stack(arrangement), 180.0, speed=343.0).max() < -200.0
        )  # equal points cancel but for rounding
    else:
        assert towards(stack(arrangement), 180.0, speed=343.0) == pytest.approx(rear, abs=0.0501)


def test_end_fire_is_a_line_whose_boxes_agree_in_front_alone():
    # Closed form: |sin(N x) / sin x|, x = (k s / 2)(1 - cos t) for delays i s / c (phased line; Kinsler
    # and Frey, Fundamentals of Acoustics, ch. 7, from memory).
    system = stack({"kind": "end_fire", "count": 4, "spacing": 1.0})
    for degrees in (30.0, 75.0, 120.0, 180.0):
        x = np.pi * np.array(FREQUENCIES) / C * (1.0 - np.cos(np.radians(degrees)))
        expected = 20.0 * np.log10(np.abs(np.sin(4 * x) / np.sin(x)))
        assert towards(system, degrees) == pytest.approx(expected, abs=1e-6)
    # Control: with the other sign of the delay it would fire backwards.
    x = np.pi * np.array(FREQUENCIES) / C * 2.0
    backwards = 20.0 * np.log10(np.abs(np.sin(4 * x) / np.sin(x)))
    assert np.abs(towards(system, 0.0) - backwards).min() > 5.0


def test_rejection_of_a_cardioid_is_that_of_its_pattern():
    # a + (1 - a) cos t, a = 0.6: ahead 1; behind the mean over 150 to 210 degrees of its square, by the
    # integral.
    part = box({"kind": "first_order", "omnidirectional_part": 0.6})
    a, b = 0.6, 0.4
    edge = np.radians(30.0)
    mean = a * a - 2 * a * b * np.sin(edge) / edge + b * b * (0.5 + np.sin(2 * edge) / (4 * edge))
    found = front_to_back(arrays(stack({"kind": "stack", "count": 1}), part), 0.0, C)
    # 25 directions of equal weight stand for the integral: half a step too much at both ends, 0.06 dB.
    assert found == pytest.approx(np.full(8, -10.0 * np.log10(mean)), abs=0.1)


def test_rejection_does_not_depend_on_where_the_stack_looks():
    gradient = {"kind": "stack", "count": 3, "reversed": (2,)}
    straight = front_to_back(arrays(stack(gradient)), 0.0, C)
    turned = front_to_back(arrays(stack(gradient, azimuth=77.0, position=(5.0, -3.0, 1.0))), 77.0, C)
    assert turned == pytest.approx(straight, abs=1e-6)
    assert (
        np.abs(front_to_back(arrays(stack(gradient, azimuth=77.0)), 0.0, C) - straight).max() > 1.0
    )  # control


def test_rejection_of_a_mirror_image_is_the_same():
    """Two points of which the left one is late send unequally to left and right; the sector behind is even."""
    late, frequencies = 0.004, band_lines(LOW_BANDS)
    both = []
    for side in (1.0, -1.0):
        pair = points_as_elements([[0.0, side, 0.0], [0.3, -side, 0.0]], frequencies)
        response = pair.response.copy()
        response[0] *= np.exp(-2j * np.pi * frequencies * late)
        both.append(front_to_back(replace(pair, response=response), 0.0, C))
    assert both[0] == pytest.approx(both[1], abs=1e-6)


def test_left_and_right_make_an_alley_and_nulls():
    # Stacks at y = +-6, ears 20 m away: on the middle line +6 dB re one, and nothing where the ways
    # differ by half a wave of a single frequency.
    pair = points_as_elements([[0.0, 6.0, 0.0], [0.0, -6.0, 0.0]], band_lines(LOW_BANDS))
    one = points_as_elements([[0.0, 6.0, 0.0]], band_lines(LOW_BANDS))
    middle = np.array([[20.0, 0.0, 0.0]])
    assert level_map([pair], middle, C) - level_map([one], middle, C) == pytest.approx(
        np.full((1, 3), 6.0206)
    )
    aside = np.linspace(-8.0, 8.0, 321)
    line = np.stack([np.full(321, 20.0), aside, np.zeros(321)], axis=1)
    level = level_map([pair], line, C)[:, 1]
    null = abs(aside[80 + level[80:241].argmin()])
    ways = abs(np.hypot(20.0, null - 6.0) - np.hypot(20.0, null + 6.0))
    # The octave's null lies where the ways differ by half a wave of its middle, within the octave: 0.71
    # to 1.41.
    assert 0.71 < ways / (0.5 * C / EXACT[0]) < 1.41
    assert level[160] - level.min() > 6.0


def test_31_hertz_needs_a_level_there():
    plain = box(level_at_31=None)
    with pytest.raises(DocumentError, match="level_at_31"):
        arrays(stack({"kind": "stack", "count": 1}), plain, mid_bands=LOW_BANDS)
    single = arrays(stack({"kind": "stack", "count": 1}), box(level_at_31=71.0), mid_bands=LOW_BANDS)
    found = level_map([single], single.position + np.array([1.0, 0.0, 0.0]), C)
    assert found == pytest.approx(np.array([[71.0, 90.0, 90.0]]))


def test_row_on_an_arc():
    # Delays put the boxes onto an arc of 60 degrees through the middle: seen from its centre all are
    # equally far.
    row = stack({"kind": "row", "count": 5, "spacing": 2.0, "arc": 60.0}, position=(0.0, 0.0, 0.0))
    layout = layout_of(row, {"box": box()}, C)
    radius = 4.0 / np.sin(np.radians(30.0))
    behind = np.array([-radius, 0.0, 0.25])
    # A box moved back by its delay lies on the circle round the centre.
    moved = layout.position - np.stack([layout.delay * C, 0 * layout.delay, 0 * layout.delay], axis=1)
    assert np.linalg.norm(moved - behind, axis=1) == pytest.approx(np.full(5, radius))
    assert (
        np.ptp(np.linalg.norm(layout.position - behind, axis=1)) > 0.5
    )  # control: without delays they do not
