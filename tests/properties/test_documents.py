"""Damaged description files are read or refused with file and message, never with another exception."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from venues import write_shoebox

from roomsim.errors import DocumentError
from roomsim.venue.directivity import read_polar_file
from roomsim.venue.line_numbers import key_lines
from roomsim.venue.reading import read_study

FILES = ("study.toml", "venue.toml", "elements.toml", "sources.toml", "materials.toml")
PIECES = [
    *("nan", "-inf", "1e999", "0x", "true", "-1", "1_0", "2026-05-01", "ü", "..", "\\n", "\\u001b"),
    *("'", '"', '"""', '""', "[", "]", "[[", "{", "}", "=", ",", ".", "#", "/", "\\", "\n", "\r", "\x00"),
    *("[source]", "[[source]]", "schema = 1\n", "a.b.c = 1\n"),
]


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    folder = tmp_path_factory.mktemp("good")
    write_shoebox(folder, free_sheet=True)
    return {name: (folder / name).read_text() for name in (*FILES, "shell.obj")}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("hall")


def read_or_refuse(folder: Path, files: dict[str, str]) -> str:
    """Empty if the study could be read, else what was said."""
    for name, text in files.items():
        (folder / name).write_bytes(text.encode("utf-8", errors="surrogatepass"))
    said = ""
    try:
        read_study(folder / "study.toml")
    except DocumentError as error:
        said = str(error)
    for line in said.splitlines():
        assert re.match(r"[\w.]+\.toml(:\d+(:\d+)?)?: .", line), line
    return said


def test_seed_is_good(folder: Path, good: dict[str, str]) -> None:
    """Control: what is damaged below can be read."""
    assert read_or_refuse(folder, good) == ""


@settings(max_examples=250)
@given(data=st.data())
def test_any_text(folder: Path, good: dict[str, str], data: st.DataObject) -> None:
    """A few characters of one file changed, put in, taken out, or cut off at the end."""
    name = data.draw(st.sampled_from(FILES))
    text = good[name]
    for _ in range(data.draw(st.integers(1, 4))):
        at, length = data.draw(st.integers(0, len(text))), data.draw(st.integers(0, 8))
        text = (
            text[:at]
            + data.draw(st.one_of(st.text(max_size=5), st.sampled_from(PIECES)))
            + text[at + length :]
        )
    if data.draw(st.booleans()):
        text = text[: data.draw(st.integers(0, len(text)))]
    read_or_refuse(folder, {**good, name: text})


NUMBERS = st.one_of(
    st.integers(-5, 5), st.integers(-(10**30), 10**30), st.floats(allow_nan=False, allow_infinity=False)
)
VALUES = st.recursive(
    st.one_of(st.booleans(), NUMBERS, st.text(st.characters(codec="ascii"), max_size=6)),
    lambda inner: st.one_of(
        st.lists(inner, max_size=9),
        st.dictionaries(st.sampled_from(["kind", "name", "x"]), inner, max_size=2),
    ),
    max_leaves=9,
)


def places(value: Any) -> Iterator[tuple[Any, Any]]:
    """Every table and list with each of its keys."""
    for key in value if isinstance(value, dict) else range(len(value)):
        yield value, key
        if isinstance(value[key], dict | list):
            yield from places(value[key])


@settings(max_examples=250)
@given(data=st.data())
def test_any_value_in_any_place(folder: Path, good: dict[str, str], data: st.DataObject) -> None:
    """One value of one file becomes another, or gets another name, or goes."""
    name = data.draw(st.sampled_from(FILES))
    document = tomllib.loads(good[name])
    every = list(places(document))
    table, key = every[data.draw(st.integers(0, len(every) - 1))]
    value = data.draw(st.one_of(VALUES, st.none()))
    if value is not None:
        table[key] = value
    elif isinstance(table, dict) and data.draw(st.booleans()):
        table["new " + key] = table.pop(key)
    else:
        del table[key]
    text = "\n".join(f"{json.dumps(key)} = {inline(entry)}" for key, entry in document.items())
    said = read_or_refuse(folder, {**good, name: text})
    # A fault inside a file has its line, except where something is missing at the top of the file.
    for line in said.splitlines():
        if line.startswith(name) and "missing" not in line and "there is no source" not in line:
            assert re.match(rf"{name}:\d+", line)


@given(st.dictionaries(st.text(st.characters(codec="ascii"), min_size=1, max_size=4), VALUES, max_size=4))
def test_lines_of_any_document(document: dict[str, Any]) -> None:
    """The scanner finds the paths that the standard library's parser finds, in a text of our own making."""

    def paths(value: Any, path: tuple = ()) -> set[tuple]:
        inner = (
            value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
        )
        return {path}.union(*(paths(entry, (*path, key)) for key, entry in inner))

    text = "\n".join(f"{json.dumps(key)} = {inline(value)}" for key, value in document.items())
    assert set(key_lines(text)) | {()} == paths(tomllib.loads(text))


def inline(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(key)} = {inline(entry)}" for key, entry in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", # next\n ".join(inline(entry) for entry in value) + "]"
    return repr(value) if isinstance(value, float) else json.dumps(value).replace("\x7f", "\\u007f")


@settings(max_examples=100)
@given(data=st.data())
def test_directivity_files(folder: Path, data: st.DataObject) -> None:
    rows = ["azimuth_deg,elevation_deg,f_hz,level_db"]
    rows += [f"{a},{e},{f},0" for f in (63, 125, 250, 500, 1000, 2000, 4000, 8000)
             for e in (-90, -60, -30, 0, 30, 60, 90) for a in range(0, 360, 30)]  # fmt: skip
    text = "\n".join(rows)
    for _ in range(data.draw(st.integers(1, 3))):
        at, length = data.draw(st.integers(0, len(text))), data.draw(st.integers(0, 8))
        text = (
            text[:at]
            + data.draw(st.one_of(st.text(max_size=5), st.sampled_from(PIECES)))
            + text[at + length :]
        )
    path = folder / "box.csv"
    path.write_bytes(text.encode("utf-8", errors="surrogatepass"))
    said = "box.csv"
    try:
        read_polar_file(path)
    except DocumentError as error:
        said = str(error)
    assert said.startswith("box.csv")
