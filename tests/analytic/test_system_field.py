"""The complex sum over boxes against closed forms: near and far field, floor, power, reciprocity."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy import integrate
from systems import C, arrays, at_frequencies, box, hang, points_as_elements, stack

from roomsim.bands import EXACT, LINES_PER_BAND, band_lines
from roomsim.loudspeakers.elements import MOST_LINES, band_energy
from roomsim.loudspeakers.field import far_balloon, floor_gain, pressure_at, pressure_towards
from roomsim.loudspeakers.layout import layout_of
from roomsim.loudspeakers.patterns import pattern
from roomsim.loudspeakers.subs import LOW_BANDS, level_map
from roomsim.physics.radiation import gain_towards, sphere_weights

UP_AHEAD_LEFT = np.array([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
FLOOR = np.array([0.0, 0.0, 1.0, 0.0])


def decibel(pressure):
    return 20.0 * np.log10(np.abs(pressure))


# --- lines of points ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("frequency", "nulls"),
    [(500.0, (20.0720, 43.3458)), (1000.0, (9.8809, 20.0720, 30.9841, 43.3458, 59.0928))],
)
def test_eight_points_have_their_nulls_where_the_closed_form_has(frequency, nulls):
    # sin(N x) / (N sin x), x = (k d / 2) sin(angle): zero where sin(angle) = n c / (N d f). N = 8, d =
    # 0.25 m; Kinsler and Frey, Fundamentals of Acoustics, ch. 7 (from memory); angles derived, to 1e-4
    # degrees.
    position = np.stack([np.zeros(8), np.zeros(8), 0.25 * np.arange(8)], axis=1)
    points = points_as_elements(position, [frequency])
    angle = np.radians(nulls)
    directions = np.stack([np.cos(angle), np.zeros(len(angle)), np.sin(angle)], axis=1)
    found = np.abs(pressure_towards(points, directions, position.mean(axis=0), C)[:, 0]) / 8
    # 5e-5 degrees of rounding times the steepest slope of the pattern, N k d / 2 per radian: 1.6e-5 at 1 kHz.
    assert found.max() < 2e-5
    away = directions @ np.array(
        [[np.cos(0.05), 0, np.sin(0.05)], [0, 1, 0], [-np.sin(0.05), 0, np.cos(0.05)]]
    )
    control = np.abs(pressure_towards(points, away, position.mean(axis=0), C)[:, 0]) / 8
    assert control.min() > 0.02


ON_AXIS = {1: -16.516, 2: -12.622, 4: -9.192, 8: -8.471, 16: -2.093, 32: -0.514, 64: -0.128, 128: -0.032}
"""m -> dB re a point of the same strength, 4 m uniform line at 1 kHz, c = 343.2 m/s: derived by
integrating the line with Simpson's rule, 40 001 points."""


def test_near_field_of_a_line_on_its_axis():
    n = 1600
    height = (np.arange(n) + 0.5) / n * 4.0 - 2.0
    points = points_as_elements(np.stack([0 * height, 0 * height, height], axis=1), [1000.0], 1.0 / n)
    distance = np.array(list(ON_AXIS), dtype=float)
    ahead = np.stack([distance, 0 * distance, 0 * distance], axis=1)
    found = decibel(pressure_at(points, ahead, C)[:, 0] * distance)
    # Printed to 0.001 dB; 1600 points 2.5 mm apart stand for the line to (k d)^2 / 24 of pressure, 1e-4.
    assert found == pytest.approx(list(ON_AXIS.values()), abs=0.0016)
    far = decibel(pressure_towards(points, np.array([[1.0, 0.0, 0.0]]), np.zeros(3), C)[0, 0])
    assert abs(far - ON_AXIS[1]) > 10.0  # control: the far field is not what is there at 1 m


