"""Records as JSON and back: what is of another type or size is refused; a lock that cannot be kept is given back."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from roomsim.errors import StoreError
from roomsim.results.folder import locked
from roomsim.results.hdf5 import ContentError
from roomsim.results.plain import from_plain, to_plain


@dataclass(frozen=True)
class Inner:
    name: str
    value: float
    at: tuple[float, float] | None = None


@dataclass(frozen=True)
class Record:
    count: int
    is_met: bool
    inner: dict[str, Inner]
    pair: tuple[int, float]
    many: tuple[float, ...] = ()


WHOLE = Record(
    3,
    True,
    {"a": Inner("x", float("inf")), "b": Inner("y", -float("inf"), (0.5, 2.0))},
    (1, 2.0),
    (1.0, 2.5, -3.0),
)


def test_a_record_is_read_back_as_it_was_written() -> None:
    plain = to_plain(WHOLE)
    assert plain == {
        "count": 3, "is_met": True, "pair": [1, 2.0], "many": [1.0, 2.5, -3.0],
        "inner": {
            "a": {"name": "x", "value": "inf", "at": None}, "b": {"name": "y", "value": "-inf", "at": [0.5, 2.0]},
        },
    }  # fmt: skip
    assert from_plain(Record, plain) == WHOLE
    assert np.isnan(from_plain(Inner, {"name": "x", "value": "nan", "at": None}).value)
    assert to_plain(Inner("x", float("nan")))["value"] == "nan"


@pytest.mark.parametrize(
    ("key", "content"),
    [
        ("count", 3.0), ("count", True), ("count", "3"), ("count", None), ("is_met", 1), ("is_met", None),
        ("pair", [1]), ("pair", [1, 2.0, 3.0]), ("pair", (1, 2.0)), ("pair", [1.5, 2.0]), ("pair", []),
        ("many", [1.0, "two"]), ("many", [True]), ("many", "nan"), ("many", [None]), ("many", {"a": 1.0}),
        ("inner", {"a": {"name": "x", "value": 1.0}}), ("inner", {"a": None}), ("inner", []),
        ("inner", {"a": {"name": "x", "value": 1.0, "at": None, "more": 1}}),
        ("inner", {"a": {"name": "x", "value": 1.0, "at": [1.0]}}),
        ("inner", {"a": {"name": "x", "value": "infinite", "at": None}}),
    ],
)  # fmt: skip
def test_content_of_another_type_or_size_is_refused(key: str, content: object) -> None:
    with pytest.raises(ContentError):
        from_plain(Record, {**to_plain(WHOLE), key: content})


def test_missing_and_superfluous_entries_are_refused() -> None:
    plain = to_plain(WHOLE)
    for changed in ({**plain, "more": 1}, {key: value for key, value in plain.items() if key != "many"}):
        with pytest.raises(ContentError):
            from_plain(Record, changed)


def test_a_folder_in_which_the_holder_cannot_be_written_is_not_locked(tmp_path: Path) -> None:
    """A folder lies where the file of the holder belongs."""
    (tmp_path / "holder" / "in the way").mkdir(parents=True)
    for _ in range(2):  # given back: the second fails for the same reason and not because of the first
        with pytest.raises((StoreError, OSError)) as refused, locked(tmp_path):
            pytest.fail("the folder was taken for locked")
        assert "another run" not in str(refused.value)
    (tmp_path / "holder" / "in the way").rmdir()
    (tmp_path / "holder").rmdir()
    with locked(tmp_path), pytest.raises(StoreError, match="in use by another run: process"):
        locked(tmp_path).__enter__()
