"""Where the baffles of an array hang, what they weigh, and which arrays are refused."""

from __future__ import annotations

import pytest
import shapely

from roomsim.elements.baffle_array import BaffleArray
from roomsim.elements.finishes import MaterialTable
from roomsim.elements.materials import Material
from roomsim.elements.roof import Roof
from roomsim.physics.air import Air

LENGTH, HEIGHT, THICKNESS = 1.2, 0.6, 0.05


def array(spacing: float, **more) -> BaffleArray:
    """Four rows of ten baffles that fill their area."""
    outline = [[0.0, 0.0], [12.0, 0.0], [12.0, 4.0 * spacing], [0.0, 4.0 * spacing]]
    given = {"name": "baffles", "polygon": outline, "top": 6.0, "material": "felt"}
    size = {"size": (LENGTH, HEIGHT), "thickness": THICKNESS}
    return BaffleArray.model_validate({**given, **size, "spacing": spacing, **more})


def test_layer_never_gives_more_than_it_gets():
    # One row in a strip as wide as it is thick draws sound from far beyond the strip.
    narrow = array(1.0, polygon=[[0, 0], [12, 0], [12, 0.1], [0, 0.1]])
    felt = Material(absorption=(0.9,) * 8, scattering=(0.5,) * 8, source="invented for tests")
    made = narrow.finish(MaterialTable({"felt": felt}, {}, Air()))
    assert made.reflection.min() > 0.0 and made.transmission == pytest.approx(0.0, abs=1e-12)


# --- where they hang, and what they weigh ---------------------------------------------------------------


def test_rows_fill_the_outline_and_no_baffle_is_cut():
    outline = [[0, 0], [10, 0], [10, 4], [4, 4], [4, 8], [0, 8]]
    shape = shapely.Polygon(outline)
    for direction in (0.0, 90.0, 30.0):
        baffles = array(1.0, polygon=outline, direction=direction)
        lines = [shapely.LineString(ends) for ends, _ in baffles.rows]
        assert all(shape.buffer(1e-6).covers(line) for line in lines)
        for line, (_, number) in zip(lines, baffles.rows):
            assert line.length == pytest.approx(number * LENGTH)
        apart = [a.distance(b) for i, a in enumerate(lines) for b in lines[:i] if a.distance(b) < 1.5]
        assert apart and min(apart) == pytest.approx(1.0)
    along = array(1.0, polygon=outline)
    # Eight rows, half a metre off the edges: four of 10 m hold eight baffles each, four of 4 m hold three.
    assert [number for _, number in along.rows] == [8] * 4 + [3] * 4
    assert along.number == 44


def test_rows_of_an_outline_with_a_notch_hang_on_either_side():
    notched = [[0, 0], [10, 0], [10, 4], [6, 4], [6, 1], [4, 1], [4, 4], [0, 4]]
    baffles = array(1.0, polygon=notched)
    assert [number for _, number in baffles.rows] == [8, 3, 3, 3, 3, 3, 3]


def test_weight_and_points_are_those_of_all_unless_given():
    baffles = array(0.6, mass=2.5, points_each=3)
    assert (baffles.number, baffles.weight, baffles.roof_points) == (40, 100.0, 120)
    load = baffles.load(Roof((), ()))
    assert load.heaviest == pytest.approx(2.5 / 3.0) and load.what == "40 baffles"
    wires = array(0.6, mass=2.5, roof_points=16, weight=140.0, description="on wires")
    assert wires.load(Roof((), ())).heaviest == pytest.approx(140.0 / 16.0)
    assert wires.load(Roof((), ())).what == "40 baffles, on wires"
    named = array(0.6, mass=2.5, hang_from=["P1", "P2"])
    assert named.roof_points == 2


@pytest.mark.parametrize(
    ("more", "text"),
    [
        ({"thickness": 0.1, "spacing": 0.1}, "spacing .0.1 m. must exceed thickness .0.1 m. by 0.01 m"),
        ({"polygon": [[0, 0], [900, 0], [900, 900], [0, 900]]}, "could hold 1,125,000 baffles; 10,000 is the limit"),
        ({"size": (13.0, 0.6)}, "no baffle fits"),
        ({"polygon": [[0, 0], [12, 0], [12, 0.04], [0, 0.04]]}, "no baffle fits"),
    ],
)
def test_arrays_that_cannot_be_are_refused(more, text):
    with pytest.raises(ValueError, match=text):
        array(**{"spacing": 0.6, **more})
