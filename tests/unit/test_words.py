"""Numbers and names as sentences need them."""

from __future__ import annotations

import pytest

from roomsim.words import counted, listed, short_names, shortened, span


def test_one_is_singular() -> None:
    assert [counted(n, "seat") for n in (0, 1, 2, 1200)] == ["0 seats", "1 seat", "2 seats", "1,200 seats"]
    assert [counted(n, "box", "boxes") for n in (1, 3)] == ["1 box", "3 boxes"]


def test_ends_that_read_the_same_are_written_once() -> None:
    assert span(10.1, 9.9) == "10"
    assert span(10.0, 20.4) == "10 to 20"
    assert span(-3.2, 4.0, "+.0f") == "−3 to +4"
    # What is rounded to zero has no sign of its own.
    assert span(-0.2, 0.3) == "0"
    assert span(-0.2, 12.0, "+.0f") == "+0 to +12"


def test_lists_read_as_sentences_do() -> None:
    assert [listed("abc"[:n]) for n in range(4)] == ["", "a", "a and b", "a, b and c"]
    assert listed("abcd", 4) == "a, b, c and d"
    assert listed("abcde", 2) == "a, b and 3 more"


@pytest.mark.parametrize("length", [5, 12, 20, 28])
def test_long_names_are_cut_and_say_so(length: int) -> None:
    for name in ("Heavy velour along the whole of the north wall", "Nordwandvorhangschienenverlängerung"):
        cut = shortened(name, length)
        assert len(cut) <= length
        assert cut.endswith("…") and name.startswith(cut[:-1])
        # A name of one long word keeps as much of it as fits.
        assert len(cut) > length // 2
    assert shortened("two  lines\nin one", 40) == "two lines in one"


def test_names_are_shortened_to_codes_that_no_other_name_begins_with():
    names = ["D1 upstage drape", "D2: side", "R7 riser", "R7 carpet", "carpet at the bar"]
    assert list(short_names(names).values()) == ["D1", "D2", "R7 riser", "R7 carpet", "carpet at the bar"]
