"""Pictures of a finished study, written into a folder."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from ..results.records import Results
from ..results.results_file import load_results
from .figures import chart_pictures
from .pages import map_pictures
from .pictures import write_pictures
from .quantities import find_band, find_scenarios


def maps(
    results: Results | str | Path,
    folder: str | Path,
    *,
    quantities: Sequence[str] = ("STI",),
    band: float | None = None,
    scenarios: Sequence[str] | None = None,
    formats: Sequence[str] = ("png", "svg"),
) -> list[Path]:
    """Draw plans of the audience: sheets with all scenarios side by side, and a page for each scenario.

    Parameters
    ----------
    results : a finished study, the folder of its run, or the results.h5 in it
    folder : created if it is missing
    quantities : symbols or names, as `roomsim quantities` lists them
    band : nominal mid-band frequency of quantities per octave band, Hz; the mean of 500 Hz and 1 kHz by default
    scenarios : names; all by default
    formats : "png", "svg", "pdf"

    Returns
    -------
    Paths of the files written

    Raises
    ------
    RoomsimError : unknown quantity, band or scenario
    StoreError : there are no results at that path, or the folder cannot be written
    """
    finished = load_results(results)
    pictures = map_pictures(
        finished,
        metrics=quantities,
        band=None if band is None else find_band(band),
        scenarios=None if scenarios is None else find_scenarios(finished, scenarios),
    )
    return write_pictures(finished, pictures, Path(folder), formats)


def charts(
    results: Results | str | Path, folder: str | Path, *, formats: Sequence[str] = ("png", "svg")
) -> list[Path]:
    """Draw reverberation per band, intelligibility with cost, gain against cost, and the distribution over seats.

    Parameters
    ----------
    results : a finished study, the folder of its run, or the results.h5 in it
    folder : created if it is missing
    formats : "png", "svg", "pdf"

    Raises
    ------
    StoreError : there are no results at that path, or the folder cannot be written
    """
    finished = load_results(results)
    return write_pictures(finished, chart_pictures(finished), Path(folder), formats)