def test_a_hang_of_slots_is_a_continuous_line():
    # 16 boxes with slots of their full height, straight: a uniform line 4 m long. Transition at 1 kHz: 23 m.
    slot = box({"kind": "line_element", "height": 0.25, "coverage": 360.0}, height=0.25)
    elements = arrays(hang(count=16, splay=(0.0,) * 15), slot)
    distance = np.array([4.0, 8.0, 200.0, 400.0])
    ahead = elements.position.mean(axis=0) + distance[:, None] * [1.0, 0.0, 0.0]
    level = 10.0 * np.log10(band_energy(pressure_at(elements, ahead, C), elements.per_band))
    height = (np.arange(8000) + 0.5) / 8000 * 4.0 - 2.0
    far = np.hypot(distance[:, None], height)[..., None]
    frequency = EXACT[[3, 4, 5, 6, 7], None] * 10.0 ** (0.3 * (np.arange(192) + 0.5 - 96.0) / 192.0)
    for i, lines in enumerate(frequency, start=3):
        line = (np.exp(-2j * np.pi * lines / C * far) / far).mean(axis=1)
        expected = 90.0 + 20.0 * np.log10(16.0) + 10.0 * np.log10((np.abs(line) ** 2).mean(axis=1))
        # Each box is taken in its own far field, which begins at 1 m at 11 kHz, 0.1 dB; and lines within an octave err
        # by half as much at most.
        assert level[:, i] == pytest.approx(expected, abs=0.15)
    # Near, doubling the distance costs 3 dB, far 6 dB (Beranek and Mellow, Acoustics, ch. 4, from
    # memory). Ripples of an octave stay below 0.5 dB where 8 m is less than a fifth of the transition;
    # 200 m is 8 times that of 1 kHz.
    assert (level[0] - level[1])[6:] == pytest.approx([3.01] * 2, abs=0.5)
    assert (level[2] - level[3])[:5] == pytest.approx([6.02] * 5, abs=0.1)


FINE = 2000
"""Lines an octave of the sum that others are held to: 10 a turn for the longest hang at 8 kHz."""
LONG_HANGS = {
    "12 straight": (12, 0.30, 0.0),
    "12 curved": (12, 0.25, 2.0),
    "16 curved": (16, 0.30, 3.0),
    "24 nearly straight": (24, 0.35, 1.0),
    "24 curved": (24, 0.30, 4.0),
}


def octave_over_fine_lines(layout, points, band, is_far):
    """(n_points,) energy of boxes of 90 dB, added on `FINE` lines by the textbook sum, each box's pattern taken
    where it is wanted and on the line that it is wanted on."""
    directivity = layout.loudspeaker.directivity
    frequency = EXACT[band] * 10.0 ** (0.3 * ((np.arange(FINE) + 0.5) / FINE - 0.5))
    total = np.zeros((len(points), FINE), complex)
    for place, frame, delay in zip(layout.position, layout.frames, layout.delay):
        away = points if is_far else points - place
        path = -points @ (place - layout.position.mean(axis=0)) if is_far else np.linalg.norm(away, axis=1)
        loss = np.ones(len(points)) if is_far else 1.0 / path
        ahead_left_up = away @ frame[[1, 2, 0]].T / np.linalg.norm(away, axis=1)[:, None]
        phase = np.exp(-2j * np.pi * frequency * (path[:, None] / C + delay))
        total += pattern(directivity, ahead_left_up, frequency, C, Path(".")) * loss[:, None] * phase
    return 1e9 * (np.abs(total) ** 2).mean(axis=1)


