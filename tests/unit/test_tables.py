"""Tables and files of a finished study: right figures, no more digits than known, nothing that bites."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import os
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_results import invented_results
from rich.console import Console

from roomsim.errors import StoreError
from roomsim.estimate import Estimate
from roomsim.report.cautions import cautions
from roomsim.report.caveat_messages import caveat_messages
from roomsim.report.export import csv_bytes, export_results
from roomsim.report.printing import clean
from roomsim.report.rows import comparison_rows, reverberation_rows
from roomsim.report.tables import best_within_limits, comparison_table, reverberation_table
from roomsim.report.values import decimals_of, number, percent, with_error, with_interval
from roomsim.results.interval import Interval
from roomsim.results.records import Caveat, Results


@pytest.fixture(scope="module")
def results() -> Results:
    return invented_results()


def hanging(results: Results) -> Results:
    scenarios = [dataclasses.replace(record, hung=record.elements[:1]) for record in results.scenarios]
    return dataclasses.replace(results, scenarios=tuple(scenarios))


def with_room(results: Results, **changed: tuple[list[float], float]) -> Results:
    """Other values and one common standard error for some of the figures over the seats."""
    room = dict(results.room)
    for name, (values, error) in changed.items():
        room[name] = Estimate(np.array(values), np.full(len(values), error), 20)
    return dataclasses.replace(results, room=room)




def test_the_best_is_one_that_keeps_the_limits(results: Results) -> None:
    said = best_within_limits(comparison_rows(results))
    assert "'long walls' has the highest STI at the median seat (0.481 ± 0.007" in said
    assert said.endswith("Higher, but over a limit: 'full house, all cloth' and 'all cloth'.")
    free = tuple(dataclasses.replace(record, limits_broken=()) for record in results.scenarios)
    said = best_within_limits(comparison_rows(dataclasses.replace(results, scenarios=free)))
    assert "'full house, all cloth' has the highest STI" in said and "over a limit" not in said
    over = tuple(dataclasses.replace(record, limits_broken=("budget",)) for record in results.scenarios)
    assert best_within_limits(comparison_rows(dataclasses.replace(results, scenarios=over))) == (
        "No scenario keeps all limits."
    )


@pytest.mark.parametrize(
    ("value", "half_width", "most", "expected"),
    [
        (0.523456, 0.012, 2, "0.52 ± 0.01"),
        (0.523456, 0.004, 2, "0.523 ± 0.004"),  # two decimals would show no error, or one that is too large
        (0.523456, 0.0002, 2, "0.523 ± 0.001"),  # the error never vanishes
        (0.523456, 0.096, 2, "0.5 ± 0.1"),
        (0.523456, 0.23, 2, "0.5 ± 0.2"),  # the second decimal is chance
        (2.0512, 0.0012, 2, "2.051 ± 0.001"),
        (7.61, 1.4, 2, "8 ± 1"),
        (92.4, 23.0, 0, "92 ± 23"),
        (92.44, 0.3, 0, "92.4 ± 0.3"),
        (0.5, 0.0, 2, "0.50"),
        (-0.034, 0.01, 2, "−0.03 ± 0.01"),
        (-0.002, 0.01, 2, "0.00 ± 0.01"),  # nothing has no sign
        (float("nan"), float("nan"), 2, "–"),
        (float("inf"), 0.0, 2, "–"),
    ],
)
def test_numbers_stop_where_their_error_begins(
    value: float, half_width: float, most: int, expected: str
) -> None:
    assert with_error(Interval(value, half_width), most) == expected


def test_gains_carry_their_interval() -> None:
    assert with_interval(Interval(0.071, 0.01), 2) == "+0.07 (0.06 to 0.08)"
    assert with_interval(Interval(-0.012, 0.022), 2) == "−0.01 (−0.03 to 0.01)"
    assert with_interval(Interval(0.0, 0), 2) == "+0.00"
    # What is called better or worse is seen to be more or less than nothing.
    assert with_interval(Interval(0.0031, 0.0019), 2) == "+0.003 (0.001 to 0.005)"
    assert with_interval(Interval(0.0041, 0.0038), 2) == "+0.0041 (0.0003 to 0.0079)"
    assert with_interval(Interval(-0.0002, 1e-05), 2) == "−0.0002 (−0.0002 to −0.0002)"
    assert with_interval(Interval(-0.0004, 0.0036), 2) == "+0.000 (−0.004 to 0.003)"
    assert with_interval(Interval(float("nan"), float("nan")), 2) == "–"


@pytest.mark.parametrize(
    ("share", "expected"),
    [(0.0, "0 %"), (0.004, "under 1 %"), (0.03, "3 %"), (0.996, "over 99 %"), (1.0, "100 %")],
)
def test_a_share_is_not_written_as_none_or_all_unless_it_is(share: float, expected: str) -> None:
    assert percent(share) == expected
    assert percent(0.00004, 2) == "under 0.01 %" and percent(0.0123, 2) == "1.23 %"


@given(st.floats(-100, 100), st.floats(1e-6, 100), st.integers(0, 3))
def test_a_printed_value_is_wrong_by_less_than_its_error(value: float, half_width: float, most: int) -> None:
    """Rounding moves it by half a unit of the last decimal: no more than the error printed beside it."""
    figure = Interval(value, half_width)
    shown, _, error = with_error(figure, most).replace("−", "-").partition(" ± ")
    n = decimals_of(figure, most)
    assert abs(float(shown) - value) <= 0.5 * 10.0**-n * (1 + 1e-9)
    assert 10.0**-n <= float(error) * (1 + 1e-9)
    # No digit beyond the first one of the error, and one decimal more than `most` at most.
    assert n <= most + 1
    assert n == 0 or half_width <= 0.96 * 10.0 ** (1 - n)
    assert number(figure, most).replace("−", "-") == shown


# --- rows -----------------------------------------------------------------------------------------------


def test_rows_hold_what_the_study_says(results: Results) -> None:
    rows = comparison_rows(results)
    assert [row.scenario for row in rows] == [record.name for record in results.scenarios]
    assert [row.against for row in rows] == [None, 1, 1, 1, 1, 1, 1, 7]
    for i, row in enumerate(rows):
        assert row.sti_median.value == results.room["sti_median"].value[i]
        # Student's t for 95 % and 19 degrees of freedom is 2.093 (any table), here to its printed precision.
        expected = 2.093 * results.room["sti_median"].standard_error[i]
        assert row.sti_median.half_width == pytest.approx(expected, rel=0.0005 / 2.093)
        times = results.room["reverberation_time_t20"].value[i]
        assert row.reverberation_mid.value == pytest.approx((times[3] + times[4]) / 2, rel=1e-12)  # rounding
        assert row.reverberation_bass.value == pytest.approx((times[0] + times[1]) / 2, rel=1e-12)
    # By hand: 7560 for the full house with all cloth, as for all cloth alone, which it is measured against.
    assert (rows[6].extra_cost, rows[7].cost, rows[7].extra_cost) == (7560, 7560, 0)


def test_gain_for_money_only_where_there_is_a_gain_and_a_price(results: Results) -> None:
    gains = [0.0, 0.05, 0.05, 0.004, -0.05, 0.05, 0.05, 0.05]
    estimate = Estimate(np.array(gains), np.array([0.0, *[0.003] * 7]), 20)
    changed = dataclasses.replace(results, room_gains={**results.room_gains, "sti_median": estimate})
    rows = comparison_rows(changed)
    assert [row.gain_per_1000 is None for row in rows] == [True, False, False, True, True, False, False, True]
    # By hand: 0.05 over 2640 is 0.0189 per 1000; the error of 2.093 * 0.003 becomes 0.00238.
    assert rows[1].gain_per_1000.value == pytest.approx(0.01894, abs=5e-6)
    assert rows[1].gain_per_1000.half_width == pytest.approx(0.00238, abs=5e-6)


def test_a_target_is_met_only_beyond_doubt(results: Results) -> None:
    """Target 95 %; half the interval is 2.093 * 0.01 = 2.1 %."""
    shares = [0.99, 0.96, 0.94, 0.90, 0.95, 0.975, 0.925, 1.0]
    rows = comparison_rows(with_room(results, sti_share_of_seats=(shares, 0.01)))
    targets = ["met", "unclear", "unclear", "missed", "unclear", "met", "missed", "met"]
    assert [row.target for row in rows] == targets


def test_formulas_are_marked_where_they_part_from_the_traced_times(results: Results) -> None:
    """Times of 2 s with an interval of 0.05 s (2.093 * 0.0239): 5 % and chance together are 0.15 s."""
    room = {
        **results.room,
        "reverberation_time_t20": Estimate(np.full((8, 8), 2.0), np.full((8, 8), 0.0239), 20),
    }
    formula = np.full((8, 8), 2.0)
    formula[0] = [2.0, 2.14, 2.16, 1.86, 1.84, 2.5, np.inf, 2.0]
    changed = dataclasses.replace(results, room=room, statistical={"eyring": formula})
    rows = reverberation_rows(changed)
    assert [(row.scenario, row.method) for row in rows[:3]] == [
        ("bare", "traced"),
        ("bare", "eyring"),
        ("back wall", "traced"),
    ]
    assert rows[1].is_off == (False, False, True, False, True, True, True, False)
    assert rows[0].is_off == (False,) * 8
    text = reverberation_table(changed).text()
    assert "2.16*" in text
    assert "2.14 " in text
    assert "–*" in text  # no absorption at all: the formula has no finite time


def test_seats_behind_a_mean_time_are_counted_where_they_are_not_all(results: Results) -> None:
    """T30 missing at three seats of the second scenario at 125 Hz: the mean T20 is over the others, too."""
    assert "of " + str(len(results.positions)) + " seats" not in reverberation_table(results).text()
    times = {}
    for name in ("early_decay_time", "reverberation_time_t20", "reverberation_time_t30"):
        value = np.full((len(results.positions), 8, 8), 2.0)
        if name == "reverberation_time_t30":
            value[:3, 1, 1] = np.nan
        times[name] = Estimate(value, np.full(value.shape, 0.01), 20)
    changed = dataclasses.replace(results, seats={**results.seats, **times})
    n = len(results.positions)
    rows = [row for row in reverberation_rows(changed) if row.method == "traced"]
    assert rows[0].n_seats == (n,) * 8
    assert rows[1].n_seats == (n, n - 3, *[n] * 6)
    text = reverberation_table(changed).text(120)
    (line,) = (line for line in text.splitlines() if f"of {n} seats" in line)
    assert line.split()[-8:] == [str(n), str(n - 3), *[str(n)] * 6]


# --- text -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("width", [60, 80, 97, 98, 100, 132, 200])
def test_text_fits_its_width_and_loses_nothing(width: int, results: Results) -> None:
    table = comparison_table(hanging(results))
    text = table.text(width)
    assert max(len(line) for line in text.splitlines()) <= width
    assert "…" not in text
    for row in table.rows:
        assert with_error(row.sti_median, 2) in text
        assert with_error(row.reverberation_bass, 2) in text
        assert f"{row.cost:,.0f}" in text
        for broken in row.limits_broken:
            assert broken in " ".join(text.split())
    assert text.count("better <JND") == sum(
        row.verdict.text == "better, below one JND" for row in table.rows
    )
    together = " ".join(text.replace("•", "").split())
    for sentence in (*caveat_messages(results.caveats, 8), *cautions(hanging(results))):
        assert sentence in together
    reverberation = reverberation_table(results).text(width)
    assert max(len(line) for line in reverberation.splitlines()) <= width
    assert "…" not in reverberation
    for row in reverberation_rows(results):
        assert all(number(time, 2) in reverberation for time in row.time)


def test_in_a_terminal_it_takes_the_width_there_is(results: Results) -> None:
    for width in (70, 120):
        console = Console(file=io.StringIO(), width=width, force_terminal=True, color_system="standard")
        console.print(comparison_table(results))
        plain = re.sub(r"\x1b\[[0-9;]*m", "", console.file.getvalue())
        assert max(len(line) for line in plain.splitlines()) <= width
    assert str(comparison_table(results)) == comparison_table(results).text(100)


def test_names_are_shown_as_they_are(results: Results) -> None:
    """Neither markup of the printing library nor escape sequences of terminals in a name do anything."""
    nasty = "[bold red]cheap[/] \x1b[2J\x07\u202egnp"
    first = dataclasses.replace(results.scenarios[1], name=nasty, limits_broken=(nasty,))
    scenarios = (results.scenarios[0], first, *results.scenarios[2:])
    found = (Caveat("hole", texts={"place": "wall", "text": nasty}),)
    text = comparison_table(dataclasses.replace(results, scenarios=scenarios, caveats=found)).text(200)
    # In both tables, twice in "name: limit broken", and as a warning.
    assert text.count("[bold red]cheap[/] \ufffd[2J\ufffd\ufffdgnp") == 5
    assert not set(text) & {"\x1b", "\x07", "\u202e"}
    # A joiner without width is part of how a word is written.
    assert clean("می\u200cخواهم") == "می\u200cخواهم"


def test_what_cannot_be_evaluated_is_a_dash(results: Results) -> None:
    gaps = with_room(results, sti_median=([0.5] * 7 + [np.nan], 0.01))
    row = next(line for line in comparison_table(gaps).text(132).splitlines() if line.startswith("8 "))
    assert row.split("all cloth")[1].split()[0] == "–"


def test_cautions_on_rigging_come_with_what_hangs(results: Results) -> None:
    everything, without = cautions(hanging(results)), cautions(results)
    assert set(without) < set(everything)
    told = " ".join(everything)
    # What has to be said of loads, exits, fire, height, doors, bass, and of the figures themselves.
    for word in (
        "competent person", "structural engineer", "exits", "detectors", "sprinklers", "Escape routes",
        "fire certificate", "drop zone", "Open doors", "125 Hz", "Absorption", "empty room", "voice alarm",
        "limited by law", "prediction", "Local codes",
    ):  # fmt: skip
        assert word in told
    for word in ("prediction", "Absorption", "empty room", "voice alarm", "limited by law"):
        assert word in " ".join(without)


# --- files ----------------------------------------------------------------------------------------------


def read_csv(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def test_files_hold_all_figures(tmp_path: Path) -> None:
    results = invented_results(with_gaps=True)
    paths = export_results(results, tmp_path / "tables")
    assert [path.name for path in paths] == [
        "seats.csv",
        "comparison.csv",
        "reverberation.csv",
        "comparison.json",
    ]
    seats = read_csv(paths[0])
    assert len(seats) == 600 * 8
    line = seats[8 * 41 + 3]
    assert (line["seat"], line["scenario"], line["area"]) == ("42", "behind the stage", "stalls")
    sti = results.seats["speech_transmission_index"]
    # Six significant digits are written.
    assert float(line["STI"]) == pytest.approx(sti.value[41, 3], rel=1e-5)
    assert float(line["STI standard error"]) == pytest.approx(sti.standard_error[41, 3], rel=1e-5)
    gain = results.gains["reverberation_time_t20"]
    assert float(line["gain T20 125, s"]) == pytest.approx(gain.value[41, 3, 1], rel=1e-5)
    assert float(line["gain T20 125 standard error, s"]) == pytest.approx(
        gain.standard_error[41, 3, 1], rel=1e-5
    )
    assert seats[7]["STI"] == ""  # not evaluable
    comparison = read_csv(paths[1])
    assert [line["scenario"] for line in comparison] == [record.name for record in results.scenarios]
    assert float(comparison[2]["cost, EUR"]) == results.scenarios[2].cost
    assert comparison[0]["gain in median STI"] == ""
    assert len(read_csv(paths[2])) == 8 * 4
    content = json.loads(paths[3].read_text())
    assert content["schema"] == 2
    assert content["scenarios"][1]["verdict"]["words"] == comparison_rows(results)[1].verdict.text
    assert content["scenarios"][2]["sti_median"]["value"] == results.room["sti_median"].value[2]
    assert content["cautions"]


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1"])
def test_no_text_is_taken_for_a_formula(text: str) -> None:
    """The six beginnings that spreadsheets evaluate (OWASP, "CSV injection", from memory)."""
    row = next(
        csv.reader(io.StringIO(csv_bytes([[text, -1.5, "fine = so"]]).decode("utf-8-sig"), newline=""))
    )
    assert row == ["'" + text, "-1.5", "fine = so"]


@given(st.lists(st.text(max_size=8), min_size=1, max_size=4))
def test_texts_survive_the_file(cells: list[str]) -> None:
    text = csv_bytes([cells, cells]).decode("utf-8-sig")
    back = next(csv.reader(io.StringIO(text, newline="")))
    assert [cell.removeprefix("'") for cell in back] == [cell.removeprefix("'") for cell in cells]


def test_a_folder_that_cannot_be_made(tmp_path: Path, results: Results) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="cannot write: Not a directory"):
        export_results(results, tmp_path / "file" / "tables")
    assert os.listdir(tmp_path) == ["file"]
