"""The halls of the zoo compared with a ray tracer that shares no code with the package.

A hall is compared in two scenarios at six seats in all bands, with simple sources in place of its sound system. Both
start from the scene that the package has compiled (surfaces with their factors, seats); everything after that is
computed twice.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
from reference import slow_tracer as slow
from venues import toml_text

from roomsim.metrics import registry
from roomsim.metrics.common_seats import TIMES
from roomsim.metrics.registry import METRICS, Metric, MetricInput
from roomsim.scene.compile import compile_scene
from roomsim.scene.scene import ReceiverArrays, Scene
from roomsim.study import traced_paths
from roomsim.study.evaluator import Evaluator
from roomsim.study.pooled_errors import with_pooled_errors
from roomsim.study.traced_paths import prepare_tracing
from roomsim.venue.reading import read_study

from .halls import write_hall

TALKER = [62.0, 66.0, 66.0, 62.0, 58.0, 54.0, 50.0, 46.0]
"""dB at 1 m: a raised voice, louder than the noise of all halls at most seats."""
WIDE = [360.0, 300.0, 240.0, 180.0, 150.0, 120.0, 100.0, 90.0]
"""Coverage angle in each band, degrees."""


@dataclass(frozen=True)
class Compared:
    """How a hall is compared."""

    scenarios: tuple[str, ...]
    """Those with treatment; the bare hall is added in front."""
    sources: tuple[dict[str, Any], ...]
    seats: tuple[int, ...]
    """Numbers of the six seats. None is within 1 m of a wall or an edge that cuts its sphere in two, or within 3 m of a
    source: over the sphere of a seat 2.4 m away the early decay time varies by 7 %, and its mean is 4 % above the
    value in the middle."""
    duration: float
    """s, for which the slow tracer follows its rays: a fall of 70 dB or more."""
    rays_per_batch: int = 4096
    """Of the package in the long comparison: as in a first round, except where so few late paths reach the seats
    through an opening that hardly any reverberation time could be compared."""


def _source(name: str, position: tuple[float, float, float], **more: Any) -> dict[str, Any]:
    return {"name": name, "position": list(position), "level": TALKER, **more}


def _wide(name: str, position: tuple[float, float, float], azimuth: float, **more: Any) -> dict[str, Any]:
    pattern = {"kind": "cosine_power", "coverage": WIDE, "rear_level": -20.0}
    return _source(name, position, aim=[azimuth, -5.0], directivity=pattern, **more)


COMPARED = {
    "black_box": Compared(("quartet",), (_source("talker", (3.3, 6.1, 2.1)),), (0, 5, 10, 15, 20, 26), 6.0),
    "riding_school": Compared(
        ("dressed",),
        (_wide("left", (7.0, 3.4, 3.0), 6.0), _wide("right", (7.0, 16.2, 3.0), -6.0, delay=3.0)),
        (0, 4, 9, 14, 20, 27),
        7.0,
    ),
    "vault": Compared(("sail",), (_source("singer", (4.7, 4.4, 1.6)),), (1, 5, 10, 17, 22, 28), 9.0),
    "l_shape": Compared(("dressed",), (_wide("talker", (3.0, 5.4, 1.7), 0.0),), (1, 8, 14, 20, 22, 25), 6.0),
    "foyer": Compared(("curtained",), (_source("talker", (4.2, 6.9, 1.8)),), (1, 8, 13, 22, 25, 28), 8.0, 16384),
    "gallery": Compared(("dressed",), (_source("talker", (4.3, 6.6, 2.6)),), (1, 8, 11, 22, 26, 31), 6.0, 16384),
    "tent": Compared(
        ("lined",),
        (_wide("left", (5.4, 3.6, 2.4), 8.0), _source("monitor", (5.6, 7.1, 1.2), delay=5.0)),
        (0, 5, 9, 13, 16, 20),
        3.0,
    ),
    "sports_hall": Compared(
        ("sails and curtain",), (_wide("stand", (9.0, 15.3, 2.6), 2.0),), (0, 7, 11, 16, 22, 29), 9.0
    ),
}  # fmt: skip


# --- the package ----------------------------------------------------------------------------------------


def compile_compared(name: str, folder: Path) -> tuple[Scene, int]:
    """The scene of a hall as it is compared, and the order up to which it uses image sources."""
    compared = COMPARED[name]
    study = write_hall(name, folder)
    document = tomllib.loads(study.read_text("utf-8"))
    document["scenario"] = [s for s in document["scenario"] if s["name"] in compared.scenarios]
    for scenario in document["scenario"]:
        scenario.pop("compare_with", None)
        scenario.pop("noise", None)
    # The plan names sources and scenarios that have been removed.
    document.pop("plan", None)
    study.write_text(toml_text(document), "utf-8")
    elements = tomllib.loads((folder / "elements.toml").read_text("utf-8"))
    elements.pop("system_change", None)
    (folder / "elements.toml").write_text(toml_text(elements), "utf-8")
    sources = {"schema": 1, "source": list(compared.sources)}
    (folder / "sources.toml").write_text(toml_text(sources), "utf-8")
    described = read_study(study)
    scene = compile_scene(described)
    return replace(scene, receivers=_some(scene.receivers, compared.seats)), described.document.image_order


def _some(seats: ReceiverArrays, chosen: tuple[int, ...]) -> ReceiverArrays:
    some = np.array(chosen)
    per_seat = {key: getattr(seats, key)[some] for key in ("position", "area", "row", "column", "cell")}
    return replace(seats, **per_seat)


def _until(given: MetricInput, time: float) -> np.ndarray:
    """Energy up to `time`, s after the arrival on the straight line from the source, where the bins start."""
    seats, edges = given.seats, given.seats.bin_edges
    if time > edges[-1] + 1e-9:
        # The tail is exponential.
        rest = seats.tail * np.exp(-seats.tail_rate * (time - edges[-1])) if np.isfinite(time) else 0.0
        return seats.total - rest
    last = int(np.abs(edges - time).argmin())
    arrivals = seats.known.arrivals
    early = np.where(arrivals.time[:, None] < time, arrivals.energy, 0.0)
    known = [early[a:b].sum(axis=0) for a, b in pairwise(arrivals.first)]
    return np.stack(known) + seats.late[:, :last].sum(axis=1)


def _energy_between(low: float, high: float) -> Metric:
    name = f"energy from {low:g} s"
    return replace(
        METRICS["sound_pressure_level"],
        name=name,
        symbol=name,
        function=lambda given: _until(given, high) - (_until(given, low) if low > 0.0 else 0.0),
    )


WINDOW_METRICS = tuple(
    _energy_between(low, high) for low, high in zip(slow.WINDOWS, (*slow.WINDOWS[1:], np.inf))
)
NAMES = {
    "level": "sound_pressure_level",
    "C50": "clarity_c50",
    "EDT": "early_decay_time",
    "T20": "reverberation_time_t20",
    "STI": "speech_transmission_index",
}

Figures = dict[str, tuple[np.ndarray, np.ndarray]]
"""Value and standard error of each quantity: (n_scenarios, n_seats, 8), windows with their number in front; STI without
bands."""


def package_figures(scene: Scene, image_order: int, seed: int, n_rounds: int, rays_per_batch: int) -> Figures:
    """Quantities that the package computes from a scene, in one run."""
    known = {**METRICS, **{metric.name: metric for metric in WINDOW_METRICS}}
    with patch.object(traced_paths, "RAYS_PER_BATCH", rays_per_batch), patch.dict(registry.METRICS, known):
        engine = Evaluator(prepare_tracing(scene, seed, image_order, threads=1).trace(n_rounds))
        wanted = [*NAMES.values(), *(metric.name for metric in WINDOW_METRICS)]
        got = {name: figure.estimate() for name, figure in engine.evaluate(wanted).items()}
    got |= {name: with_pooled_errors(got[name]) for name in TIMES if name in got}
    found = {key: _by_scenario(got[name]) for key, name in NAMES.items()}
    windows = [_by_scenario(got[metric.name]) for metric in WINDOW_METRICS]
    found["windows"] = tuple(np.stack([w[k] for w in windows]) for k in (0, 1))
    return found


def _by_scenario(estimate: Any) -> tuple[np.ndarray, np.ndarray]:
    return np.moveaxis(estimate.value, 1, 0), np.moveaxis(estimate.standard_error, 1, 0)


# --- the slow tracer ------------------------------------------------------------------------------------


def plain_room(scene: Scene, scenario: int, air: dict[str, float]) -> slow.Room:
    """A scenario as input of the slow tracer; air and speed of sound are computed separately."""
    surfaces = scene.surfaces
    return slow.Room(
        surfaces.origin,
        surfaces.edge_u,
        surfaces.edge_v,
        np.asarray(surfaces.is_triangle),
        scene.factors[surfaces.patch][:, :, scenario],
        slow.air_attenuation(**air),
        slow.speed_of_sound(air["temperature"]),
    )


def plain_sources(name: str) -> list[slow.Source]:
    """The sources used for the comparison of a hall, from their description alone."""
    found = []
    for source in COMPARED[name].sources:
        azimuth, elevation = np.radians(source.get("aim", (0.0, 0.0)))
        level = np.cos(elevation)
        axis = np.array([level * np.cos(azimuth), level * np.sin(azimuth), np.sin(elevation)])
        pattern = source.get("directivity", {"coverage": [360.0] * 8, "rear_level": -20.0})
        found.append(
            slow.Source(
                np.array(source["position"], float),
                axis,
                np.array(source["level"], float),
                np.array([slow.exponent(angle) for angle in pattern["coverage"]]),
                pattern["rear_level"],
                source.get("delay", 0.0) / 1000.0,
            )
        )
    return found


def air_of(folder: Path) -> dict[str, float]:
    """Temperature, humidity and pressure from the venue file."""
    venue = tomllib.loads((folder / "venue.toml").read_text("utf-8"))
    return {"temperature": 20.0, "humidity": 50.0, "pressure": 101.325, **venue.get("air", {})}


# --- the comparison -------------------------------------------------------------------------------------


JND = {"level": 1.0, "C50": 1.0, "EDT": 0.05, "T20": 0.05, "STI": 0.03, "windows": 0.26}
"""Just noticeable differences: ISO 3382-1:2009, table A.1 (level as G, C50 as C80, times relative); STI: Bradley, Reich
and Norcross, JASA 106 (1999) 1820. From memory. For T20 and for the energy of a window, which have none, that of EDT
and 1 dB are used."""
RELATIVE = ("EDT", "T20", "windows")
MODEL = 0.1
"""Share of a just noticeable difference by which the two models may differ in addition to the Monte Carlo error: image
sources contribute at a point in the package, and in a sphere in the slow tracer; bins are 5 ms and more in the one, 1
ms in the other. An estimate."""
MODEL_HIDDEN = 0.6
"""The same for C50 and EDT where the direct sound does not determine time zero: there both determine it to some 5 ms,
which corresponds to 0.5 dB at a reverberation time of 1 s."""
HIDDEN = 0.001
"""s after the straight line from which time zero is not that of the direct sound."""
FAINTEST = 1e-4
"""Share of the energy of a seat below which a window is not compared."""
MOST_SCATTER = {"EDT": 0.1, "T20": 0.1, "windows": 0.25}
"""Relative standard deviation of single runs, or standard error of the reference, above which a quantity depends on too
few rays to be compared. The error stated by a run is not used for this: times that are too short have errors that are
too small, and selecting by errors would select short times."""


@dataclass(frozen=True)
class Deviation:
    """The difference of the two, in just noticeable differences, with its standard error. NaN where there is no
    value."""

    difference: np.ndarray
    error: np.ndarray
    model: np.ndarray | float
    """Permitted difference of the models in addition."""

    @property
    def z(self) -> np.ndarray:
        """In standard errors, with the permitted difference of the models included."""
        return self.difference / np.hypot(self.error, self.model)

    def decidable(self, ratio: float = 3.0) -> np.ndarray:
        """Whether a deviation of one just noticeable difference would be detected."""
        return ratio * self.error < 1.0

    def surely_beyond(self, ratio: float) -> np.ndarray:
        """Whether the deviation exceeds a just noticeable difference by more than `ratio` standard errors."""
        return np.abs(self.difference) - ratio * self.error > 1.0


def deviation(
    figure: str, one: tuple[np.ndarray, np.ndarray], reference: Figures, known: np.ndarray | bool = True
) -> Deviation:
    """Difference of a quantity (value, error) from that of the reference, with both errors, where `known` is true."""
    other = reference[figure]
    difference, error = np.where(known, one[0] - other[0], np.nan), np.hypot(one[1], other[1])
    model: np.ndarray | float = MODEL
    if figure in ("C50", "EDT"):
        model = np.where(reference["zero"][0] > HIDDEN, MODEL_HIDDEN, MODEL)
    unit = np.full(other[0].shape, JND[figure])
    if figure in RELATIVE:
        unit = unit * np.abs(other[0])
    with np.errstate(divide="ignore", invalid="ignore"):
        return Deviation(difference / unit, np.where(np.isfinite(difference), error / unit, np.nan), model)


def judgeable(figure: str, mean: np.ndarray, scatter: np.ndarray, reference: Figures) -> np.ndarray:
    """Where the errors of single runs and of the reference are small enough to compare (`MOST_SCATTER`, `FAINTEST`)."""
    if figure not in RELATIVE:
        return np.isfinite(mean)
    value, error = reference[figure]
    known = (scatter < MOST_SCATTER[figure] * mean) & (error < MOST_SCATTER[figure] * np.abs(value))
    if figure == "windows":
        known &= value > FAINTEST * value.sum(axis=0)
    return known


def reference_figures(
    scene: Scene, scenario: int, traced: np.ndarray, room: slow.Room, sources: list[slow.Source]
) -> Figures:
    """Quantities of one scenario from the slow tracer's batches (n_batches, n_seats, n_bins, 8)."""
    direct = slow.direct_sound(room, sources, scene.receivers.position)
    return slow.estimates(slow.Response(traced, *direct), scene.noise[scenario])


def stacked(scenarios: list[Figures]) -> Figures:
    """The quantities of all scenarios, from those of single scenarios."""

    def of(figure: str, part: int) -> np.ndarray:
        return np.stack([one[figure][part] for one in scenarios], axis=1 if figure == "windows" else 0)

    return {figure: (of(figure, 0), of(figure, 1)) for figure in scenarios[0]}
