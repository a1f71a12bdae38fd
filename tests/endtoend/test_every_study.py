"""Every study under geometry/ and every hall of the zoo through every command, with all pictures.

Few rays, few seats and coarse pictures: nothing here is about figures, everything about getting to them. One test walks
one study through all commands, so that its paths are traced once.
"""

from __future__ import annotations

from pathlib import Path
from typing import get_args

import numpy as np
import pytest
from commands import Walk, make_quick
from zoo.halls import HALLS, write_hall
from zoo.studies import DEMOS, STUDIES, at_low_precision, copy_study

import roomsim
from roomsim.elements.registry import KINDS
from roomsim.metrics.registry import METRICS
from roomsim.venue.loudspeakers import Directivity
from roomsim.venue.reading import read_study
from roomsim.venue.systems import Arrangement

REFUSED = {"depot/study_as_first_drawn.toml"}
"""Studies that are there to be refused."""
WITH_DRAWS = "black_box"
"""The study that also tries other absorption; it costs as much again."""
ELEMENT_KINDS = {kind.table() for kind in KINDS}
ALWAYS_DEFINED = ("speech_transmission_index", "a_weighted_level", "sound_pressure_level", "clarity_c50")


@pytest.fixture(autouse=True)
def _quick(monkeypatch):
    make_quick(monkeypatch)


@pytest.mark.parametrize("name", [name for name in STUDIES if name not in REFUSED])
def test_goes_through_every_command(name, tmp_path, capsys):
    study = at_low_precision(copy_study(name, tmp_path), draws=8 if name == WITH_DRAWS else 0)
    walk = Walk(capsys)
    folder, out = study.with_suffix(".roomsim"), tmp_path / "out"
    walk("check", study, "--quiet")

    files = walk.files("run", study, "--threads", 1)
    assert folder / "results.h5" in files
    assert sum(path.suffix == ".svg" for path in files) > 6
    assert_results(folder)

    scenario = with_other_system(study)
    assert len(walk.files("system", study, "--scenario", scenario, "--out", out, "--format", "png")) >= 3

    planned = walk.files("plan", study, "--sets", 16, "--threads", 1)
    assert {"plan.h5", "plan.json"} <= {path.name for path in planned}
    assert any(path.suffix == ".png" for path in planned)
    walk("plan", folder, "--quiet")

    last = roomsim.load(folder).scenarios[-1].name
    assert last in walk("compare", folder)
    assert "Sabine" in walk("compare", folder, "--statistics")
    one = ("--scenario", last, "--format", "png", "--out", out)
    assert walk.lines("maps", folder, "--quantity", "T20", "--band", 125, *one)
    assert walk.lines("charts", folder, "--format", "png", "--out", out)
    assert walk.lines("export", folder, "--out", out)
    walk("status", folder)


def with_other_system(study: Path) -> str:
    """The scenario that changes most of the sound system."""
    described = read_study(study)
    changes = {element.name for element in described.elements.system_change}
    scenarios = described.document.scenarios_in_order()[1:]
    return max(scenarios, key=lambda scenario: len(changes.intersection(scenario.elements))).name


def assert_results(folder: Path) -> None:
    """Results load; what is always defined is finite, with errors, in every scenario; few rays are lost."""
    results = roomsim.load(folder)
    for name in ALWAYS_DEFINED:
        estimate = results.seats[name]
        assert np.isfinite(estimate.value).all(), name
        assert np.isfinite(estimate.standard_error).all(), name
    for name, metric in METRICS.items():
        if metric.per_band:
            assert results.seats[name].value.shape[-1] == 8
    sti = results.seats["speech_transmission_index"].value
    assert (sti > 0.0).all() and (sti < 1.0).all()
    assert float(results.provenance["lost_energy"]) < 1e-3


@pytest.mark.parametrize("name", sorted(REFUSED))
def test_study_that_is_there_to_be_refused_is(name, tmp_path, capsys):
    assert name in DEMOS
    study = copy_study(name, tmp_path)
    walk = Walk(capsys)
    assert "exit" in walk("check", study, code=1)
    assert walk("run", study, code=3) == ""
    assert not study.with_suffix(".roomsim").exists()


# --- what the zoo is for --------------------------------------------------------------------------------


def test_halls_use_every_kind_of_thing(tmp_path):
    studies = [read_study(write_hall(name, tmp_path / name)) for name in HALLS]
    used: dict[str, set[str]] = {}

    def count(what: str, *kinds: str | None) -> None:
        used.setdefault(what, set()).update(str(kind) for kind in kinds)

    for study in studies:
        count("element", *(kind for kind in ELEMENT_KINDS if getattr(study.elements, kind)))
        count("mesh", Path(study.venue.mesh.file).suffix)
        count("unit", study.venue.mesh.unit)
        count("up", study.venue.mesh.up)
        count("zone", *(zone.kind for zone in study.venue.zone))
        sources = study.sources
        count("role", *(entry.role for entry in sources.all()))
        count("system", *(type(entry).__name__ for entry in sources.all()))
        count("directivity", *(entry.directivity.kind for entry in sources.source))
        count("directivity", *(box.directivity.kind for box in sources.loudspeaker.values()))
        count("arrangement", *(stack.arrangement.kind for stack in sources.sub_stack))
        count("orientation", *(banner.orientation for banner in study.elements.banner))
        count("hangs", *("free" if d.stand_off is None else "on wall" for d in study.elements.drape))
        count("layers", *(str(drape.layers) for drape in study.elements.drape))
        count("noise", type(study.document.noise).__name__)
        count("area", *("group" if area.group else "polygon" for area in study.venue.audience))

    def kinds(union: object) -> set[str]:
        return {get_args(model.model_fields["kind"].annotation)[0] for model in get_args(get_args(union)[0])}

    assert used["element"] == ELEMENT_KINDS
    assert used["mesh"] == {".obj", ".glb", ".gltf", ".stl", ".ply"}
    assert used["unit"] == {"m", "cm", "mm", "ft"}
    assert used["up"] == {"y", "z"}
    assert used["zone"] == {"exit", "escape_route", "plant", "safety_equipment", "other"}
    assert used["role"] == {"main", "fill", "delay", "sub", "noise"}
    assert used["system"] == {"Source", "Hang", "SubStack"}
    assert used["directivity"] == kinds(Directivity)
    assert used["arrangement"] == kinds(Arrangement)
    assert used["orientation"] == {"upright", "level"}
    assert used["hangs"] == {"free", "on wall"}
    assert used["layers"] == {"1", "2"}
    assert used["noise"] == {"str", "tuple"}
    assert used["area"] == {"group", "polygon"}
