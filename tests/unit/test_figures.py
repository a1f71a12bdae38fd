"""Charts show the figures of the study, with their intervals."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from invented_results import invented_results
from matplotlib.text import Text

import roomsim
from roomsim.report import band_figures, figures, style
from roomsim.report.labels import write_names
from roomsim.report.quantities import STI, T20

RESULTS = invented_results()
# Student's t, two-sided 95 %, 19 degrees of freedom, as printed in tables.
STUDENT_19 = 2.093


def words_of(figure) -> str:
    return "\n".join(text.get_text() for text in figure.findobj(Text))


def bar_ends(container) -> np.ndarray:
    """(n, 2) ends of the bars of an errorbar, along the axis that varies."""
    (segments,) = [np.array(lines.get_segments()) for lines in container.lines[2]]
    varies = 0 if np.ptp(segments[0][:, 0]) > 0.0 else 1
    return segments[:, :, varies]


def test_reverberation_shows_each_scenario_with_intervals_and_estimates():
    figure = band_figures.reverberation_figure(RESULTS)
    assert len(figure.axes) == len(RESULTS.scenarios)
    axes, time = figure.axes[6], RESULTS.room[T20]
    (traced,) = axes.containers
    # 1e-3: Student's factor is printed to four digits.
    half = STUDENT_19 * time.standard_error[6]
    assert bar_ends(traced)[:, 1] == pytest.approx(time.value[6] + half, rel=1e-3)
    assert bar_ends(traced)[:, 0] == pytest.approx(time.value[6] - half, rel=1e-3)
    curves = [line.get_ydata() for line in axes.lines]
    for expected in (time.value[0], *(values[6] for values in RESULTS.statistical.values())):
        assert any(len(curve) == 8 and np.array_equal(curve, expected) for curve in curves)
    assert {"Sabine", "Eyring", "Kuttruff", "traced, mean over seats"} <= set(words_of(figure).split("\n"))


def test_many_scenarios_go_on_several_sheets():
    many = dataclasses.replace(
        RESULTS,
        scenarios=RESULTS.scenarios * 2,
        room={T20: dataclasses.replace(RESULTS.room[T20], **_twice(RESULTS.room[T20]))},
        statistical={name: np.concatenate([v, v]) for name, v in RESULTS.statistical.items()},
    )
    sheets = [picture.draw(many) for picture in figures.chart_pictures(many) if "reverberation" in picture.name]
    assert [len(sheet.axes) for sheet in sheets] == [8, 8]
    assert "sheet 2 of 2" in words_of(sheets[1])


def _twice(estimate) -> dict[str, np.ndarray]:
    pairs = (("value", estimate.value), ("standard_error", estimate.standard_error))
    return {name: np.concatenate([array, array]) for name, array in pairs}


def test_intelligibility_chart_shows_values_intervals_cost_and_broken_limits():
    figure = figures.intelligibility_figure(RESULTS)
    index, share, cost = figure.axes
    for container, name in zip(index.containers, ("sti_median", "sti_worst_tenth")):
        known = RESULTS.room[name]
        assert np.array_equal(container.lines[0].get_xdata(), known.value)
        half = STUDENT_19 * known.standard_error
        assert np.diff(bar_ends(container))[:, 0] == pytest.approx(2.0 * half, rel=1e-3)  # four digits
    assert share.containers[0].lines[0].get_xdata() == pytest.approx(
        100.0 * RESULTS.room["sti_share_of_seats"].value, rel=1e-12
    )  # rounding of one product
    assert [bar.get_width() for bar in cost.containers[0]] == [s.cost for s in RESULTS.scenarios]
    assert words_of(figure).count("breaks a limit") == 2
    # The first scenario stands on top.
    assert index.get_ylim()[0] > index.get_ylim()[1]


def test_doubt_about_the_input_is_shown_beside_the_bars():
    results = invented_results(with_doubt=True)
    # Expanded uncertainty: twice the standard uncertainty (JCGM 100:2008, 6.3.3).
    index = figures.intelligibility_figure(results).axes[0]
    pale = [c for c in index.collections if c.get_linewidths()[0] == 5.0]
    known = (results.room["sti_median"].value, results.input_uncertainty.room["sti_median"])
    for i, ((start, _), (end, _)) in enumerate(pale[0].get_segments()):
        assert (start, end) == pytest.approx(
            (known[0][i] - 2.0 * known[1][i], known[0][i] + 2.0 * known[1][i])
        )
    value = figures.value_figure(results)
    gain = (results.room_gains["sti_median"].value[7], results.input_uncertainty.room_gains["sti_median"][7])
    (pale,) = [c for c in value.axes[1].collections if c.get_linewidths()[0] == 5.0]
    ((_, low), (_, high)) = pale.get_segments()[0]
    assert (low, high) == pytest.approx((gain[0] - 2.0 * gain[1], gain[0] + 2.0 * gain[1]))
    for figure in (figures.intelligibility_figure(results), value):
        assert "Pale" in words_of(figure)
    assert "Pale" not in words_of(figures.value_figure(RESULTS))


def test_value_chart_joins_only_what_no_other_beats():
    gain, cost = np.array([0.0, 0.02, 0.05, 0.04, 0.06]), np.array([0.0, 1000.0, 2000.0, 2500.0, 4000.0])
    results = _priced(gain, cost)
    (axes,) = figures.value_figure(results).axes
    (joined,) = [line for line in axes.lines if line.get_color() == figures.style.SERIES[4]]
    # The fourth gives less than the third and costs more.
    assert joined.get_xdata() == pytest.approx([0.0, 1000.0, 2000.0, 4000.0])
    assert joined.get_ydata() == pytest.approx([0.0, 0.02, 0.05, 0.06])


def test_names_hide_neither_points_nor_each_other():
    figure = style.new_figure((6.0, 4.0))
    axes = figure.add_axes((0.1, 0.1, 0.8, 0.8))
    axes.set_xlim(0.0, 1.0)
    axes.set_ylim(0.0, 1.0)
    x, y = np.tile([0.1, 0.13, 0.5, 0.98], 2), np.repeat([0.4, 0.415], 4)
    names = [f"scenario {i}" for i in range(8)]
    write_names(axes, x, y, names)
    figure.canvas.draw()
    # The writing alone, without the line to its point.
    written = [Text.get_window_extent(text) for text in axes.texts]
    points = axes.transData.transform(np.column_stack([x, y]))
    for i, box in enumerate(written):
        assert not any(box.contains(*point) for point in points)
        assert not any(box.overlaps(other) for other in written[i + 1 :])
        assert axes.bbox.contains(box.x0, box.y0)
        assert axes.bbox.contains(box.x1, box.y1)
        # Near its own point: within the 36 points of the farthest place, and half a name, at 100 per inch.
        assert np.hypot(*(0.5 * (box.min + box.max) - points[names.index(axes.texts[i].get_text())])) < 100.0


def test_names_stay_clear_of_lines():
    figure = style.new_figure((6.0, 4.0))
    axes = figure.add_axes((0.1, 0.1, 0.8, 0.8))
    axes.set_xlim(0.0, 1.0)
    axes.set_ylim(0.0, 1.0)
    # Straight to the right of its point, where the name would stand otherwise.
    line = np.array([[0.3, 0.5], [0.9, 0.5]])
    write_names(axes, np.array([0.3]), np.array([0.5]), ["a rather long name"], [line])
    write_names(axes, np.array([0.3]), np.array([0.2]), ["control"])
    figure.canvas.draw()
    crossed, control = (Text.get_window_extent(text) for text in axes.texts)
    points = axes.transData.transform(np.column_stack([np.linspace(0.3, 0.9, 600), np.full(600, 0.5)]))
    assert not any(crossed.contains(*point) for point in points)
    assert any(control.contains(*axes.transData.transform((x, 0.2))) for x in np.linspace(0.3, 0.9, 600))


def many_scenarios(n: int):
    """Scenarios with long names, each dearer and better than the one before, but for every third."""
    gain = np.where(np.arange(n) % 3 == 2, 0.001, 0.002) * np.arange(n)
    results = _priced(gain, 100.0 * np.arange(n))
    named = [
        dataclasses.replace(record, name=f"everything that the works department has offered us, version {i}")
        for i, record in enumerate(results.scenarios)
    ]
    room = {
        name: dataclasses.replace(known, value=0.4 + gain, standard_error=np.full(n, 0.002))
        for name, known in RESULTS.room.items()
        if name.startswith("sti_")
    }
    sti = RESULTS.seats[STI]
    values = np.repeat(sti.value[:, :1], n, axis=1) + gain
    seats = {STI: dataclasses.replace(sti, value=values, standard_error=np.full_like(values, 0.002))}
    return dataclasses.replace(results, scenarios=tuple(named), room=room, seats=seats)


def test_charts_of_sixty_scenarios_go_on_sheets_of_paper():
    results = dataclasses.replace(
        many_scenarios(60), room={**many_scenarios(60).room, T20: _sixty(RESULTS.room[T20])}, statistical={}
    )
    pictures = {picture.name: picture for picture in figures.chart_pictures(results)}
    assert set(pictures) == {
        *(f"reverberation_{i}" for i in range(1, 6)),
        *(f"intelligibility_{i}" for i in range(1, 4)),
        *(f"seats_{i}" for i in range(1, 4)),
        "value",
    }
    # A4 (ISO 216).
    for name in ("intelligibility_2", "seats_1"):
        assert (pictures[name].draw(results).get_size_inches() <= (11.7, 8.3)).all()
    rows = []
    for i in range(1, 4):
        axes = pictures[f"intelligibility_{i}"].draw(results).axes[0]
        rows += [label.get_text() for label in axes.get_yticklabels()]
    assert [int(row.split()[-1]) for row in rows] == list(range(1, 61))


def _sixty(estimate):
    return dataclasses.replace(
        estimate,
        value=np.resize(estimate.value, (60, 8)),
        standard_error=np.resize(estimate.standard_error, (60, 8)),
    )


def test_of_many_points_those_off_the_line_have_the_numbers_of_their_rows():
    results = many_scenarios(40)
    figure = figures.value_figure(results)
    written = [text.get_text() for text in figure.axes[0].texts]
    # Every third gains less than the one before it, and is no part of the line; so is the reference's own row.
    numbers = {int(text) for text in written if text.isdigit()}
    assert numbers == {i + 1 for i in range(2, 40, 3)}
    assert sum(text.startswith("everything") for text in written) == 39 - len(numbers)
    assert "rows of the comparison" in " ".join(words_of(figure).split())
    assert "rows of the comparison" not in " ".join(words_of(figures.value_figure(RESULTS)).split())


def test_value_chart_compares_with_what_each_is_measured_against():
    figure = figures.value_figure(RESULTS)
    assert [axes.get_title("left") for axes in figure.axes] == ["against “bare”", "against “all cloth”"]
    full_house = figure.axes[1].containers[0].lines[0]
    assert full_house.get_xdata() == [0.0]  # people cost nothing on top of the cloth
    assert full_house.get_ydata() == pytest.approx([RESULTS.room_gains["sti_median"].value[7]])


def test_value_chart_without_comparisons_says_so():
    alone = dataclasses.replace(RESULTS, scenarios=RESULTS.scenarios[:1])
    assert "No scenario is compared" in words_of(figures.value_figure(alone))


def _priced(gain: np.ndarray, cost: np.ndarray):
    n = len(gain)
    scenarios = tuple(
        dataclasses.replace(RESULTS.scenarios[1], name=f"s{i}", compare_with=0, cost=float(cost[i]))
        for i in range(n)
    )
    known = dataclasses.replace(
        RESULTS.room_gains["sti_median"], value=gain, standard_error=np.full(n, 0.002)
    )
    return dataclasses.replace(RESULTS, scenarios=scenarios, room_gains={"sti_median": known})


def test_distribution_reads_the_share_of_seats():
    figure = figures.seats_figure(RESULTS)
    (axes,) = figure.axes
    curves = {line.get_label(): line for line in axes.lines}
    for i, scenario in enumerate(RESULTS.scenarios):
        x, share = curves[f"{i + 1}  {scenario.name}"].get_data()
        # The curve falls in steps after each seat: at 0.50 it stands at the first seat not below.
        at_target = share[np.searchsorted(x, 0.5)] if x[-1] >= 0.5 else 0.0
        expected = 100.0 * np.count_nonzero(RESULTS.seats[STI].value[:, i] >= 0.5) / len(RESULTS.positions)
        assert at_target == pytest.approx(expected, abs=1e-9)  # rounding


def test_seats_that_cannot_be_evaluated_do_not_count():
    (axes,) = figures.seats_figure(invented_results(with_gaps=True)).axes
    x, share = axes.lines[7].get_data()
    assert len(x) == len(RESULTS.positions) - len(range(0, len(RESULTS.positions), 37))
    assert share[0] == 100.0


def test_all_charts_are_written(tmp_path):
    paths = roomsim.charts(RESULTS, tmp_path, formats=("svg",))
    assert sorted(path.name for path in paths) == [
        "intelligibility.svg",
        "reverberation.svg",
        "seats.svg",
        "value.svg",
    ]
    assert all(path.read_text().startswith("<?xml") for path in paths)
