"""From the files of a study to its results, in one function: the place to start reading."""

from __future__ import annotations

import json
import platform
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

import numpy as np

from .. import __version__
from ..errors import PhysicalRangeError
from ..results.folder import default_folder
from ..results.records import Results
from ..results.results_file import write_results
from ..scene.checks import check_venue, refuse_errors
from ..scene.compile import compile_scene
from ..scene.drawing import plan_drawing
from ..scene.findings import Finding
from ..venue.document import Precision, Study
from ..venue.reading import read_study
from .caveats import bent_decays, broken_assumptions, few_late_paths, long_decays, missing_times, run_caveats
from .compare import STI, compare
from .convergence import Convergence, converge
from .costs import scenario_records
from .evaluator import Evaluator
from .progress import Progress, Step
from .statistical import room_figures, statistical_times
from .store import StudyStore
from .traced_paths import N_REPLICATES, RAYS_PER_BATCH, prepare_tracing
from .uncertainty import absorption_draws, input_uncertainty


def run(
    study_path: str | Path,
    folder: str | Path | None = None,
    *,
    sti_error: float | None = None,
    threads: int | None = None,
    fresh: bool = False,
    progress: Callable[[Step], None] | None = None,
) -> Results:
    """Compute a study. Paths traced by an earlier run into the same folder are used again.

    Parameters
    ----------
    study_path : study file
    folder : for paths and results; by default `<study>.roomsim` beside the study
    sti_error : standard error requested for the speech transmission index, in place of the study's own
    threads : by default one for each core; results do not depend on it
    fresh : trace all paths again, including those stored by an earlier run
    progress : called with each step; an exception that it raises ends the run, and the paths traced so far are stored

    Raises
    ------
    DocumentError, MeshError, MaterialError, PhysicalRangeError, SceneError : the input is wrong
    CapacityError : memory or disk space is not sufficient
    StoreError : the folder is in use or cannot be written
    """
    reports = Progress(progress)
    study = with_sti_error(read_study(study_path), sti_error)
    findings = refuse_errors(study, check_venue(study))
    scene = compile_scene(study)
    with StudyStore(Path(folder or default_folder(study_path)), reports.message) as store:
        if fresh:
            store.forget_paths()
        store.keep_inputs(study.folder, study.digests)
        document = study.document
        setup = prepare_tracing(scene, document.seed, document.image_order, store, threads)
        evaluator, convergence = converge(setup, document.precision, reports)
        results = results_of(study, evaluator, convergence, findings)
        write_results(store.results_path, results)
    return results


def with_sti_error(study: Study, sti_error: float | None) -> Study:
    """The study with another precision requested.

    Raises
    ------
    PhysicalRangeError : a precision outside the permitted range
    """
    if sti_error is None:
        return study
    try:
        precision = Precision.model_validate({**study.document.precision.model_dump(), "sti": sti_error})
    except ValueError:
        raise PhysicalRangeError(
            f"sti_error = {sti_error:g} is outside the permitted range",
            cure="Give a value from 0.000001 to 1; 0.01 is usual.",
        ) from None
    return study.model_copy(update={"document": study.document.model_copy(update={"precision": precision})})


def results_of(
    study: Study, evaluator: Evaluator, convergence: Convergence, findings: Sequence[Finding]
) -> Results:
    """The results of a study from its traced paths, which hold all that reports need.

    Parameters
    ----------
    findings : of the check
    """
    document, targets, scene = study.document, study.document.targets, evaluator.scene
    scenarios, figures = scenario_records(study), evaluator.evaluate()
    uncertainty = None
    if document.uncertainty.draws:
        draws, within_limits = absorption_draws(study, scene), [not record.limits_broken for record in scenarios]
        uncertainty = input_uncertainty(
            evaluator, draws, document.uncertainty.draws, figures[STI], targets.sti, within_limits
        )
    compared = compare(figures, scene.compare_with, targets.sti)
    statistical = statistical_times(scene)
    traced = compared.room["reverberation_time_t20"].value
    best = np.where(np.isfinite(traced), traced, statistical["eyring"])
    return Results(
        title=document.title,
        venue=study.venue.name,
        scenarios=scenarios,
        positions=scene.receivers.position,
        area=scene.receivers.area.astype(np.int64),
        area_names=scene.receivers.area_names,
        cells=scene.receivers.cell,
        **vars(compared),
        statistical=statistical,
        diffuse_room=room_figures(scene, best),
        caveats=(
            *run_caveats(document.precision, convergence, findings),
            *broken_assumptions(scene, best),
            *long_decays(scene, traced, statistical),
            *bent_decays(scene.scenarios, compared.room, evaluator.two_slopes),
            *few_late_paths(scene.scenarios, compared.seats),
            *missing_times(scene.scenarios, figures),
        ),
        plan=plan_drawing(study, scene.receivers),
        sti_target=targets.sti,
        share_target=targets.share_of_seats,
        currency=document.costs.currency,
        provenance=provenance(study, convergence),
        input_uncertainty=uncertainty,
    )


def provenance(study: Study, convergence: Convergence) -> dict[str, str]:
    """What is needed to repeat a run and to judge its precision."""
    document, paths = study.document, convergence.paths
    return {
        "roomsim": __version__,
        "python": platform.python_version(),
        **{name: version(name) for name in ("numpy", "numba", "scipy", "h5py")},
        "machine": f"{platform.system()} {platform.machine()}",
        "finished": datetime.now(UTC).isoformat(timespec="seconds"),
        "inputs_sha256": json.dumps(study.digests, sort_keys=True),
        "seed": str(document.seed),
        "image_order": str(document.image_order),
        "rays": str(paths.n_rays),
        "rays_per_batch": str(RAYS_PER_BATCH),
        "replicates": str(N_REPLICATES),
        "rounds": str(paths.n_rounds),
        "sti_error_wanted": f"{document.precision.sti:g}",
        "sti_error_reached": f"{convergence.errors[STI][0]:.5f}",
        "precision_met": "no" if convergence.missed else "yes",
        "lost_energy": f"{paths.share_lost:.3g}",
    }
