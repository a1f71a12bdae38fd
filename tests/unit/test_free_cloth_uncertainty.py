"""Free-hanging cloth whose absorption is uncertain: what it absorbs, reflects and lets through, draw by draw."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from venues import write_shoebox

from roomsim.scene.compile import compile_scene
from roomsim.study.uncertainty import absorption_draws
from roomsim.venue.reading import read_study

N_DRAWS = 500
ROOM = 0.2
"""Relative, for a standard deviation from `N_DRAWS` draws. That of the beta-distributed ones here (kurtosis of 3 at
most) scatters by 1 / sqrt(2 N) = 3.2 %: six times that, or one false alarm in 5e8 for each of the bands."""
FORMULA = 0.2
"""Relative, of the formula where no measured row tells of cloth that hangs as this does."""


def drawn(folder: Path, **fabric) -> tuple[np.ndarray, np.ndarray]:
    """(8, 3) events at the sheet as stated, and (N_DRAWS, 3, 8) of draws: specular, diffuse, transmitted."""
    cloth = {"flow_resistance": 620.0, "surface_mass": 0.45, "source": "invented for tests", **fabric}
    path = write_shoebox(
        folder, (8.0, 6.0, 4.0), seats=(2, 2), drape=False, free_sheet=True, fabrics={"test_wool": cloth}
    )
    study = read_study(path)
    scene = compile_scene(study)
    (sheet,) = [i for i, patch in enumerate(scene.patches) if patch.is_sheet]
    scenario = scene.scenarios.index("sheet")
    draws = absorption_draws(study, scene)
    return scene.factors[sheet, :, scenario], np.stack([draws(i)[sheet, :, scenario] for i in range(N_DRAWS)])


ROW = {"stand_off": 0.15, "fullness": 2.0, "absorption": [0.1, 0.2, 0.4, 0.6, 0.7, 0.7, 0.7, 0.7]}


@pytest.mark.parametrize(
    ("fabric", "relative"),
    [
        ({"uncertainty": 0.15}, 0.15),
        # Rows measured on a wall do not tell of cloth that hangs free: the formula's error comes on top.
        ({"uncertainty": 0.15, "measured": [{**ROW, "source": "invented for tests"}]}, np.hypot(0.15, FORMULA)),
        ({"uncertainty": 1.0}, 1.0),
    ],
    ids=["stated", "with rows", "capped"],
)
def test_absorption_of_free_cloth_has_the_spread_stated(tmp_path: Path, fabric, relative: float) -> None:
    """Mean and standard deviation of what is neither reflected nor let through.

    Values between 0 and 1 of mean a have a standard deviation of sqrt(a (1 - a)) at most (Bhatia and Davis, American
    Mathematical Monthly 107 (2000), 353, from memory); what is stated counts up to half of that.
    """
    stated, draws = drawn(tmp_path, **fabric)
    absorption, found = 1.0 - stated.sum(axis=0), 1.0 - draws.sum(axis=1)
    most = 0.5 * np.sqrt(absorption * (1.0 - absorption))
    expected = np.minimum(relative * absorption, most)
    assert (relative < 1.0) == bool((expected < most).all())
    np.testing.assert_allclose(found.std(axis=0), expected, rtol=ROOM)
    assert (np.abs(found.mean(axis=0) - absorption) < 6.0 * expected / np.sqrt(N_DRAWS)).all()
    assert (draws >= 0.0).all() and (found >= 0.0).all()


def test_what_is_absorbed_more_is_missing_in_equal_shares(tmp_path: Path) -> None:
    """Reflected to transmitted stays as stated, and the scattered share of what is reflected, too: to rounding."""
    stated, draws = drawn(tmp_path, uncertainty=0.4)
    share = draws / draws.sum(axis=1, keepdims=True)
    np.testing.assert_allclose(share, np.broadcast_to(stated / stated.sum(axis=0), share.shape), rtol=1e-9, atol=1e-12)