@pytest.mark.parametrize("kind", ["points", "slots"])
@pytest.mark.parametrize("name", LONG_HANGS)
def test_an_octave_of_a_long_hang_has_lines_enough(name, kind):
    count, height, steepest = LONG_HANGS[name]
    splay = tuple(np.round(np.linspace(0.0, steepest, count - 1), 1))
    directivity = {
        "points": {"kind": "omnidirectional"},
        "slots": {"kind": "line_element", "height": 0.96 * height, "coverage": 100.0},
    }[kind]
    system, loudspeaker = hang(count=count, splay=splay, top=(0.0, 0.0, 12.0)), box(directivity, height=height)
    layout = layout_of(system, {"box": loudspeaker}, C)
    elements = arrays(system, loudspeaker)

    elevation = np.radians(np.arange(-88.0, 89.0, 4.0))
    towards = np.stack([np.cos(elevation), 0.0 * elevation, np.sin(elevation)], axis=1)
    away = np.concatenate([np.arange(2.0, 20.0, 1.0), np.arange(20.0, 90.0, 10.0)])
    seats = np.stack([away, 0.2 * away, np.full_like(away, 1.2)], axis=1)
    middle = layout.position.mean(axis=0)
    found = {
        True: band_energy(pressure_towards(elements, towards, middle, C), elements.per_band),
        False: band_energy(pressure_at(elements, seats, C), elements.per_band),
    }
    off_with_few = []
    for band in (3, 5, 7):
        for is_far, points in ((True, towards), (False, seats)):
            expected = octave_over_fine_lines(layout, points, band, is_far)
            # Directions 30 dB and more under the loudest of the octave carry nothing that a map or a ray would show.
            heard = expected > 1e-3 * expected.max()
            off = 10.0 * np.log10(found[is_far][heard, band] / expected[heard])
            assert off == pytest.approx(np.zeros(len(off)), abs=0.2)
            if band == 7:
                few = arrays(system, loudspeaker, per_band=np.full(8, LINES_PER_BAND))
                summed = pressure_towards(few, points, middle, C) if is_far else pressure_at(few, points, C)
                off_with_few.append(np.abs(10.0 * np.log10(band_energy(summed)[heard, 7] / expected[heard])).max())
    # Control: twelve lines for every octave, as short systems have, are not enough.
    assert max(off_with_few) > 0.3


def test_short_systems_need_no_more_lines_and_bass_is_shared():
    assert set(arrays(hang(count=1)).per_band) == {LINES_PER_BAND}
    per_band = arrays(hang(count=24, splay=(0.0,) * 23), box(height=0.35)).per_band
    # 63 and 125 Hz add up with those of other systems line by line.
    assert per_band[:2].tolist() == [LINES_PER_BAND] * 2 and (np.diff(per_band) >= 0).all()
    # 8.05 m at 11.2 kHz: 263 turns between the ends, of which 0.69 within an octave.
    assert per_band[7] == LINES_PER_BAND * (1 + np.ceil(0.69 * 11220 * 8.05 / C / LINES_PER_BAND))
    # A delay between boxes counts as a distance does.
    late = hang(count=2, splay=(0.0,), box=({"number": 1, "delay": 20.0},))
    assert arrays(late).per_band[7] > arrays(hang(count=2, splay=(0.0,))).per_band[7] + 100
    # A slip of a delay, or a row a kilometre long, does not ask for memory without end; subs need none for treble.
    lost = hang(count=2, splay=(0.0,), box=({"number": 1, "delay": 9000.0},))
    assert arrays(lost).per_band.max() == MOST_LINES
    treble_free = box(level=(90.0, 90.0, 80.0, 60.0, 30.0, 20.0, 10.0, 0.0))
    row = stack({"kind": "row", "count": 12, "spacing": 1.2})
    assert (arrays(row).per_band[4:] > 50).all()
    assert (arrays(row, treble_free).per_band[4:] == LINES_PER_BAND).all()


# --- two descriptions, one power ------------------------------------------------------------------------


def mutual_power(elements):
    """Power of omnidirectional points: sum over pairs of A_i A_j* sin(k d) / (k d), as mean square at 1 m.

    Mutual radiation of point sources: Beranek and Mellow, Acoustics, ch. 4 (from memory).
    """
    apart = np.linalg.norm(elements.position[:, None] - elements.position[None], axis=2)
    wave = 2.0 * np.pi * elements.frequency / C
    coupling = np.sinc(wave[:, None, None] * apart / np.pi)
    a = elements.response.T
    power = np.einsum("fi,fij,fj->f", a, coupling, a.conj()).real
    return np.array([part.mean() for part in np.split(power, np.cumsum(elements.per_band)[:-1])])


