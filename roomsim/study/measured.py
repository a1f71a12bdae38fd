"""Computed values compared with those measured in a room."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ..bands import NOMINAL
from ..errors import DocumentError, suggestion
from ..estimate import jackknife
from ..metrics.registry import METRICS, Metric
from ..metrics.replicated import Replicated
from ..scene.checks import check_venue, refuse_errors
from ..scene.compile import compile_scene
from ..scene.findings import Finding
from ..scene.scene import Scene
from ..venue.measured_room import EVERYWHERE, MeasuredRoom, Measurement, read_measured_room
from .convergence import converge
from .progress import Progress, Step
from .run import with_sti_error
from .traced_paths import prepare_tracing

COMPARABLE = {
    metric.symbol: metric
    for metric in METRICS.values()
    if metric.per_band and metric.just_noticeable_difference is not None and metric.name != "sound_pressure_level"
}
"""Symbol -> quantity for which measured and computed values can be compared: those of ISO 3382-1 with a just noticeable
difference."""


@dataclass(frozen=True)
class ComparedValue:
    """One measured value and the computed one."""

    source: str
    receiver: str
    quantity: str
    """Name in the registry."""
    band: int
    measured: float
    computed: float
    """NaN where it cannot be evaluated."""
    standard_error: float
    """Of the computed value: Monte Carlo error."""
    noticeable: float
    """One just noticeable difference, in the quantity's unit."""

    @property
    def difference(self) -> float:
        """Computed less measured, in just noticeable differences."""
        return (self.computed - self.measured) / self.noticeable


@dataclass(frozen=True)
class MeasuredComparison:
    """A measured room with the values computed for it."""

    name: str
    origin: str
    rows: tuple[ComparedValue, ...]
    """In the order of the table of measurements."""
    n_rays: int
    precision_met: bool
    findings: tuple[Finding, ...]
    """Warnings of the check."""


def measured(
    folder: str | Path,
    *,
    surface_folder: str | None = None,
    sti_error: float | None = None,
    threads: int | None = None,
    progress: Callable[[Step], None] | None = None,
) -> MeasuredComparison:
    """Compute a measured room and compare every measured value with the computed one.

    Parameters
    ----------
    folder : of the room: room.toml, mesh, surface tables, measurements (docs/measured_rooms.md)
    surface_folder : in place of the one named in room.toml
    sti_error : requested standard error of the speech transmission index, in place of the one in room.toml
    threads : by default one for each core
    progress : called with each step

    Raises
    ------
    DocumentError, MeshError, SceneError : the folder cannot be used
    """
    room = read_measured_room(folder, surface_folder)
    metrics = {measurement.quantity: _metric(room, measurement) for measurement in room.measurements}
    study = with_sti_error(room.study, sti_error)
    findings = refuse_errors(study, check_venue(study))
    scene = _one_source_each(compile_scene(study), room.sources)
    setup = prepare_tracing(scene, study.document.seed, study.document.image_order, threads=threads)
    evaluator, convergence = converge(setup, study.document.precision, Progress(progress))
    figures = evaluator.evaluate(sorted({metric.name for metric in metrics.values()}))
    rows = tuple(_compared(room, entry, metrics[entry.quantity], figures) for entry in room.measurements)
    warnings = tuple(finding for finding in findings if finding.severity == "warning")
    return MeasuredComparison(
        room.document.name, room.document.origin, rows, evaluator.paths.n_rays, not convergence.missed, warnings
    )


def _one_source_each(scene: Scene, sources: Sequence[str]) -> Scene:
    """Scenario i has source i only."""
    active = np.array([[float(name == only) for only in sources] for name in scene.sources.names])
    return replace(scene, sources=replace(scene.sources, active=active))


def _metric(room: MeasuredRoom, measurement: Measurement) -> Metric:
    metric = COMPARABLE.get(measurement.quantity)
    if metric is None:
        raise DocumentError(
            f'"{measurement.quantity}" is not a quantity that can be compared',
            file=f"{room.document.measured}:{measurement.line}",
            cure=suggestion(measurement.quantity, COMPARABLE),
        )
    return metric


def _compared(
    room: MeasuredRoom, measurement: Measurement, metric: Metric, figures: dict[str, Replicated]
) -> ComparedValue:
    # The mean over receivers and sources, with the error of the mean.
    receivers, sources = (
        list(range(len(names))) if name == EVERYWHERE else [names.index(name)]
        for name, names in ((measurement.receiver, room.receivers), (measurement.source, room.sources))
    )
    full, left_out = figures[metric.name].full[..., measurement.band], figures[metric.name].left_out
    mean = full[np.ix_(receivers, sources)].mean()
    means = left_out[..., measurement.band][:, receivers][:, :, sources].mean(axis=(1, 2))
    estimate = jackknife(np.array([[mean]]), means[:, None, None].astype(float))
    noticeable = metric.just_noticeable_difference
    assert noticeable is not None  # `COMPARABLE` contains no others
    if metric.is_relative:
        noticeable *= abs(measurement.value)
    if not noticeable > 0.0:
        raise DocumentError(
            f"{metric.symbol} = {measurement.value:g} at {NOMINAL[measurement.band]:g} Hz cannot have been measured",
            file=f"{room.document.measured}:{measurement.line}",
            cure="Delete the line if nothing was measured.",
        )
    return ComparedValue(
        source=measurement.source,
        receiver=measurement.receiver,
        quantity=metric.name,
        band=measurement.band,
        measured=measurement.value,
        computed=estimate.value.item(),
        standard_error=estimate.standard_error.item(),
        noticeable=noticeable,
    )
