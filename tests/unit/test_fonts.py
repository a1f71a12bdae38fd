"""Names in scripts that the default font lacks."""

from __future__ import annotations

import dataclasses
import warnings
from pathlib import Path

import matplotlib
import pytest
from invented_results import invented_results

from roomsim.errors import RoomsimWarning
from roomsim.report import fonts, style
from roomsim.report.figures import chart_pictures
from roomsim.report.pictures import write_pictures

SPECIAL = "\N{MATHEMATICAL SCRIPT CAPITAL A}"
"""STIX has it, which comes with the drawing library too, and the default has not."""
HAN = "\u5c55"


def test_a_font_of_the_machine_that_has_the_characters_is_taken() -> None:
    with fonts.fonts_for({"name": SPECIAL}), style.rules():
        families = matplotlib.rcParams["font.family"]
        assert families[0] == fonts.DEFAULT and len(families) == 2
    with fonts.fonts_for({"name": "Hôtel, Зал, αίθουσα"}), style.rules():
        assert matplotlib.rcParams["font.family"] == [fonts.DEFAULT]
    assert fonts.not_drawable({"name": SPECIAL}) == ""


def test_characters_that_no_font_has_are_told_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fonts, "_families", lambda missing: ())
    results = invented_results()
    named = [dataclasses.replace(record, name=f"{record.name} {HAN}{HAN}") for record in results.scenarios]
    results = dataclasses.replace(results, scenarios=tuple(named))
    with warnings.catch_warnings(record=True) as told:
        warnings.simplefilter("always")
        paths = write_pictures(results, chart_pictures(results)[:2], tmp_path, ("png",), processes=1)
    assert all(path.stat().st_size for path in paths)
    (one,) = told
    assert one.category is RoomsimWarning and f"has the characters {HAN} of names" in str(one.message)