@pytest.mark.parametrize(
    "system",
    [
        hang(count=9, splay=(0.5, 1, 1, 2, 2, 3, 4, 5), tilt=-3.0),
        hang(
            count=4,
            splay=(2.0,) * 3,
            box=({"number": 2, "gain": -3.0, "delay": 0.7, "polarity": "inverted"},),
        ),
        stack({"kind": "stack", "count": 3, "reversed": (2,)}),
        stack({"kind": "end_fire", "count": 4, "spacing": 1.0}),
        stack({"kind": "row", "count": 6, "spacing": 1.2, "arc": 40.0}),
    ],
    ids=["hang", "driven apart", "gradient", "end-fire", "row"],
)
def test_power_of_the_balloon_is_that_of_mutual_radiation(system):
    elements = arrays(system)
    frame = layout_of(system, {"box": box()}, C).frame
    balloon = far_balloon(elements, frame, C, 181, 72)
    power = np.einsum("pab,pa->b", balloon, sphere_weights(181, 72))
    # Energy round about a system of length L in plan has k L orders; a sum over 72 equal steps is exact
    # below 72 of them. That leaves all bands of hangs, and the bass of what is long in plan.
    in_plan = np.ptp(elements.position[:, :2], axis=0).max()
    upper_edge = EXACT * 10.0**0.15
    bands = 2.0 * np.pi * upper_edge / C * in_plan < 72
    assert bands[:3].all()
    expected = mutual_power(elements)
    assert power[bands] == pytest.approx(
        expected[bands], rel=2e-3
    )  # 0.01 dB: what the elevation grid promises
    apart = band_energy(elements.response, elements.per_band).sum(axis=0)
    assert (
        np.abs(10.0 * np.log10(power / apart)[:3]).max() > 1.0
    )  # control: boxes that do not feel each other


def test_power_through_a_distant_sphere_is_that_of_the_balloon():
    system = hang(count=6, splay=(1.0, 2.0, 3.0, 4.0, 5.0), tilt=-4.0, azimuth=33.0)
    line = box({"kind": "line_element", "height": 0.24, "coverage": 110.0, "width": 0.3}, height=0.25)
    elements = arrays(system, line, mid_bands=EXACT[:7])
    frame = layout_of(system, {"box": line}, C).frame
    power = np.einsum("pab,pa->b", far_balloon(elements, frame, C, 181, 72), sphere_weights(181, 72))
    # Gauss-Legendre over a sphere of 3 km by the near-field sum, polar axis along x: another grid,
    # another sum.
    cosine, weight = np.polynomial.legendre.leggauss(180)
    turn = 2.0 * np.pi * np.arange(180) / 180
    sine = np.sqrt(1.0 - cosine**2)[:, None]
    sphere = np.stack(
        [np.broadcast_to(cosine[:, None], (180, 180)), sine * np.cos(turn), sine * np.sin(turn)], axis=-1
    ).reshape(-1, 3)
    pressure = pressure_at(elements, elements.position.mean(axis=0) + 3000.0 * sphere, C)
    energy = band_energy(pressure, elements.per_band) * 3000.0**2
    expected = np.einsum("pab,p->b", energy.reshape(180, 180, -1), weight) / 2.0 / 180
    # The box's own pattern is read from a table of 1 by 2 degrees by both; 0.02 dB for the two grids at 8
    # kHz.
    assert 10.0 * np.log10(power / expected) == pytest.approx(np.zeros(7), abs=0.02)


def test_far_away_both_sums_are_one():
    elements = arrays(hang(count=5, splay=(3.0,) * 4))
    angle = np.radians([0.0, 20.0, -35.0, 100.0])
    directions = np.stack([np.cos(angle), 0.2 * np.ones(4), np.sin(angle)], axis=1)
    directions /= np.linalg.norm(directions, axis=1)[:, None]
    middle = elements.position.mean(axis=0)
    near = band_energy(pressure_at(elements, middle + 5000.0 * directions, C), elements.per_band) * 5000.0**2
    far = band_energy(pressure_towards(elements, directions, middle, C), elements.per_band)
    # Box distances differ by k x^2 / (2 r) of phase, x = 1.25 m: 0.02 rad at 8 kHz, which changes the
    # energy by as much of itself where boxes cancel, and by less elsewhere; in amplitude by x / r = 0.03
    # %.
    assert near == pytest.approx(far, rel=0.03)


