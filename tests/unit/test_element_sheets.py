"""The free sheets of banners, and where they are taken to hang: corners worked by hand."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from roomsim.elements.banner import Banner


def banner(**keys):
    given = {"name": "b", "fabric": "wool", "centres": [(4.0, 2.0, 5.0), (8.0, 2.0, 6.5)], "size": (3.0, 1.0)}
    return Banner.model_validate({**given, **keys})


def corners(sheet):
    return sorted(np.round(sheet.corners, 9).tolist())


def test_upright_sheets_hang_down_by_their_width():
    """3 m along x or y, 1 m high, about each centre; the highest edge is that of the higher one."""
    first, second = banner().free_sheets()
    assert corners(first) == sorted([[x, 2.0, z] for x in (2.5, 5.5) for z in (4.5, 5.5)])
    assert corners(second) == sorted([[x, 2.0, z] for x in (6.5, 9.5) for z in (6.0, 7.0)])
    (turned,) = banner(centres=[(4.0, 2.0, 5.0)], direction=90.0).free_sheets()
    assert corners(turned) == sorted([[4.0, y, z] for y in (0.5, 3.5) for z in (4.5, 5.5)])
    for order in (1, -1):
        places, top = banner(centres=[(4.0, 2.0, 5.0), (8.0, 2.0, 6.5)][::order]).place_in_plan()
        assert top == 7.0
        assert places.equals(shapely.MultiPoint([(4.0, 2.0), (8.0, 2.0)]))


def test_level_sheets_lie_at_their_height():
    first, _ = banner(orientation="level", direction=90.0).free_sheets()
    assert corners(first) == sorted([[x, y, 5.0] for x in (3.5, 4.5) for y in (0.5, 3.5)])
    assert banner(orientation="level").place_in_plan()[1] == 6.5


@pytest.mark.parametrize("orientation", ["upright", "level"])
def test_area_is_that_of_all_sheets(orientation):
    assert sum(
        sheet.polygon.area for sheet in banner(orientation=orientation).free_sheets()
    ) == pytest.approx(6.0)
