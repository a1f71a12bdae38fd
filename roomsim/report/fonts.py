"""Choice of fonts: names in a study may be written in any script."""

from __future__ import annotations

import dataclasses
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import lru_cache
from typing import Any

from matplotlib.font_manager import FontProperties, findfont, fontManager, get_font

DEFAULT = "DejaVu Sans"
"""Part of the drawing library; it has Latin, Greek, Cyrillic, Arabic and others, but not all scripts."""

FAMILIES: ContextVar[tuple[str, ...]] = ContextVar("families", default=(DEFAULT,))
"""Font families of all text. Each character is drawn in the first family that has it."""


@contextmanager
def fonts_for(results: Any) -> Iterator[None]:
    """Within a `with` block, draw with fonts of this machine that have the characters of all names in `results`.

    The drawing library would warn repeatedly of each character that no font has; `not_drawable` lists them once.
    """
    token = FAMILIES.set((DEFAULT, *_families(_not_in_default(results))))
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=r"Glyph \d+ .* missing from")
        try:
            yield
        finally:
            FAMILIES.reset(token)


def not_drawable(results: Any) -> str:
    """The characters of names in `results` that no font of this machine has, without repetition and sorted."""
    missing = _not_in_default(results)
    files = {entry.name: entry.fname for entry in fontManager.ttflist}
    for family in _families(missing):
        missing -= _characters(files[family])
    return "".join(sorted(missing))


def _not_in_default(results: Any) -> frozenset[str]:
    letters = {letter for text in _texts(results) for letter in text if not letter.isspace()}
    return frozenset(letters) - _characters(findfont(FontProperties(family=DEFAULT)))


def _texts(part: Any) -> Iterator[str]:
    """All texts in nested dataclasses, dictionaries and lists."""
    if isinstance(part, str):
        yield part
    elif dataclasses.is_dataclass(part) and not isinstance(part, type):
        for field in dataclasses.fields(part):
            yield from _texts(getattr(part, field.name))
    elif isinstance(part, dict):
        for key, value in part.items():
            yield from _texts(key)
            yield from _texts(value)
    elif isinstance(part, list | tuple):
        for entry in part:
            yield from _texts(entry)


@lru_cache(maxsize=64)
def _characters(file: str) -> frozenset[str]:
    """Characters of a font file; none if it is a bitmap font, which cannot be scaled."""
    font = get_font(file)
    return frozenset(map(chr, font.get_charmap())) if font.scalable else frozenset()


@lru_cache(maxsize=64)
def _families(missing: frozenset[str]) -> tuple[str, ...]:
    """Installed font families that together have as many of the characters as possible."""
    chosen: list[str] = []
    files = {entry.name: entry.fname for entry in fontManager.ttflist}
    for family in sorted(files.keys() - {DEFAULT}):
        # A last-resort font shows boxes with numbers for all characters.
        if not missing or "last resort" in family.lower():
            continue
        try:
            present = _characters(files[family]) & missing
        except (OSError, RuntimeError):  # a damaged or foreign font file
            continue
        if present:
            chosen.append(family)
            missing -= present
    return tuple(chosen)