# --- floor, walls, reciprocity --------------------------------------------------------------------------


def test_comb_of_a_floor():
    # Source 1.5 m and ear 1.2 m over a rigid floor, 6 m apart: the first notch is where the way over the
    # floor is half a wave longer. Both pressures differ there by their distances alone.
    direct, over = np.hypot(6.0, 0.3), np.hypot(6.0, 2.7)
    notch, crest = C / (2.0 * (over - direct)), C / (over - direct)
    source = points_as_elements([0.0, 0.0, 1.5], [notch, crest])
    ear = np.array([[6.0, 0.0, 1.2]])
    together = pressure_at(source, ear, C) + pressure_at(source, ear * [1, 1, -1], C)
    assert np.abs(together[0]) == pytest.approx([1 / direct - 1 / over, 1 / direct + 1 / over], rel=1e-9)
    # The band as a whole: the mean over the octave of 1/a^2 + 1/b^2 + 2 cos(k (b - a)) / (a b), by
    # quadrature.
    octave = stack({"kind": "stack", "count": 1}, position=(0.0, 0.0, 1.25))
    found = level_map([arrays(octave)], ear, C, FLOOR[None])[0]
    for band in (0, 1, 2, 3):
        low, high = np.log(EXACT[band]) + np.log(10.0) * np.array([-0.15, 0.15])

        def cross(log_f):
            return np.cos(2.0 * np.pi * np.exp(log_f) * (over - direct) / C)

        mean = integrate.quad(cross, low, high, limit=200)[0] / (high - low)
        expected = 90.0 + 10.0 * np.log10(1 / direct**2 + 1 / over**2 + 2 * mean / (direct * over))
        # The mid-point rule over 12 lines errs by (phase step)^2 / 24 of the cross term: step = k (b - a)
        # x 0.0576, 0.33 rad at 500 Hz, 0.5 %, where the sum is half the terms at worst.
        assert found[band] == pytest.approx(expected, abs=0.05)
    apart = 90.0 + 10.0 * np.log10(1 / direct**2 + 1 / over**2)
    assert abs(found[0] - apart) > 1.0  # control: energies without phase


@pytest.mark.parametrize("height", [0.05, 0.5, 1.0, 2.0])
def test_floor_raises_the_power_of_a_point(height):
    # 1 + sin(2 k h) / (2 k h): Waterhouse, Journal of the Acoustical Society of America 27 (1955), 247
    # (from memory).
    x = 2.0 * 2.0 * np.pi * band_lines() / C * height
    expected = (1.0 + np.sin(x) / x).reshape(-1, LINES_PER_BAND).mean(axis=1)
    single = stack({"kind": "stack", "count": 1}, position=(0.0, 0.0, height - 0.25))
    found = floor_gain(arrays(single), 0.0, C)
    # Linear rings 2 degrees wide: lobes of half a wave over 2 h are 1.2 degrees at 8 kHz for 2 m, so
    # bands up to 1 kHz.
    assert found[:5] == pytest.approx(expected[:5], rel=2e-3)
    if height == 0.05:
        assert found[0] > 1.95  # control: it is no factor of one


def test_swapping_source_and_ear_changes_nothing_between_floor_and_wall():
    planes = np.array([FLOOR, [1.0, 0.0, 0.0, 2.0]])
    places = (np.array([1.0, 2.0, 0.8]), np.array([7.0, -3.0, 1.7]))
    levels = [
        level_map([points_as_elements(a, band_lines())], b[None], C, planes)[0]
        for a, b in (places, places[::-1])
    ]
    # Reciprocity of the field of a point: Rayleigh, Theory of Sound, section 294 (from memory).
    assert levels[0] == pytest.approx(levels[1], abs=1e-9)
    one = level_map([points_as_elements(places[0], band_lines())], places[1][None], C, planes[:1])[0]
    assert np.abs(levels[0] - one).max() > 0.5  # control: the wall is heard


