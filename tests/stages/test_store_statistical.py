"""Statistical estimates of a compiled scene, and the sentences on what they cannot know."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scenes import box_scene
from venues import write_shoebox

from roomsim.scene.compile import compile_scene
from roomsim.scene.scene import Scene
from roomsim.study.statistical import broken_assumptions, statistical_times
from roomsim.venue.mesh import read_mesh
from roomsim.venue.reading import read_study


def compiled(path: Path) -> Scene:
    study = read_study(path)
    return compile_scene(study, read_mesh(study.venue.mesh, study.venue_folder))


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


def test_sentences_name_the_scenarios_that_they_hold_for(tmp_path: Path) -> None:
    """A long hall (40 x 6 x 6 m) is long in all scenarios; absorption is uneven only where one wall is
    draped."""
    hall = compiled(
        write_shoebox(tmp_path, size=(40.0, 6.0, 6.0), absorption=0.02, crowd=False, seats=(6, 3))
    )
    said = broken_assumptions(hall, np.full((2, 8), 2.0))
    long = [sentence for sentence in said if "The room is long" in sentence]
    assert len(long) == 1
    assert long[0].startswith("bare, and so all scenarios: ")
    uneven = [sentence for sentence in said if "Absorption is uneven" in sentence]
    assert len(uneven) == 1
    assert uneven[0].startswith("east drape: ")


def test_warnings_that_begin_alike_are_told_of_their_own_scenarios() -> None:
    """Absorbing and dead rooms are told by sentences that both begin with "The mean absorption reaches": a scenario
    that is dead must not go under in those that only absorb much."""
    absorption: list[object] = [0.1, 0.25, [0.1, 0.1, 0.1, 0.6, 0.7, 0.6, 0.1, 0.1], 0.3, 0.1]
    scene = box_scene((30, 20, 8), absorption, 0.5, (7, 8, 3), [(17.0, 8.0, 3.0)])
    said = broken_assumptions(scene, np.full((5, 8), 0.1))
    dead = [sentence for sentence in said if "no reverberation formula holds" in sentence]
    absorbing = [sentence for sentence in said if "too long even in a diffuse room" in sentence]
    assert len(said) == 2 and len(dead) == 1 and len(absorbing) == 1
    assert dead[0].startswith("scenario 2: The mean absorption reaches 0.70 (500 Hz to 2 kHz)")
    # Of the others with the figures of the worst.
    assert absorbing[0].startswith("scenario 3, and less so 'scenario 1': The mean absorption reaches 0.30")


def test_many_scenarios_are_named_in_part() -> None:
    scene = box_scene((30, 20, 8), [0.1] + [0.25] * 7, 0.5, (7, 8, 3), [(17.0, 8.0, 3.0)])
    (said,) = broken_assumptions(scene, np.full((8, 8), 0.1))
    others = "'scenario 2', 'scenario 3', 'scenario 4', 'scenario 5' and 2 more"
    assert said.startswith(f"scenario 1, and so {others}: The mean absorption")
