"""Seats above each other get a plan each; seats beside each other share one, however high they lie."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import venues

from roomsim.scene.drawing import plan_drawing
from roomsim.scene.plan_lines import PlanDrawing
from roomsim.scene.receivers import compile_receivers
from roomsim.scene.scene import ReceiverArrays
from roomsim.scene.tiers import seat_tiers
from roomsim.venue.reading import read_study


def seats(*blocks: tuple[Sequence[float], float, float]) -> ReceiverArrays:
    """Blocks of 1 m seats: (x0, y0, x1, y1), height of the first column and of the last."""
    places, cells, area = [], [], []
    for i, ((x0, y0, x1, y1), first, last) in enumerate(blocks):
        x, y = (
            a.ravel() for a in np.meshgrid(np.arange(x0, x1) + 0.5, np.arange(y0, y1) + 0.5, indexing="ij")
        )
        places.append(np.column_stack([x, y, first + (last - first) * (x - x.min()) / max(np.ptp(x), 1.0)]))
        corners = 0.5 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
        cells.append(np.column_stack([x, y])[:, None] + corners)
        area.append(np.full(len(x), i, np.int32))
    number = np.concatenate(area)
    return ReceiverArrays(
        position=np.concatenate(places),
        radius=0.5,
        area=number,
        area_names=tuple(f"block {i}" for i in range(len(blocks))),
        row=np.zeros_like(number),
        column=np.zeros_like(number),
        cell=np.concatenate(cells),
    )


STALLS = ((0, 0, 10, 8), 1.2, 1.2)
GALLERY = ((6, 0, 12, 8), 5.2, 6.2)


def test_gallery_over_stalls_makes_two_tiers() -> None:
    assert seat_tiers(seats(STALLS, GALLERY)) == ((0,), (1,))
    assert seat_tiers(seats(GALLERY, STALLS)) == ((1,), (0,))


def test_seats_side_by_side_share_a_plan_at_any_height() -> None:
    assert seat_tiers(seats(STALLS)) == ((0,),)
    # A raked block behind the stalls, and a balcony behind that: nothing hides anything.
    assert seat_tiers(seats(STALLS, ((10, 0, 16, 8), 1.5, 4.5), ((16, 0, 20, 8), 8.0, 8.0))) == ((0, 1, 2),)


def test_a_steep_block_is_never_cut() -> None:
    steep = ((0, 0, 20, 8), 1.2, 9.0)
    assert seat_tiers(seats(steep)) == ((0,),)
    # Over its front hangs a gallery, lower than its rear.
    assert seat_tiers(seats(steep, ((0, 0, 4, 8), 5.0, 5.0))) in (((0,), (1,)), ((1,), (0,)))


def test_side_galleries_go_with_the_gallery_of_their_height() -> None:
    side = ((0, 8, 10, 10), 5.4, 5.4)  # beside the stalls, over nothing
    upper = ((8, 0, 12, 8), 9.0, 9.0)
    assert seat_tiers(seats(STALLS, side, GALLERY, upper)) == ((0,), (1, 2), (3,))


def test_a_block_on_top_does_not_join_what_lies_two_below() -> None:
    # The upper gallery lies over the lower one alone; the stalls are two below it.
    lower, upper = ((6, 0, 20, 8), 5.0, 5.0), ((14, 0, 20, 8), 9.0, 9.0)
    assert seat_tiers(seats(STALLS, lower, upper)) == ((0,), (1,), (2,))


def test_rectangles_that_overlap_at_their_edges_hide_nothing() -> None:
    # A fifth of a seat lies over the next block, which is 3 m lower.
    assert seat_tiers(seats(STALLS, ((9.8, 0, 14.8, 8), 4.2, 4.2))) == ((0, 1),)
    # Control: half a seat hides it.
    assert seat_tiers(seats(STALLS, ((9.5, 0, 14.5, 8), 4.2, 4.2))) == ((0,), (1,))


def gallery_plan(folder: Path) -> PlanDrawing:
    deck = [(9.0, 0.0, 4.0), (16.0, 0.0, 4.0), (16.0, 10.0, 4.0), (9.0, 10.0, 4.0)]
    parapet = [(9.0, 0.0, 4.0), (9.0, 10.0, 4.0), (9.0, 10.0, 5.0), (9.0, 0.0, 5.0)]
    shell = venues.with_screen(venues.shoebox((16.0, 10.0, 8.0)), "deck", deck)
    shell = venues.with_screen(shell, "parapet", parapet)
    areas = [
        venues.rectangle_area("stalls", (3, 1, 15, 9), (12, 8)),
        venues.rectangle_area("gallery", (10, 1, 15, 9), (5, 8), floor=4.0),
    ]
    carpets = [
        {"name": name, "polygon": [[1, 1], [3, 1], [3, 3], [1, 3]], "floor": floor, "material": "crowd"}
        for name, floor in (("below", 0.0), ("above", 4.0))
    ]
    elements = {"floor_covering": carpets}
    path = venues.write_venue(folder, shell, audience=areas, elements=elements)
    study = read_study(path)
    return plan_drawing(study, compile_receivers(study))


def test_each_tier_has_its_walls_and_what_lies_on_its_floor(tmp_path: Path) -> None:
    plan = gallery_plan(tmp_path)
    assert [tier.areas for tier in plan.tiers] == [(0,), (1,)]

    def has_parapet(tier: int) -> bool:
        return any(np.allclose(line[:, 0], 9.0) for line in plan.tiers[tier].walls)

    assert [has_parapet(0), has_parapet(1)] == [False, True]
    assert "below" in plan.elements_on(0) and "below" not in plan.elements_on(1)
    assert "above" in plan.elements_on(1) and "above" not in plan.elements_on(0)
    widths = [float(np.ptp(plan.elements_on(tier)["occupied"][0][:, 0])) for tier in (0, 1)]
    assert np.allclose(widths, [12.0, 5.0])
    assert len(plan.elements_on(0, 1)["occupied"]) == 2