def test_a_corner_gives_four_times_the_pressure_on_two_planes():
    planes = np.array([FLOOR, [1.0, 0.0, 0.0, 0.0]])
    source = points_as_elements([1e-4, 0.0, 1e-4], band_lines(EXACT[:2]), 1.0)
    ear = np.array([[20.0, 0.0, 0.5]])
    gain = level_map([source], ear, C, planes)[0] - level_map([source], ear, C)[0]
    # 20 lg 4; the images are 0.2 mm apart, and the ear's height makes no difference to them.
    assert gain == pytest.approx([12.0412] * 2, abs=1e-3)


def test_gain_polarity_and_delay_of_single_boxes():
    # Two boxes at one height from a point ahead, one inverted: nothing is left; with half a period of
    # delay all.
    pair = {"kind": "row", "count": 2, "spacing": 2.0}
    ear = np.array([[30.0, 0.0, 0.25]])
    inverted = at_frequencies(stack(pair, box=({"number": 1, "polarity": "inverted"},)), [100.0])
    assert abs(pressure_at(inverted, ear, C)[0, 0]) < 1e-12
    delayed = at_frequencies(stack(pair, box=({"number": 1, "polarity": "inverted", "delay": 5.0},)), [100.0])
    plain = at_frequencies(stack(pair), [100.0])
    assert abs(pressure_at(delayed, ear, C)) == pytest.approx(abs(pressure_at(plain, ear, C)), rel=1e-12)
    louder = at_frequencies(stack(pair, gain=6.0, box=({"number": 2, "gain": -200.0 / 2},)), [100.0])
    # One box of the two, 6 dB up: 10^0.3 / 2 of both, and the other's 1e-5.
    assert abs(pressure_at(louder, ear, C)) == pytest.approx(
        abs(pressure_at(plain, ear, C)) * 10**0.3 / 2, rel=1e-4
    )


def test_patterns_are_read_on_their_own_axes():
    elements = arrays(
        hang(count=1, tilt=-20.0, azimuth=90.0),
        box({"kind": "horn", "coverage": [90.0, 40.0]}),
    )
    frame = elements.frames[0]
    up, ahead, left = frame
    at_45_left = np.cos(np.pi / 4) * ahead + np.sin(np.pi / 4) * left
    at_20_up = np.cos(np.radians(20)) * ahead + np.sin(np.radians(20)) * up
    gain = gain_towards(elements.table, frame, np.stack([ahead, at_45_left, at_20_up]))
    # The coverage angle is where 6 dB are lost; 45 degrees lies between two points of the table 2 degrees
    # apart, where the straight line errs by 0.02 dB.
    assert decibel(gain[:, 40]) == pytest.approx([0.0, -6.0, -6.0], abs=0.03)


@pytest.mark.parametrize("floor", [0.0, 2.0, -1.5])
def test_floor_raises_the_power_of_two_points_as_the_sum_over_all_pairs(floor):
    """Power of points in phase: sum of sin(k r) / (k r) over all pairs (Rayleigh, Theory of Sound, from memory).

    Over the floor it is half of that of the points and their images, wherever the floor is."""
    points = np.array([[3.0, 1.0, 0.4], [3.5, -0.2, 0.9]])
    images = points * [1.0, 1.0, -1.0]
    k = 2.0 * np.pi * band_lines(LOW_BANDS) / C

    def power(at):
        r = np.linalg.norm(at[:, None] - at, axis=2)
        of_lines = np.sinc(k[:, None, None] * r / np.pi).sum(axis=(1, 2))
        return of_lines.reshape(-1, LINES_PER_BAND).mean(axis=1)

    expected = 0.5 * power(np.concatenate([points, images])) / power(points)
    elements = points_as_elements(points + np.array([0.0, 0.0, floor]), band_lines(LOW_BANDS))
    found = floor_gain(elements, floor, C)
    assert found == pytest.approx(expected, rel=2e-3)  # rings of 2 degrees
    # Control: a floor one metre lower would be noticed.
    assert (np.abs(floor_gain(elements, floor - 1.0, C) / expected - 1.0) > 0.02).any()
