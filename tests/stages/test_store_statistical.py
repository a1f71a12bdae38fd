"""Statistical estimates of a compiled scene, and the sentences on what they cannot know."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scenes import box_scene
from venues import write_shoebox

from roomsim.report.caveat_messages import caveat_messages
from roomsim.scene.compile import compile_scene
from roomsim.scene.scene import Scene
from roomsim.study.caveats import broken_assumptions
from roomsim.study.statistical import statistical_times
from roomsim.venue.reading import read_study


def compiled(path: Path) -> Scene:
    study = read_study(path)
    return compile_scene(study)


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> Scene:
    """6 x 5 x 3 m, everything 0.5: V = 90 m3, S = 126 m2, A = 63 m2 where nothing is hung."""
    return compiled(write_shoebox(tmp_path_factory.mktemp("box"), absorption=0.5, crowd=False))


def test_sabine_of_a_box_by_hand(scene: Scene) -> None:
    """0.161 s/m times V / A (any handbook) is 0.230 s.

    At 125 Hz and 20 degC the air adds less than 4 * 0.0002 * 90 = 0.07 m2, a thousandth; the handbook's
    constant has three digits, so half a unit of the last is 0.3 %.
    """
    times = statistical_times(scene)
    assert times["sabine"].shape == (2, 8)
    assert times["sabine"][0, 1] == pytest.approx(0.161 * 90 / 63, rel=0.004)
    # Control: with the drape counted into the bare venue it would not agree.
    assert times["sabine"][1, 5] < 0.99 * times["sabine"][0, 5]
    # For equal absorption all over Eyring and Millington are the same formula.
    np.testing.assert_allclose(times["eyring"][0], times["millington"][0], rtol=1e-9)
    assert (times["eyring"] < times["sabine"]).all()


def test_broken_assumptions_are_recorded_for_the_scenarios_that_they_concern(tmp_path: Path) -> None:
    """A long hall (40 x 6 x 6 m) is long in all scenarios; absorption is uneven only where one wall is
    draped."""
    hall = compiled(
        write_shoebox(tmp_path, size=(40.0, 6.0, 6.0), absorption=0.02, crowd=False, seats=(6, 3))
    )
    found = [(one.code, one.scenario) for one in broken_assumptions(hall, np.full((2, 8), 2.0))]
    assert [scenario for code, scenario in found if code == "disproportionate_room"] == ["bare", "east drape"]
    assert [scenario for code, scenario in found if code == "uneven_absorption"] == ["east drape"]


def test_a_nearly_anechoic_scenario_is_not_lost_among_absorbing_ones() -> None:
    """Both kinds are worded by sentences that begin with "The mean absorption coefficient reaches"."""
    absorption: list[object] = [0.1, 0.25, [0.1, 0.1, 0.1, 0.6, 0.7, 0.6, 0.1, 0.1], 0.3, 0.1]
    scene = box_scene((30, 20, 8), absorption, 0.5, (7, 8, 3), [(17.0, 8.0, 3.0)])
    found = broken_assumptions(scene, np.full((5, 8), 0.1))
    assert [(one.code, one.scenario, one.bands) for one in found] == [
        ("highly_absorbing", "scenario 1", tuple(range(8))),
        ("nearly_anechoic", "scenario 2", (3, 4, 5)),
        ("highly_absorbing", "scenario 3", tuple(range(8))),
    ]
    absorbing, dead = caveat_messages(found, 5)
    assert absorbing.startswith(
        "scenario 3 (and to a lesser degree 'scenario 1'): The mean absorption coefficient reaches 0.30"
    )
    assert dead.startswith("scenario 2: The mean absorption coefficient reaches 0.70 (500 Hz to 2 kHz)")
