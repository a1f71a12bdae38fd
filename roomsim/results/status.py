"""The state of a run, determined from the files in its folder."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from ..errors import StoreError
from .folder import RESULTS, paths_folders
from .records import Caveat
from .results_file import load_results


@dataclass(frozen=True)
class Status:
    """The state of a run. Fields that describe results are empty if there are none yet."""

    folder: str
    batches_kept: int
    """Traced batches of all sources, over all configurations that were run in this folder."""
    megabytes_kept: float
    has_results: bool
    title: str = ""
    venue: str = ""
    scenarios: tuple[str, ...] = ()
    seats: int = 0
    provenance: dict[str, str] = field(default_factory=dict)
    """As stored with the results: seed, rays, requested and reached precision, versions, digests, date."""
    caveats: tuple[Caveat, ...] = ()


def status_of(folder: str | Path) -> Status:
    """The state of a run: whether it is finished, interrupted or in progress.

    Parameters
    ----------
    folder : of a run

    Raises
    ------
    StoreError : it is not the folder of a run, or its results cannot be read
    """
    folder = Path(folder)
    try:
        batches = [batch for paths in paths_folders(folder) for batch in paths.glob("*.h5")]
    except OSError:
        batches = []
    path = folder / RESULTS
    if not batches and not path.exists():
        raise StoreError(
            "holds nothing that a run has made.", file=folder, cure="Name the folder of a run: STUDY.roomsim."
        )
    size = len(batches), sum(batch.stat().st_size for batch in batches) / 1e6
    if not path.exists():
        return Status(str(folder), *size, has_results=False)
    results = load_results(path)
    return Status(
        str(folder),
        *size,
        has_results=True,
        title=results.title,
        venue=results.venue,
        scenarios=tuple(scenario.name for scenario in results.scenarios),
        seats=len(results.positions),
        provenance=results.provenance,
        caveats=results.caveats,
    )
