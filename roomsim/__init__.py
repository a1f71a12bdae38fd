"""Room acoustics for temporary venues: many treatment scenarios from one trace, each figure with its error.

Notebooks and scripts can do everything that the command line does:

    import roomsim
    results = roomsim.run("hall/study.toml")
    print(roomsim.compare(results))
    roomsim.maps(results, "pictures")

`help(roomsim.run)` explains a function. All of them raise `roomsim.errors.RoomsimError` where the input is wrong,
with the file, the place in it, what is wrong and what to do.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .cli.starting import new_study
    from .planning.plan_file import load_plan
    from .planning.run import plan
    from .report.export import export_results as export
    from .report.figures import charts
    from .report.pages import maps
    from .report.planning_export import export_plan
    from .report.planning_figures import write_plan_figures as plan_charts
    from .report.planning_tables import plan_tables
    from .report.system_figures import write_system_figures as system_pictures
    from .report.tables import comparison_table as compare
    from .report.tables import reverberation_table as statistics
    from .results.results_file import load_results as load
    from .results.status import status_of as status
    from .scene.fabric_as_hung import drape
    from .scene.study_check import check
    from .sound_system.system_report import system_report
    from .study.measured import measured
    from .study.run import run
    from .venue.reading import materials
    from .venue.reading import schema_for as schema

__version__ = "0.1.0"

_FUNCTIONS = {
    "new_study": "cli.starting.new_study",
    "check": "scene.study_check.check",
    "run": "study.run.run",
    "measured": "study.measured.measured",
    "load": "results.results_file.load_results",
    "status": "results.status.status_of",
    "compare": "report.tables.comparison_table",
    "statistics": "report.tables.reverberation_table",
    "export": "report.export.export_results",
    "maps": "report.pages.maps",
    "charts": "report.figures.charts",
    "plan": "planning.run.plan",
    "load_plan": "planning.plan_file.load_plan",
    "plan_tables": "report.planning_tables.plan_tables",
    "plan_charts": "report.planning_figures.write_plan_figures",
    "export_plan": "report.planning_export.export_plan",
    "materials": "venue.reading.materials",
    "drape": "scene.fabric_as_hung.drape",
    "system_report": "sound_system.system_report.system_report",
    "system_pictures": "report.system_figures.write_system_figures",
    "schema": "venue.reading.schema_for",
}
"""Where each function is defined. It is imported when it is first used, so that importing this package stays quick."""

__all__ = ["__version__", *_FUNCTIONS]


def __getattr__(name: str) -> Any:
    if name not in _FUNCTIONS:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    module, _, function = _FUNCTIONS[name].rpartition(".")
    globals()[name] = member = getattr(import_module(f".{module}", __name__), function)
    return member


def __dir__() -> list[str]:
    return sorted({*globals(), *_FUNCTIONS})
