"""How caveats are worded: once for all scenarios of the same code, by the figures of the worst."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from roomsim.report import caveat_messages as messages
from roomsim.report.caveat_messages import band_ranges, caveat_messages
from roomsim.results.records import Caveat

STUDY = Path(messages.__file__).parents[1]


def absorbing(scenario: str, absorption: float, code: str = "nearly_anechoic") -> Caveat:
    values = {"absorption": absorption, "sabine_excess": 0.2}
    return Caveat(code, scenario, severity=absorption, bands=(4,), values=values)


def test_the_worst_scenario_is_worded_and_the_others_are_named():
    (text,) = caveat_messages([absorbing("a", 0.6), absorbing("b", 0.7), absorbing("c", 0.6)], 9)
    assert text.startswith("b (and to a lesser degree 'a' and 'c'): The mean absorption coefficient reaches 0.70")
    (text,) = caveat_messages([absorbing("a", 0.6), absorbing("b", 0.7)], 2)
    assert text.startswith("b (and to a lesser degree all other scenarios): ")
    (text,) = caveat_messages([absorbing("a", 0.6), absorbing("b", 0.6)], 3)
    assert text.startswith("a (and equally 'b'): ")
    (text,) = caveat_messages([absorbing(f"s{i}", 0.6) for i in range(7)], 9)
    assert text.startswith("s0 (and equally 's1', 's2', 's3', 's4' and 2 more): ")


def test_only_the_code_and_the_subject_decide_what_is_worded_together():
    """Both begin "The mean absorption coefficient reaches 0.60": the text is no key."""
    found = [absorbing("a", 0.6), absorbing("b", 0.6, "highly_absorbing"), absorbing("c", 0.6)]
    one, other = caveat_messages(found, 3)
    assert one.startswith("a (and equally 'c'): The mean") and "no reverberation formula is valid" in one
    assert other.startswith("b: The mean") and "up to 20 % too long" in other
    times = ("early_decay_time", "reverberation_time_t20")
    values = {"relative_error": 0.14, "largest": 0.1}
    few = [Caveat("few_late_paths", "a", name, 0.14, (0, 1, 2), values) for name in times]
    texts = caveat_messages(few, 2)
    assert ["EDT" in text for text in texts] == [True, False] and ["T20" in text for text in texts] == [False, True]
    assert all("at 63 Hz to 250 Hz: " in text and "up to 14 % of its value" in text for text in texts)


def test_findings_of_the_check_keep_their_own_words_and_are_never_put_together():
    found = [Caveat("hole", texts={"place": f"wall {i}", "text": "It has a hole."}) for i in range(2)]
    assert caveat_messages(found, 1) == ["wall 0: It has a hole.", "wall 1: It has a hole."]


def test_missing_times_and_bent_decays():
    values = {"missing": 7.0, "heard": 10.0, "band": 1.0, "range_end": 35.0}
    (text,) = caveat_messages([Caveat("missing_time_cut_off", "a", "reverberation_time_t30", 0.7, (1, 2), values)], 2)
    assert "The T30 is missing at 7 of 10 seats at 125 Hz and at most seats in 1 other band" in text
    assert "does not fall by 35 dB" in text
    times = {"early_decay_time": 1.2, "reverberation_time_t20": 1.8, "reverberation_time_t30": 2.5}
    (text,) = caveat_messages([Caveat("bent_decay", "a", severity=30.0, bands=(3,), values=times)], 2)
    assert "at 500 Hz has more than one slope: EDT 1.2 s, T20 1.8 s, T30 2.5 s." in text
    assert "the sum of two" not in text
    for late_from, since in ((0.29, "from 0.29 s after the direct sound on."), (0.0, "from the start on.")):
        values = {**times, "early": 1.0, "late": 3.0, "late_from": late_from}
        (text,) = caveat_messages([Caveat("bent_decay", "a", severity=30.0, bands=(3,), values=values)], 2)
        assert "the sum of two, with reverberation times of 1 s and 3 s; the slower one dominates " + since in text


@pytest.mark.parametrize(
    ("chosen", "text"),
    [((0,), "63 Hz"), ((0, 1, 2, 6), "63 Hz to 250 Hz, 4 kHz"), ((7, 3, 4), "500 Hz to 1 kHz, 8 kHz")],
)
def test_bands_are_named_by_ranges(chosen, text):
    assert band_ranges(chosen) == text


def test_every_code_that_is_given_has_its_message():
    """Codes written out in the engine, or in the formulas; those of the check's findings word themselves."""
    given = set()
    for path in (STUDY / "study" / "caveats.py", *(STUDY / "planning").glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Caveat":
                given |= {part.value for part in ast.walk(node.args[0]) if isinstance(part, ast.Constant)}
    for node in ast.walk(ast.parse((STUDY / "physics" / "reverberation.py").read_text("utf-8"))):
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "add":
            given.add(node.args[0].value)
    given = {code for code in given if isinstance(code, str) and code != "precision_missed_"}
    assert {"energy_lost", "bent_decay", "modal_region", "candidate_refused"} <= given
    causes = {"missing_time_few_paths", "missing_time_early_drop", "missing_time_cut_off"}
    precision = {f"precision_missed_{part}" for part in ("run", "search", "finalists")}
    assert given | causes | precision == set(messages.MESSAGES)
