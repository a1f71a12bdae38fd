"""Every registered kind of element is asked for all that is asked of one, and goes alone through the commands."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import get_type_hints

import numpy as np
import pytest
from commands import Walk, make_quick
from element_examples import EVERY_KIND, SOURCES
from venues import rectangle_area, shoebox, toml_text, write_venue

import roomsim
from roomsim.elements.element import Element
from roomsim.elements.finishes import Cloth, Finish
from roomsim.elements.registry import KINDS
from roomsim.scene.checks import check_venue
from roomsim.scene.compile import compile_scene
from roomsim.scene.factors import material_table
from roomsim.scene.rigging import Rig
from roomsim.scene.scenarios import demand_of
from roomsim.study.costs import scenario_records
from roomsim.venue.reading import read_study, schema_for

TAKEN = {"hire": 100.0, "rigging_hours": 2.0, "weight": 24.0, "roof_points": 4, "stock": {"cloth": 3.0}}
EXAMPLES = [(kind, entry) for kind, entries in EVERY_KIND.items() for entry in entries]
ids = [entry["name"] for _, entry in EXAMPLES]


def written(folder: Path, kind: str, entry: dict) -> Path:
    """A study of one element, in a scenario of its name, with a plan that may choose it."""
    plan = {"candidates": [entry["name"]], "goal": [{"figure": "sti_median"}]}
    costs = {"labour_rate": 40.0, "fixed": 50.0, "stock": {"cloth": 3.0}}
    return write_venue(
        folder,
        shoebox((10, 6, 4)),
        audience=[rectangle_area("seats", (1, 1, 6, 5), (2, 2))],
        elements={kind: [{**entry, **TAKEN}]},
        crowd=False,
        sources=SOURCES,
        study={"plan": plan, "costs": costs, "precision": {"sti": 0.2}, "uncertainty": {"draws": 0}},
    )


def test_every_kind_has_an_example_a_label_and_a_table_of_its_own():
    assert set(EVERY_KIND) == {kind.table() for kind in KINDS}
    assert len({kind.kind for kind in KINDS}) == len(KINDS)
    assert set(schema_for("elements")["properties"]) == {"schema", *EVERY_KIND}
    for kind in KINDS:
        assert kind.kind == kind.kind.lower().strip() and kind.__doc__ and kind.__doc__ != Element.__doc__
        # Every key is explained to who writes the file.
        fields = {name: field.description for name, field in kind.model_fields.items() if name != "name"}
        assert all(text or name in ("description", "stock") for name, text in fields.items()), kind
        assert get_type_hints(kind.finish)["return"]


@pytest.mark.parametrize(("kind", "entry"), EXAMPLES, ids=ids)
def test_kind_says_all_that_is_asked_of_it(kind, entry, tmp_path):
    study = read_study(written(tmp_path, kind, entry))
    (element,) = study.elements.all()
    assert element.label == f"{kind.replace('_', ' ')} {entry['name']!r}"
    findings = check_venue(study)
    assert not [finding for finding in findings if finding.severity == "error"]

    # It changes the sound: a surface, a sheet, or the sources; and nothing else.
    scene = compile_scene(study)
    sheets = [patch for patch in scene.patches if patch.is_sheet]
    covered = [patch for patch in scene.patches if element.name in patch.covers]
    finish = element.finish(material_table(study))
    if finish is None:
        assert not covered and (scene.sources.active[0] != scene.sources.active[1]).any()
    else:
        assert isinstance(finish, Finish | Cloth)
        assert covered and bool(sheets) == bool(element.free_sheets())
        assert sum(patch.area for patch in sheets) == pytest.approx(
            sum(sheet.polygon.area for sheet in element.free_sheets())
        )
        factors = scene.factors[[patch in covered for patch in scene.patches]]
        assert (factors[:, :, 0] != factors[:, :, 1]).any()
        assert (factors >= 0.0).all() and (factors.sum(axis=1) <= 1.0 + 1e-12).all()

    # What it takes is what the scenario takes; what hangs has a load, is overhead, and is named in the cautions.
    bare, treated = study.document.scenarios_in_order()
    demand = demand_of(study, treated)
    fixed = 50.0 if element.is_overhead else 0.0
    assert (demand.hire, demand.rigging_hours, demand.weight) == (100.0, 2.0, 24.0)
    assert demand.cost == 100.0 + 2.0 * 40.0 + fixed and element.stock == {"cloth": 3.0}
    assert demand_of(study, bare).cost == 0.0
    (load,) = Rig(study).loads(treated)
    assert load.name == element.name and load.mass == 24.0 and load.heaviest == pytest.approx(6.0)
    assert (element.name in scenario_records(study)[1].hung) is element.is_overhead
    if element.hung_sheets():
        assert element.is_overhead
        shape, top = element.place_in_plan()
        corners = np.concatenate([sheet.corners for sheet in element.hung_sheets()])
        assert corners[:, 2].max() == pytest.approx(top)
        assert shape.buffer(1.01).bounds[0] <= corners[:, 0].min()


@pytest.mark.parametrize(("kind", "entry"), [(kind, entries[0]) for kind, entries in EVERY_KIND.items()])
def test_kind_goes_alone_through_every_command(kind, entry, tmp_path, capsys, monkeypatch):
    make_quick(monkeypatch)
    study = written(tmp_path / "study", kind, entry)
    # The contribution of a single candidate is no chart but a sentence.
    walk = Walk(capsys, words_alone=("plan_contributions.svg",))
    folder, out = study.with_suffix(".roomsim"), tmp_path / "out"
    walk("check", study, "--quiet")
    files = walk.files("run", study, "--threads", 1)
    assert folder / "results.h5" in files and any(path.suffix == ".svg" for path in files)
    level = roomsim.load(folder).seats["sound_pressure_level"]
    assert np.isfinite(level.value).all() and (level.value[:, 0] != level.value[:, 1]).any()

    planned = walk.files("plan", study, "--sets", 16, "--threads", 1)
    assert any(path.suffix == ".png" for path in planned)
    (described,) = (path for path in planned if path.name == "plan.json")
    assert entry["name"] in described.read_text("utf-8")
    name = roomsim.load(folder).scenarios[-1].name
    assert name in walk("compare", folder)
    one = ("--scenario", name, "--format", "png", "--out", out)
    assert walk.lines("maps", folder, "--quantity", "T20", "--band", 125, *one)
    assert walk.lines("export", folder, "--out", out)


def test_search_chooses_by_itself_from_the_kinds_that_say_so(tmp_path):
    from roomsim.planning.candidates import requested_elements

    for kind, entry in EXAMPLES:
        path = written(tmp_path / entry["name"], kind, entry)
        document = tomllib.loads(path.read_text("utf-8"))
        del document["plan"]["candidates"]
        path.write_text(toml_text(document), "utf-8")
        study = read_study(path)
        (element,) = study.elements.all()
        assert requested_elements(study) == ((element,) if element.is_searched else ())
    searched = {kind.table() for kind in KINDS if kind.is_searched}
    assert searched == {"drape", "banner", "ceiling_drape", "baffle_array", "floor_covering"}
