"""Room acoustics for venues of a day: one trace, many treatment scenarios, every figure with its error bar.

What the command line does, for notebooks and scripts:

    import roomsim
    results = roomsim.run("hall/study.toml")
    print(roomsim.compare(results))
    roomsim.maps(results, "pictures")

Every function raises `roomsim.errors.RoomsimError` with file, place, fault and cure where the input is wrong.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

# Importing this package must stay quick: what computes or draws is imported where it is used.
if TYPE_CHECKING:
    from .elements.finishes import Cloth
    from .planning.results import PlanResults
    from .report.planning_tables import PlanTables
    from .report.tables import ComparisonTable, ReverberationTable
    from .results.records import Results
    from .results.status import Status
    from .scene.findings import Finding
    from .study.measured import MeasuredComparison
    from .study.progress import Step
    from .study.system import SystemReport
    from .venue.document import MaterialsDocument

__version__ = "0.1.0"

FilePath = str | Path


def new_study(folder: FilePath) -> Path:
    """Write a small study with comments into a new folder, to be changed; return the path of its study file.

    Raises
    ------
    StoreError : the folder is not empty or cannot be written
    """
    from .cli.starting import write_starter

    return write_starter(Path(folder))


def check(study: FilePath) -> list[Finding]:
    """What is wrong with a study, or worth knowing, before anything is computed.

    Parameters
    ----------
    study : path of the study file; or of a venue file, which is then checked by itself

    Raises
    ------
    DocumentError, MeshError, SceneError : a file cannot be read at all, or names what is not there
    """
    from .scene.alone import check_venue_file, is_venue_file
    from .scene.checks import check_venue
    from .venue.mesh import read_mesh
    from .venue.reading import read_study

    if is_venue_file(Path(study)):
        return check_venue_file(Path(study))
    described = read_study(study)
    return check_venue(described, read_mesh(described.venue.mesh, described.venue_folder))


def run(
    study: FilePath,
    folder: FilePath | None = None,
    *,
    sti_error: float | None = None,
    threads: int | None = None,
    fresh: bool = False,
    progress: Callable[[Step], None] | None = None,
) -> Results:
    """Compute a study. What was traced by an earlier run into the same folder is used again.

    Parameters
    ----------
    study : path of the study file
    folder : where paths and results go; `<study>.roomsim` beside the study unless given
    sti_error : standard error of the speech transmission index wanted, in place of the study's own
    threads : all cores unless given; results do not depend on it
    fresh : trace again, even what is kept from an earlier run
    progress : called with each step; an exception that it raises ends the run, and what is traced is kept

    Raises
    ------
    DocumentError, MeshError, MaterialError, PhysicalRangeError, SceneError : the input is wrong
    StoreError : the folder is in use or cannot be written
    """
    from .study.progress import CallbackProgress
    from .study.run import run_study

    told = None if progress is None else CallbackProgress(progress)
    return run_study(study, folder, sti_error=sti_error, threads=threads, fresh=fresh, progress=told)


def measured(
    folder: FilePath,
    *,
    surface_folder: str | None = None,
    sti_error: float | None = None,
    threads: int | None = None,
    progress: Callable[[Step], None] | None = None,
) -> MeasuredComparison:
    """Compute a measured room and set every measured value beside the computed one.

    Parameters
    ----------
    folder : of the room: room.toml, mesh, surface tables, measurements (docs/measured_rooms.md)
    surface_folder : in place of the one that room.toml names
    sti_error : standard error of the speech transmission index wanted, in place of the room's own
    threads : all cores unless given
    progress : called with each step

    Raises
    ------
    DocumentError, MeshError, SceneError : the folder cannot be used
    """
    from .study.measured import compare_with_measured
    from .study.progress import CallbackProgress

    told = None if progress is None else CallbackProgress(progress)
    return compare_with_measured(folder, surface_folder, sti_error=sti_error, threads=threads, progress=told)


def load(results: FilePath) -> Results:
    """A finished study.

    Parameters
    ----------
    results : folder of a run, or the results.h5 in it

    Raises
    ------
    StoreError : there is none, or it is not readable
    """
    from .results.results_file import load_results

    path = Path(results)
    if path.suffix == ".toml":
        from .errors import StoreError
        from .results.folder import default_folder

        finished = default_folder(path)
        there = (finished / "results.h5").is_file()
        cure = f"Name {finished}." if there else f"First `roomsim run {path}`, then name {finished}."
        raise StoreError("describes a study; its results lie in the folder of a run", file=path, cure=cure)
    return load_results(path / "results.h5" if path.is_dir() else path)


def status(folder: FilePath) -> Status:
    """What the folder of a run holds, whether it is finished, interrupted or going on.

    Raises
    ------
    StoreError : it is no such folder, or its results cannot be read
    """
    from .results.status import status_of

    return status_of(Path(folder))


def compare(results: Results | FilePath) -> ComparisonTable:
    """All scenarios beside each other: print it, or take its `rows`.

    Gains are against the scenario that each is compared with. They come from the same rays, and are known far
    better than the values.

    Raises
    ------
    StoreError : there are no results where they should lie
    """
    from .report.tables import comparison_table

    return comparison_table(_finished(results))


def statistics(results: Results | FilePath) -> ReverberationTable:
    """What statistical formulas say of the room, beside the traced times: print it, or take its `rows`.

    Raises
    ------
    StoreError : there are no results where they should lie
    """
    from .report.tables import reverberation_table

    return reverberation_table(_finished(results))


def export(results: Results | FilePath, folder: FilePath) -> list[Path]:
    """Write all figures as CSV and JSON files; return their paths.

    Raises
    ------
    StoreError : the folder cannot be written
    """
    from .report.export import export_results

    return export_results(_finished(results), Path(folder))


def maps(
    results: Results | FilePath,
    folder: FilePath,
    *,
    quantities: Sequence[str] = ("STI",),
    band: float | None = None,
    scenarios: Sequence[str] | None = None,
    formats: Sequence[str] = ("png", "svg"),
) -> list[Path]:
    """Draw plans of the audience: sheets with all scenarios side by side, and a page for each.

    Parameters
    ----------
    results : a finished study, or where it lies
    folder : made if it is missing
    quantities : symbols or names, as `roomsim quantities` lists them
    band : nominal mid-band frequency of quantities per octave band, Hz; mean of 500 Hz and 1 kHz unless given
    scenarios : names; all unless given
    formats : "png", "svg", "pdf"

    Returns
    -------
    Paths of what was written

    Raises
    ------
    RoomsimError : unknown quantity, band or scenario
    StoreError : the folder cannot be written
    """
    from .report.pages import map_pictures
    from .report.pictures import write_pictures
    from .report.quantities import find_band, find_scenarios

    known = _finished(results)
    pictures = map_pictures(
        known,
        metrics=quantities,
        band=None if band is None else find_band(band),
        scenarios=None if scenarios is None else find_scenarios(known, scenarios),
    )
    return write_pictures(known, pictures, Path(folder), formats)


def charts(
    results: Results | FilePath, folder: FilePath, *, formats: Sequence[str] = ("png", "svg")
) -> list[Path]:
    """Draw reverberation per band, intelligibility with cost, gain against cost, and the seats' distribution.

    Raises
    ------
    StoreError : the folder cannot be written
    """
    from .report.figures import chart_pictures
    from .report.pictures import write_pictures

    known = _finished(results)
    return write_pictures(known, chart_pictures(known), Path(folder), formats)


def plan(
    study: FilePath,
    folder: FilePath | None = None,
    *,
    sti_error: float | None = None,
    most_sets: int | None = None,
    threads: int | None = None,
    progress: Callable[[Step], None] | None = None,
) -> PlanResults:
    """Find the set of elements that serves a study's goals best within its limits.

    The study's table [plan] says what may be chosen, what goes with what, and what counts first. Paths that
    were traced by an earlier search into the same folder are used again.

    Parameters
    ----------
    study : path of the study file
    folder : where paths and the answer go; `<study>.roomsim` beside the study unless given
    sti_error : standard error of the speech transmission index wanted, in place of the study's own
    most_sets : sets of elements that are worked out at most, in place of the study's own number
    threads : all cores unless given; results do not depend on it
    progress : called with each step; an exception that it raises ends the search, and what is traced is kept

    Raises
    ------
    DocumentError, MeshError, MaterialError, PhysicalRangeError, SceneError : the input is wrong
    StoreError : the folder is in use or cannot be written
    """
    from .planning.run import plan_treatment
    from .study.progress import CallbackProgress

    told = None if progress is None else CallbackProgress(progress)
    return plan_treatment(
        study, folder, sti_error=sti_error, most_sets=most_sets, threads=threads, progress=told
    )


def load_plan(results: FilePath) -> PlanResults:
    """The answer of a search.

    Parameters
    ----------
    results : folder of a run, or the plan.h5 in it

    Raises
    ------
    StoreError : there is none, or it is not readable
    """
    from .planning.plan_file import load_plan as load

    return load(Path(results))


def plan_tables(results: PlanResults | FilePath) -> PlanTables:
    """The answer of a search for people: print it, or take its `sheets`.

    Raises
    ------
    StoreError : there is no plan where it should lie
    """
    from .report.planning_tables import plan_tables as tables_of

    return tables_of(_planned(results))


def plan_charts(
    results: PlanResults | FilePath, folder: FilePath, *, formats: Sequence[str] = ("png", "svg")
) -> list[Path]:
    """Draw gain against cost, what each element is worth, and where late sound comes from; return the paths.

    Raises
    ------
    StoreError : there is no plan where it should lie, or the folder cannot be written
    """
    from .report.planning_figures import write_plan_figures

    return write_plan_figures(_planned(results), Path(folder), formats)


def export_plan(results: PlanResults | FilePath, folder: FilePath) -> list[Path]:
    """Write the answer of a search as JSON, every set worked out as CSV, and the tables as text.

    Raises
    ------
    StoreError : there is no plan where it should lie, or the folder cannot be written
    """
    from .report.planning_export import export_plan as export_to

    return export_to(_planned(results), Path(folder))


def materials(study: FilePath | None = None) -> MaterialsDocument:
    """Built-in materials and fabrics, with those of a study's own file added.

    Raises
    ------
    DocumentError : the study cannot be read
    """
    from .venue.materials import built_in_materials
    from .venue.reading import read_study

    return built_in_materials() if study is None else read_study(study).materials


def drape(
    fabric: str,
    *,
    fullness: float = 1.0,
    stand_off: float | None = None,
    layers: int = 1,
    study: FilePath | None = None,
) -> Cloth:
    """What a fabric does as it hangs, per octave band, exactly as a run takes it.

    Parameters
    ----------
    fabric : name of a built-in fabric, or of one of the study's own
    fullness : width of cloth over width hung
    stand_off : m to the wall behind; None for cloth that hangs free in the room
    layers : 1 or 2
    study : path of a study whose own fabrics and air count

    Returns
    -------
    Cloth : absorption before a rigid wall (None if free), reflection, transmission, scattering, (8,) each, and the
        relative standard uncertainty of the absorption

    Raises
    ------
    MaterialError : unknown fabric
    PhysicalRangeError : a value that no cloth can have
    """
    from pydantic import ValidationError

    from .elements.drape import Drape
    from .errors import PhysicalRangeError
    from .physics.air import Air
    from .venue.materials import built_in_materials, find_fabric
    from .venue.reading import read_study

    described = None if study is None else read_study(study)
    known = built_in_materials() if described is None else described.materials
    # A drape of any place and size: only how it hangs counts here.
    sample: dict[str, Any] = {"name": "sample", "runs": (((0.0, 0.0), (1.0, 0.0)),), "top": 2.0, "drop": 1.0}
    how = {"fabric": fabric, "fullness": fullness, "stand_off": stand_off, "layers": layers}
    try:
        hung = Drape.model_validate({**sample, **how})
    except ValidationError as fault:
        first = fault.errors()[0]
        raise PhysicalRangeError(f"{first['loc'][0]} = {first['input']!r}: {first['msg']}.") from fault
    air = Air() if described is None else Air(**described.venue.air.model_dump())
    return hung.cloth(find_fabric(known, fabric), air)


def system_report(
    study: FilePath,
    scenario: str | None = None,
    *,
    aim: bool = False,
    spread: float = 6.0,
    splays: Sequence[float] = (0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 7.0, 10.0),
    offset: float = 0.010,
) -> SystemReport:
    """What the sound system of a study does: what goes where, delays, levels, bass, headroom, loads.

    Sound is followed to its first surface only; the room is an estimate here.

    Parameters
    ----------
    study : path of the study file
    scenario : whose sources and elements; the first listed unless given
    aim : find better angles for the hangs that play, some ten seconds each
    spread : dB that nine in ten seats shall stay within from 500 Hz to 4 kHz, for aiming
    splays : degrees, angles between boxes that the rigging has
    offset : s, by which fills and delays follow the mains

    Raises
    ------
    DocumentError, MeshError, MaterialError, SceneError, PhysicalRangeError : the input is wrong
    """
    from .study.system import system_report as report_of

    return report_of(study, scenario, aim_hangs=aim, spread=spread, splays=splays, offset=offset)


def system_pictures(
    report: SystemReport, folder: FilePath, *, formats: Sequence[str] = ("png", "svg")
) -> list[Path]:
    """Draw a system: what goes where, side views, level maps, order of arrivals, directivity.

    Raises
    ------
    StoreError : the folder cannot be written
    """
    from .report.system_figures import write_system_figures

    return write_system_figures(report, Path(folder), formats)


def schema(kind: str) -> dict[str, Any]:
    """JSON Schema of a description file: "study", "venue", "elements", "sources" or "materials".

    Raises
    ------
    DocumentError : no such kind
    """
    from .venue.reading import schema_for

    return schema_for(kind)  # type: ignore[arg-type]


def _planned(results: PlanResults | FilePath) -> PlanResults:
    return load_plan(results) if isinstance(results, str | Path) else results


def _finished(results: Results | FilePath) -> Results:
    return load(results) if isinstance(results, str | Path) else results
