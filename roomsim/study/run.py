"""The whole way from a study's files to its results. Read this first."""

from __future__ import annotations

import json
import platform
from collections.abc import Sequence
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

import numpy as np

from ..errors import PhysicalRangeError
from ..metrics.replicated import Replicated
from ..results.folder import default_folder
from ..results.records import InputUncertainty, Results
from ..scene.checks import check_venue, refuse_errors
from ..scene.compile import compile_scene
from ..scene.drawing import plan_drawing
from ..scene.findings import Finding
from ..scene.limits import Limits
from ..scene.scene import Scene
from ..venue.document import Precision, Study
from ..venue.mesh import VenueMesh, read_mesh
from ..venue.reading import read_study
from .caveats import bent_decays, broken_assumptions, few_late_paths, long_decays, missing_times, run_caveats
from .compare import compare
from .costs import scenario_records
from .engine import N_REPLICATES, RAYS_PER_BATCH, Engine, Precise
from .progress import NoProgress, Progress
from .statistical import room_figures, statistical_times
from .store import StudyStore
from .uncertainty import STI, absorption_draws, input_uncertainty


def run_study(
    study_path: str | Path,
    folder: str | Path | None = None,
    *,
    sti_error: float | None = None,
    threads: int | None = None,
    fresh: bool = False,
    progress: Progress | None = None,
) -> Results:
    """Compute a study; what was traced before is used again.

    Parameters
    ----------
    study_path : study file
    folder : where everything goes; `<study>.roomsim` beside the study unless said
    sti_error : standard error of the speech transmission index wanted, in place of the study's own
    threads : all cores unless said; results do not depend on it
    fresh : trace again, even what is kept from an earlier run
    progress : told how far the run is

    Raises
    ------
    DocumentError, MeshError, MaterialError, PhysicalRangeError, SceneError : the input is wrong
    StoreError : the folder is in use or cannot be written
    """
    progress = progress or NoProgress()
    study = with_sti_error(read_study(study_path), sti_error)
    mesh = read_mesh(study.venue.mesh, study.venue_folder)
    findings = refuse_errors(study, check_venue(study, mesh))
    scene = compile_scene(study, mesh)
    with StudyStore(Path(folder or default_folder(study_path)), progress.message) as store:
        if fresh:
            store.forget_paths()
        store.keep_inputs(study.folder, study.digests)
        document = study.document
        engine = Engine(scene, document.seed, document.image_order, store, threads, progress)
        reached = engine.run_to(document.precision)
        figures = engine.evaluate()
        uncertainty = uncertainty_of(study, mesh, engine, figures)
        results = assemble(study, mesh, scene, figures, reached, findings, uncertainty)
        store.write_results(results)
    return results


def with_sti_error(study: Study, sti_error: float | None) -> Study:
    """The study with another precision asked for.

    Raises
    ------
    PhysicalRangeError : no precision that can be reached
    """
    if sti_error is None:
        return study
    try:
        precision = Precision.model_validate({**study.document.precision.model_dump(), "sti": sti_error})
    except ValueError:
        raise PhysicalRangeError(
            f"sti_error = {sti_error:g} is no precision to compute to", cure="Give 0.000001 to 1; 0.01 is usual."
        ) from None
    return study.model_copy(update={"document": study.document.model_copy(update={"precision": precision})})


def uncertainty_of(
    study: Study, mesh: VenueMesh, engine: Engine, figures: dict[str, Replicated]
) -> InputUncertainty | None:
    """What the figures owe to absorption not being known better; None where no draws are asked for."""
    n_draws = study.document.uncertainty.draws
    if not n_draws:
        return None
    draws = absorption_draws(study, mesh, engine.scene)
    document = study.document
    limits = Limits(study)
    within_limits = [not limits.broken(scenario.elements) for scenario in document.scenarios_in_order()]
    return input_uncertainty(
        engine, draws, n_draws, figures[STI], engine.scene.compare_with, document.targets.sti, within_limits
    )


def assemble(
    study: Study,
    mesh: VenueMesh,
    scene: Scene,
    figures: dict[str, Replicated],
    reached: Precise,
    findings: Sequence[Finding],
    uncertainty: InputUncertainty | None = None,
) -> Results:
    """All that reports need, from what was computed."""
    document = study.document
    targets = document.targets
    compared = compare(figures, scene.compare_with, targets.sti)
    statistical = statistical_times(scene)
    traced = compared.room["reverberation_time_t20"].value
    best = np.where(np.isfinite(traced), traced, statistical["eyring"])
    return Results(
        title=document.title,
        venue=study.venue.name,
        scenarios=scenario_records(study),
        positions=scene.receivers.position,
        area=scene.receivers.area.astype(np.int64),
        area_names=scene.receivers.area_names,
        cells=scene.receivers.cell,
        seats=compared.seats,
        gains=compared.gains,
        room=compared.room,
        room_gains=compared.room_gains,
        statistical=statistical,
        diffuse_room=room_figures(scene, best),
        caveats=(
            *run_caveats(document.precision, reached, findings),
            *broken_assumptions(scene, best),
            *long_decays(scene, traced, statistical),
            *bent_decays(scene.scenarios, compared.room),
            *few_late_paths(scene.scenarios, compared.seats),
            *missing_times(scene.scenarios, figures),
        ),
        plan=plan_drawing(study, mesh, scene.receivers),
        sti_target=targets.sti,
        share_target=targets.share_of_seats,
        currency=document.costs.currency,
        provenance=provenance(study, reached),
        input_uncertainty=uncertainty,
    )


def provenance(study: Study, reached: Precise) -> dict[str, str]:
    """What it takes to repeat a run, and to know what it was worth."""
    document = study.document
    return {
        "roomsim": version("roomsim"),
        "python": platform.python_version(),
        **{name: version(name) for name in ("numpy", "numba", "scipy", "h5py")},
        "machine": f"{platform.system()} {platform.machine()}",
        "finished": datetime.now(UTC).isoformat(timespec="seconds"),
        "inputs_sha256": json.dumps(study.digests, sort_keys=True),
        "seed": str(document.seed),
        "image_order": str(document.image_order),
        "rays": str(reached.n_rays),
        "rays_per_batch": str(RAYS_PER_BATCH),
        "replicates": str(N_REPLICATES),
        "rounds": str(reached.n_rounds),
        "sti_error_wanted": f"{document.precision.sti:g}",
        "sti_error_reached": f"{reached.standard_error:.5f}",
        "precision_met": "yes" if reached.is_met else "no",
        "lost_energy": f"{reached.lost_energy:.3g}",
    }
