"""The line of each key of a TOML text, against lines counted by hand."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest

from roomsim.venue.line_numbers import KeyPath, key_lines, line_of, path_text

TEXT = '''schema = 1  # a comment with = and [brackets]
"two words".'three = 3' = """
text = "none of this is a key"
[nor.this]
"""

[mesh]
file = "a.obj"
size = { x = 1.5, "y y" = [ 1, 2 ] }

[[source]]
name = 'A'
level = [
    70.0, 71e0,   # two of them
    [ 72, { deep = 1 } ],
]
when = 2026-05-01 19:30:00.5

[source.directivity]
kind = "a \\" = b"

[[source]]
[[source.part]]
a.b.c = true
[[source.part]]
a = 1
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("schema",), 1),
        (("two words", "three = 3"), 2),
        (("mesh",), 7),
        (("mesh", "file"), 8),
        (("mesh", "size", "x"), 9),
        (("mesh", "size", "y y", 1), 9),
        (("source",), 11),
        (("source", 0), 11),
        (("source", 0, "name"), 12),
        (("source", 0, "level"), 13),
        (("source", 0, "level", 1), 14),
        (("source", 0, "level", 2), 15),
        (("source", 0, "level", 2, 1, "deep"), 15),
        (("source", 0, "when"), 17),
        (("source", 0, "directivity"), 19),
        (("source", 0, "directivity", "kind"), 20),
        (("source", 1), 22),
        (("source", 1, "part", 0), 23),
        (("source", 1, "part", 0, "a", "b", "c"), 24),
        (("source", 1, "part", 1, "a"), 26),
    ],
)
def test_line_of_a_key(path: KeyPath, line: int) -> None:
    assert key_lines(TEXT)[path] == line


def test_every_value_has_a_line_and_every_line_a_value() -> None:
    def paths(value: Any, path: KeyPath = ()) -> set[KeyPath]:
        inner = (
            value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
        )
        return {path}.union(*(paths(entry, (*path, key)) for key, entry in inner))

    assert set(key_lines(TEXT)) | {()} == paths(tomllib.loads(TEXT))


def test_missing_keys_stand_where_their_table_does() -> None:
    lines = key_lines(TEXT)
    assert line_of(lines, ("source", 0, "position", 2)) == 11
    assert line_of(lines, ("audience",)) is None


def test_paths_are_written_as_in_the_file() -> None:
    assert path_text(("source", 1, "level", 7)) == "source[1].level[7]"
    assert path_text(("surfaces", "wall_*")) == 'surfaces."wall_*"'
