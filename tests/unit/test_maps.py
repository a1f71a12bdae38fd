"""Maps show the right thing: colours, hatching, contours, lengths; and read in grey."""

from __future__ import annotations

import dataclasses
import subprocess
import sys

import numpy as np
import pytest
from invented_results import LENGTH, invented_results
from matplotlib.collections import LineCollection
from matplotlib.colors import to_rgb
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.text import Text

import roomsim
from roomsim.errors import RoomsimError, StoreError
from roomsim.estimate import Estimate
from roomsim.report import maps, pages, plan, style
from roomsim.report.quantities import STI, find_quantity, quantity_label
from roomsim.report.rows import comparison_rows

RESULTS = invented_results()
LEVEL = Estimate(
    RESULTS.seats["sound_pressure_level"].value[..., 4], np.full(RESULTS.seats[STI].value.shape, 0.2), 20
)


def lightness(colour: object) -> float:
    """CIE L* of an sRGB colour (IEC 61966-2-1: curve and luminance; CIE 15: L*; from memory)."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)]
    y = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    return 116.0 * y ** (1.0 / 3.0) - 16.0 if y > 0.008856 else 903.3 * y


def steps_of(scale: style.Scale) -> list[float]:
    return [lightness(scale.colours(i)) for i in range(len(scale.edges) + 1)]


def drawn(scenario: int, results=RESULTS, **chosen):
    """Axes with one map, and its layer."""
    layer = maps.map_layer(results, **chosen)
    with style.rules():
        axes = style.new_figure((6.0, 4.0)).add_axes((0, 0, 1, 1))
        maps.draw_map(axes, results, scenario, layer)
    return axes, layer


def with_gain(difference: np.ndarray, error: np.ndarray, n_replicates: int = 20):
    """The invented results with this gain of all seats in scenario 1."""
    known = RESULTS.gains[STI]
    value, deviation = known.value.copy(), known.standard_error.copy()
    value[:, 1], deviation[:, 1] = difference, error
    gains = {**RESULTS.gains, STI: Estimate(value, deviation, n_replicates)}
    return dataclasses.replace(RESULTS, gains=gains)


def test_value_scale_rises_in_lightness_so_that_it_reads_in_grey():
    # The eye tells L* apart by about 1 where areas touch; 3 leaves room for printers. Common practice.
    assert np.diff(steps_of(style.sti_scale())).min() > 3.0
    # Control: the diverging scale of the gains does not pass, which is why losses carry marks as well.
    assert np.diff(steps_of(style.gain_scale(np.linspace(-0.1, 0.1, 50)))).min() < 0.0


@pytest.mark.parametrize("value", np.arange(0.30, 0.90, 0.01).round(2) + 0.005)
def test_colours_change_at_the_classes_of_the_standard(value):
    scale = style.sti_scale()
    # IEC 60268-16:2020, Annex F: a letter every 0.04 from 0.36 on.
    letters = ("U", "J", "I", "H", "G", "F", "E", "D", "C", "B", "A", "A+")
    step = min(max(int((value - 0.36) // 0.04) + 1, 0), 11)
    assert scale.classes[int(scale.step(value))] == letters[step]


@pytest.mark.parametrize("quantity", ["T20", "LpA"])
def test_neither_end_of_a_time_or_level_is_coloured_as_the_better_one(quantity):
    known = dataclasses.replace(RESULTS, seats={**RESULTS.seats, "a_weighted_level": LEVEL})
    scale = maps.map_layer(known, quantity).scale
    shades = [to_rgb(scale.colours(i)) for i in range(len(scale.edges) + 1)]
    # Shades of one hue, blue, that darken with the value: no yellow for good, no colours of the STI's scale.
    assert all(blue >= green >= red for red, green, blue in shades)
    assert np.diff(steps_of(scale)).max() < -3.0  # the eye tells L* apart by 1, see above
    assert lightness(shades[0]) < 95.0  # not as white as the page
    # Control: where more is better the scale is not of one hue.
    sti = maps.map_layer(RESULTS).scale
    assert not all(b >= g >= r for r, g, b in (to_rgb(sti.colours(i)) for i in range(12)))
    shorter, longer = (style.gain_scale(np.array([-1.0, 1.0]), None).colours(i) for i in (0, 30))
    worse, better = (style.gain_scale(np.array([-1.0, 1.0])).colours(i) for i in (0, 30))
    assert {shorter, longer}.isdisjoint({worse, better})


def test_where_less_is_better_the_bright_and_the_purple_end_are_the_lower_ones():
    values = np.linspace(0.0, 10.0, 50)
    assert steps_of(style.value_scale(values, "lower"))[0] > steps_of(style.value_scale(values, "lower"))[-1]
    scale = style.gain_scale(np.array([-1.0, 1.0]), "lower")
    red, _, blue = to_rgb(scale.colours(int(scale.step(-0.7))))
    assert blue > red


def with_errors(error: np.ndarray):
    """The invented results with this standard error of the STI at all seats in all scenarios."""
    known = RESULTS.seats[STI]
    errors = np.repeat(error[:, None], known.value.shape[1], axis=1)
    return dataclasses.replace(RESULTS, seats={**RESULTS.seats, STI: Estimate(known.value, errors, 20)})


def map_sheets(results, gain=False, scenarios=None):
    """The sheets of all scenarios: of the index, or of its gain."""
    kind = "gain" if gain else "all"
    pictures = pages.map_pictures(results, scenarios=scenarios)
    return [picture.draw(results) for picture in pictures if picture.name.split("_")[1] == kind]


def test_map_says_where_chance_is_as_large_as_a_colour_step():
    # The steps of the STI are 0.04 wide: IEC 60268-16:2020, qualification bands.
    n = len(RESULTS.positions)
    error = np.where(np.arange(n) % 4 == 0, 0.041, 0.039)
    results = with_errors(error)
    axes, layer = drawn(0, results)
    assert np.array_equal(layer.is_uncertain(0), error >= 0.04)
    dots = [line.get_xydata() for line in axes.lines if line.get_marker() == "o"]
    assert dots and all(len(points) == (error >= 0.04).sum() for points in dots)
    for point, cell in zip(dots[0], RESULTS.cells[error >= 0.04], strict=True):
        assert (np.abs(point - cell.mean(axis=0)) < 0.5).all()
    words = words_on(pages.map_page(results, 0))
    assert "At 25 % of the seats (dots) the standard error is one colour step (0.04) or more" in words
    assert "standard error of one colour step or more" in words
    (sheet,) = map_sheets(results)
    assert "At up to 25 % of the seats (dots)" in words_on(sheet)
    # Control: with small errors nothing is said.
    assert "colour step" not in words_on(pages.map_page(with_errors(np.full(n, 0.01)), 0))


def words_on(figure) -> str:
    return "\n".join(text.get_text() for text in figure.findobj(Text))


def test_noise_sources_have_a_mark_and_a_line_in_the_legend():
    plan_of = dataclasses.replace(RESULTS.plan, noise=("main right",))
    results = dataclasses.replace(RESULTS, plan=plan_of)
    axes, _ = drawn(0, results)
    marks = {line.get_marker(): line.get_xydata() for line in axes.lines if len(line.get_xydata())}
    assert np.array_equal(marks[plan.NOISE], [[7.5, 7.0]])
    assert np.array_equal(marks[plan.SOURCE], [[7.5, 19.0]])
    assert "noise source" in words_on(pages.map_page(results, 0))
    assert "noise source" not in words_on(pages.map_page(RESULTS, 0))


def crowded():
    """The invented results with subs, fills and a stage mark on a few square metres, and long names."""
    places = {f"front fill {i}": np.array([7.6, 11.0 + i]) for i in range(5)}
    places |= {f"sub {i}": np.array([7.2, 10.5 + 1.2 * i]) for i in range(5)}
    places |= {"centre cluster over the apron": np.array([7.4, 13.0])}
    lines = {name.replace("D", "The long drape "): line for name, line in RESULTS.plan.elements.items()}
    known = dataclasses.replace(RESULTS.plan, sources=places, stage=(7.0, 13.0), elements=lines)
    record = dataclasses.replace(RESULTS.scenarios[1], elements=tuple(lines), sources=tuple(places))
    scenarios = (RESULTS.scenarios[0], record, *RESULTS.scenarios[2:])
    return dataclasses.replace(RESULTS, plan=known, scenarios=scenarios)


def test_names_in_a_plan_hide_neither_marks_nor_each_other():
    figure = pages.map_page(crowded(), 1)
    figure.canvas.draw()
    for axes in figure.axes[:3:2]:
        names = [text for text in axes.texts if text.get_zorder() == 10]
        assert len(names) == 11 + 1 + 5 + 2  # sources, stage, drapes, zones
        boxes = [Text.get_window_extent(text) for text in names]
        for i, box in enumerate(boxes):
            for k, other in enumerate(boxes[:i]):
                assert not box.overlaps(other), (names[i].get_text(), names[k].get_text())
            # None under the colour bar or over the edge of the map.
            assert box.x1 <= axes.bbox.x1 + 1.0 and box.x0 >= axes.bbox.x0 - 1.0
        for at in crowded().plan.sources.values():
            point = axes.transData.transform(at)
            assert not any(box.contains(*point) for box in boxes)


def test_pages_are_counted_like_the_rows_of_the_comparison():
    numbers = {row.scenario: row.number for row in comparison_rows(RESULTS)}
    pictures = [picture.name for picture in pages.map_pictures(RESULTS)]
    for scenario, number in numbers.items():
        assert f"sti_{number:02d}_{pages.file_name(scenario)}" in pictures


def test_band_of_a_quantity_that_has_none_is_refused(tmp_path):
    with pytest.raises(RoomsimError, match="STI is one figure for all octave bands together") as refused:
        roomsim.maps(RESULTS, tmp_path, quantities=["T20", "STI"], band=125.0)
    assert "T20" in refused.value.cure and "C50" in refused.value.cure
    assert not list(tmp_path.iterdir())


def two_tiers():
    """The invented results with the second block lifted over the first."""
    lifted = RESULTS.area == 1
    places = RESULTS.positions.copy()
    places[lifted] += (-14.0, 0.0, 4.0)
    cells = RESULTS.cells.copy()
    cells[lifted, :, 0] -= 14.0
    below = RESULTS.plan.tiers[0]
    tiers = (dataclasses.replace(below, areas=(0,)), dataclasses.replace(below, areas=(1,), laid={}))
    known = dataclasses.replace(RESULTS.plan, tiers=tiers)
    return dataclasses.replace(RESULTS, positions=places, cells=cells, plan=known)


@pytest.mark.parametrize("gain", [False, True])
def test_seats_above_each_other_have_a_plan_each(gain):
    results = two_tiers()
    page = pages.map_page(results, 1)
    drawn_on = page.axes[:2] if not gain else page.axes[3:5]
    for tier, axes in enumerate(drawn_on):
        shapes = [patch.get_path() for patch in axes.patches if patch.get_zorder() == 1]
        inside = np.array([path.contains_points(results.positions[:, :2]) for path in shapes]).any(axis=0)
        own = results.area == tier
        # A path holds the corners of each seat's rectangle: as many rectangles as the tier has seats.
        assert sum(int((path.codes == 1).sum()) for path in shapes) == own.sum()
        assert inside[own].all()
    titles = [axes.get_title("left").split("\n")[-1] for axes in drawn_on]
    assert titles == ["stalls (480 seats, ears at 1.2 m)", "raked block (120 seats, ears at 5.2 m)"]
    (sheet,) = map_sheets(results, gain=gain, scenarios=range(6))
    n_maps = 5 if gain else 6
    assert len(sheet.axes) == 2 * n_maps + 2  # colour bar and scale bar
    assert "2 plans each: stalls (480 seats, ears at 1.2 m); raked block" in words_on(sheet)


def test_one_tier_looks_as_one_plan():
    assert "plans each" not in words_on(map_sheets(RESULTS)[0])
    assert "ears at" not in words_on(pages.map_page(RESULTS, 1))


def test_long_titles_stay_on_the_page():
    long = dataclasses.replace(
        RESULTS.scenarios[1], name="Everything that the works department has offered so far, " * 2
    )
    figure = pages.map_page(
        dataclasses.replace(RESULTS, scenarios=(RESULTS.scenarios[0], long, *RESULTS.scenarios[2:])), 1
    )
    figure.canvas.draw()
    for text in figure.texts:
        assert text.get_window_extent().x1 <= figure.bbox.x1


def test_gain_scale_lies_evenly_about_zero():
    scale = style.gain_scale(np.array([-0.02, 0.01, 0.09]))
    assert np.array_equal(scale.edges, -scale.edges[::-1])
    assert 0.0 in scale.edges
    assert scale.edges[-1] >= 0.08
    red_above, _, blue_above = to_rgb(scale.colours(int(scale.step(0.05))))
    red_below, _, blue_below = to_rgb(scale.colours(int(scale.step(-0.05))))
    assert blue_above > red_above  # purple
    assert red_below > blue_below  # orange
    assert scale.label(0.04) == "+0.04"
    assert scale.label(-0.04) == "−0.04"


def test_scale_is_common_to_all_scenarios():
    scale = maps.map_layer(RESULTS, "T20").scale
    values = RESULTS.seats["reverberation_time_t20"].value[..., 3:5].mean(axis=-1)
    for i in range(len(RESULTS.scenarios)):
        assert scale.edges[0] <= np.median(values[:, i]) <= scale.edges[-1]


def test_no_difference_at_all_still_gives_a_scale():
    nothing = np.zeros(len(RESULTS.positions))
    assert maps.map_layer(with_gain(nothing, nothing), gain=True).scale.edges.size > 2
    assert style.gain_scale(np.zeros(4)).edges.size > 2
    assert style.value_scale(np.full(4, np.nan)).edges.size > 2


def test_every_seat_is_coloured_by_its_class():
    axes, layer = drawn(2)
    values = RESULTS.seats[STI].value[:, 2]
    shapes = {to_rgb(patch.get_facecolor()): patch for patch in axes.patches if patch.get_zorder() == 1}
    assert len(shapes) == len(set(layer.scale.step(values)))
    for i, position in enumerate(RESULTS.positions[:, :2]):
        colour = to_rgb(layer.scale.colours(int(layer.scale.step(values[i]))))
        assert shapes[colour].get_path().contains_point(position)


def test_seat_is_hatched_where_its_gain_is_not_significant():
    # Student's t, two-sided 95 %, 19 degrees of freedom: 2.093 (printed in any table of the distribution).
    n = len(RESULTS.positions)
    ratio = np.where(np.arange(n) % 2 == 0, 2.05, 2.14)
    ratio[np.arange(n) % 4 == 0] *= -1.0
    error = np.full(n, 0.01)
    axes, layer = drawn(1, with_gain(ratio * error, error), gain=True)
    assert np.array_equal(layer.not_significant(1), np.abs(ratio) < 2.093)
    (hatched,) = [patch for patch in axes.patches if patch.get_hatch() == "//////"]
    inside = hatched.get_path().contains_points(RESULTS.positions[:, :2])
    assert np.array_equal(inside, np.abs(ratio) < 2.093)


def test_loss_is_marked_besides_its_colour():
    n = len(RESULTS.positions)
    gain = np.where(np.arange(n) < 7, -0.05, 0.05)
    axes, _ = drawn(1, with_gain(gain, np.full(n, 0.01)), gain=True)
    marked = [line.get_xydata() for line in axes.lines if line.get_marker() == "_"]
    assert marked
    for points in marked:
        assert np.array_equal(points, RESULTS.positions[:7, :2])


def test_seat_without_value_is_shown_as_such():
    results = invented_results(with_gaps=True)
    last = len(results.scenarios) - 1
    axes, _ = drawn(last, results)
    (hatched,) = [patch for patch in axes.patches if patch.get_hatch() == "xxxxxx"]
    missing = np.isnan(results.seats[STI].value[:, last])
    assert 0 < missing.sum() < len(missing)
    assert np.array_equal(hatched.get_path().contains_points(results.positions[:, :2]), missing)
    assert "not evaluable" in [text.get_text() for text in pages.map_page(results, last).legends[0].texts]


def test_contour_surface_keeps_a_slope():
    # Means over neighbours change nothing where the values lie on a slope, except at the rim.
    block = RESULTS.area == 0
    cells, x = RESULTS.cells[block], RESULTS.positions[block, 0]
    surface, heights = maps.surface_over(cells, 0.02 * x)
    inner = (surface.x > x.min() + 2.0) & (surface.x < x.max() - 2.0)
    assert inner.sum() > 500
    # Cells join at corners rounded to 1 mm, so that heights keep to the slope within rounding of the sums.
    assert heights[inner] == pytest.approx(0.02 * surface.x[inner], abs=0.02 * 1e-3)


def test_contour_runs_where_the_target_is():
    slope = 0.9 - 0.02 * RESULTS.positions[:, 0]  # 0.50 at x = 20 m
    known = RESULTS.seats[STI]
    value = np.repeat(slope[:, None], known.value.shape[1], axis=1)
    results = dataclasses.replace(RESULTS, seats={STI: Estimate(value, known.standard_error, 20)})
    axes, _ = drawn(0, results)
    (contour,) = [c for c in axes.collections if c.get_zorder() == 4]
    points = np.concatenate([path.vertices for path in contour.get_paths()])
    # Labels cut pieces out of the line; 1 mm: the rounding of corners.
    assert points[:, 0] == pytest.approx(np.full(len(points), 20.0), abs=1e-3)


def test_contour_round_single_seats_is_left_out():
    block = RESULTS.area == 0
    value = np.where(block, 0.6, 0.4)
    value[np.flatnonzero(block)[100]] = 0.0  # one seat only; the smoothed dip crosses 0.50
    surface, heights = maps.surface_over(RESULTS.cells, value)
    near = np.hypot(
        surface.x - RESULTS.positions[block][100, 0], surface.y - RESULTS.positions[block][100, 1]
    )
    assert heights[near < 0.5].min() < 0.5
    known = RESULTS.seats[STI]
    seats = {STI: Estimate(np.repeat(value[:, None], 8, axis=1), known.standard_error, 20)}
    axes, _ = drawn(0, dataclasses.replace(RESULTS, seats=seats))
    assert not [path for c in axes.collections if c.get_zorder() == 4 for path in c.get_paths() if len(path)]


def test_only_what_is_hung_stands_out():
    axes, _ = drawn(1)
    lines = [c for c in axes.collections if isinstance(c, LineCollection)]
    strong = [c for c in lines if to_rgb(c.get_colors()[0]) == to_rgb(style.HUNG)]
    faint = [c for c in lines if to_rgb(c.get_colors()[0]) == to_rgb(style.FAINT)]
    assert [len(c.get_segments()) for c in strong] == [2]  # the back wall's two runs
    assert len(faint) == 4  # the other lines; areas that are not used are left out
    assert strong[0].get_linewidths()[0] > 2.5 * faint[0].get_linewidths()[0]


def test_scale_bar_is_as_long_as_it_says():
    axes, _ = drawn(0)
    assert axes.get_aspect() == 1.0
    bar = [patch for patch in axes.patches if isinstance(patch, Rectangle)]
    said = [text.get_text() for text in axes.texts if text.get_text().endswith(" m")]
    assert said == [f"{sum(piece.get_width() for piece in bar):g} m"]
    assert 0.1 * LENGTH < float(said[0].removesuffix(" m")) < 0.4 * LENGTH


def test_page_says_what_it_shows():
    figure = pages.map_page(RESULTS, 6)
    words = "\n".join(text.get_text() for text in figure.findobj(Text))
    for part in (
        "all cloth",
        "Kettlewell",
        "STI",
        "600 seats",
        "Standard error",
        "Gain against “bare”",
        "± ",
    ):
        assert part in words
    for part in (
        "D5",
        "STAGE",
        "north",
        "main left",
        "back exit",
        "kept clear",
        "7,560 EUR",
        "Breaks a limit",
    ):
        assert part in words
    assert "competent person" in words


def test_long_description_stays_clear_of_the_map():
    long = dataclasses.replace(RESULTS.scenarios[6], description="What is said at length. " * 30)
    results = dataclasses.replace(RESULTS, scenarios=(*RESULTS.scenarios[:6], long, RESULTS.scenarios[7]))
    below = pages.map_page(results, 6).texts[2].get_text().split("\n")
    assert len(below) == 4
    assert "…" in below[1]
    assert [line.split()[0] for line in below[2:]] == ["Cost", "Breaks"]


def test_insignificant_gain_over_all_seats_is_called_so():
    gains = dict(RESULTS.room_gains)
    known = gains["sti_median"]
    gains["sti_median"] = Estimate(known.value, np.full(len(known.value), 0.025), 20)
    figure = pages.map_page(dataclasses.replace(RESULTS, room_gains=gains), 1)
    words = "\n".join(axes.get_title("left") for axes in figure.axes)
    assert "median +0.02 ± 0.05: no significant difference" in words


def test_doubt_about_the_input_stands_beside_the_chance_of_the_rays():
    figure = pages.map_page(invented_results(with_doubt=True), 4)
    # Standard uncertainties 0.008 and 0.004, twice that for 95 %.
    value, gain = (title for axes in figure.axes if "median" in (title := axes.get_title("left")))
    assert "(rays) ± 0.02 (input)" in value
    assert "(rays) ± 0.008 (input): better" in gain


def test_sheets_hold_twelve_maps_and_leave_out_what_is_not_compared():
    assert len(map_sheets(RESULTS, scenarios=[*range(8), *range(8)])) == 2
    (gain,) = map_sheets(RESULTS, gain=True)
    names = [text.get_text() for axes in gain.axes for text in axes.texts]
    assert sum("against “bare”" in name for name in names) == 6
    assert any(name.startswith("full house, all cloth against “all") for name in names)


def test_same_results_give_the_same_bytes(tmp_path):
    first = roomsim.maps(RESULTS, tmp_path / "a", scenarios=["back wall"], formats=("svg", "png"))
    second = roomsim.maps(RESULTS, tmp_path / "b", scenarios=["back wall"], formats=("svg", "png"))
    assert [path.name for path in first] == [path.name for path in second]
    assert len(first) == 6
    for one, other in zip(first, second):
        assert one.read_bytes() == other.read_bytes()
    text = next(path for path in first if path.name == "sti_02_back_wall.svg").read_text()
    assert "back wall" in text  # text stays text
    assert "<dc:date>" not in text


def test_names_may_hold_anything(tmp_path):
    odd = dataclasses.replace(RESULTS.scenarios[1], name="Süd & <wand> $5 _{x}$ ../..")
    results = dataclasses.replace(RESULTS, scenarios=(RESULTS.scenarios[0], odd, *RESULTS.scenarios[2:]))
    paths = roomsim.maps(results, tmp_path, scenarios=[odd.name], formats=("svg",))
    assert "sti_02_sud_wand_5_x.svg" in [path.name for path in paths]
    assert all(path.parent == tmp_path for path in paths)


def test_band_can_be_chosen():
    assert quantity_label("reverberation_time_t20", 1).key == "t20_125"
    at_125 = maps.map_layer(RESULTS, "t20", band=1).values.value
    assert np.array_equal(at_125, RESULTS.seats["reverberation_time_t20"].value[..., 1])


def test_unknown_quantity_lists_near_misses():
    with pytest.raises(RoomsimError, match="STI"):
        maps.map_layer(RESULTS, "STII")
    assert find_quantity("c50") == "clarity_c50"
    assert find_quantity("Clarity C50") == "clarity_c50"


def test_folder_that_cannot_be_made_is_named(tmp_path):
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(StoreError, match="taken"):
        roomsim.maps(RESULTS, tmp_path / "taken")


def test_codes_serve_as_short_names():
    assert plan.short_names(["D1 back wall", "D2 side wall", "carpet"]) == {
        "D1 back wall": "D1",
        "D2 side wall": "D2",
        "carpet": "carpet",
    }
    assert plan.short_names(["D1 left", "D1 right"])["D1 left"] == "D1 left"


def test_drawing_keeps_no_global_state():
    code = "import sys, roomsim.report.pages; sys.exit('matplotlib.pyplot' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_map_is_made_of_few_shapes():
    axes, _ = drawn(0)
    assert sum(isinstance(patch, PathPatch) for patch in axes.patches) < 20
