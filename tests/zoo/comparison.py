"""The halls of the zoo held to a tracer that shares nothing with the package.

A hall is compared in two scenarios at six seats in all bands, with plain sources in place of its sound system. What the
package has compiled (surfaces with their factors, seats) goes to both; what is made of it is worked out twice.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
from reference import slow_tracer as slow
from venues import toml_text

from roomsim.metrics import registry
from roomsim.metrics.registry import METRICS, Metric, MetricInput
from roomsim.scene.compile import compile_scene
from roomsim.scene.scene import ReceiverArrays, Scene
from roomsim.study import engine as engine_module
from roomsim.study.engine import Engine
from roomsim.venue.mesh import read_mesh
from roomsim.venue.reading import read_study

from .halls import write_hall

TALKER = [62.0, 66.0, 66.0, 62.0, 58.0, 54.0, 50.0, 46.0]
"""dB at 1 m: a raised voice, louder than the noise of all halls at most seats."""
WIDE = [360.0, 300.0, 240.0, 180.0, 150.0, 120.0, 100.0, 90.0]
"""Degrees of coverage, band by band."""


@dataclass(frozen=True)
class Compared:
    """How a hall is compared."""

    scenarios: tuple[str, ...]
    """Treated ones; the bare hall comes first by itself."""
    sources: tuple[dict[str, Any], ...]
    seats: tuple[int, ...]
    """Numbers of the six seats. None is within 1 m of a wall or an edge that cuts its sphere in two."""
    duration: float
    """s, for which the slow tracer follows its rays: a fall of 70 dB or more."""


def _source(name: str, position: tuple[float, float, float], **more: Any) -> dict[str, Any]:
    return {"name": name, "position": list(position), "level": TALKER, **more}


def _wide(name: str, position: tuple[float, float, float], azimuth: float, **more: Any) -> dict[str, Any]:
    pattern = {"kind": "cosine_power", "coverage": WIDE, "rear_level": -20.0}
    return _source(name, position, aim=[azimuth, -5.0], directivity=pattern, **more)


COMPARED = {
    "black_box": Compared(("quartet",), (_source("talker", (3.3, 6.1, 2.1)),), (0, 5, 11, 14, 19, 24), 6.0),
    "riding_school": Compared(
        ("dressed",),
        (_wide("left", (7.0, 3.4, 3.0), 6.0), _wide("right", (7.0, 16.2, 3.0), -6.0, delay=3.0)),
        (0, 4, 9, 14, 20, 27),
        7.0,
    ),
    "vault": Compared(("sail",), (_source("singer", (4.7, 4.4, 1.6)),), (0, 5, 10, 17, 22, 29), 9.0),
    "l_shape": Compared(("dressed",), (_wide("talker", (3.0, 5.4, 1.7), 0.0),), (1, 8, 13, 20, 25, 28), 6.0),
    "foyer": Compared(("curtained",), (_source("talker", (4.2, 6.9, 1.8)),), (1, 8, 13, 22, 25, 28), 8.0),
    "gallery": Compared(("dressed",), (_source("talker", (4.3, 6.6, 2.6)),), (1, 10, 13, 22, 26, 33), 6.0),
    "tent": Compared(
        ("lined",),
        (_wide("left", (5.4, 3.6, 2.4), 8.0), _source("monitor", (5.6, 7.1, 1.2), delay=5.0)),
        (0, 5, 9, 12, 16, 19),
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
    # What is left names neither the sources that are gone nor scenarios that are.
    document.pop("plan", None)
    study.write_text(toml_text(document), "utf-8")
    elements = tomllib.loads((folder / "elements.toml").read_text("utf-8"))
    elements.pop("system_change", None)
    (folder / "elements.toml").write_text(toml_text(elements), "utf-8")
    sources = {"schema": 1, "source": list(compared.sources)}
    (folder / "sources.toml").write_text(toml_text(sources), "utf-8")
    described = read_study(study)
    scene = compile_scene(described, read_mesh(described.venue.mesh, described.venue_folder))
    return replace(scene, receivers=_some(scene.receivers, compared.seats)), described.document.image_order


def _some(seats: ReceiverArrays, chosen: tuple[int, ...]) -> ReceiverArrays:
    some = np.array(chosen)
    per_seat = {key: getattr(seats, key)[some] for key in ("position", "area", "row", "column", "cell")}
    return replace(seats, **per_seat)


def _energy_between(low: float, high: float) -> Metric:
    def energy(given: MetricInput) -> np.ndarray:
        upper = given.seats.total if np.isinf(high) else given.seats.until(high)
        return upper - (given.seats.until(low) if low > 0.0 else 0.0)

    name = f"energy from {low:g} s"
    return replace(METRICS["sound_pressure_level"], name=name, symbol=name, function=energy)


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
"""Value and standard error of each figure: (n_scenarios, n_seats, 8), windows with their number in front; STI without
bands."""


def package_figures(scene: Scene, image_order: int, seed: int, n_rounds: int = 1, rays_per_batch: int = 4096) -> Figures:
    """What the package makes of a scene: figures of one run."""
    known = {**METRICS, **{metric.name: metric for metric in WINDOW_METRICS}}
    with patch.object(engine_module, "RAYS_PER_BATCH", rays_per_batch), patch.dict(registry.METRICS, known):
        engine = Engine(scene, seed, image_order, threads=1)
        engine.add_rounds(n_rounds)
        wanted = [*NAMES.values(), *(metric.name for metric in WINDOW_METRICS)]
        got = {name: figure.estimate() for name, figure in engine.evaluate(wanted).items()}
    found = {key: _by_scenario(got[name]) for key, name in NAMES.items()}
    windows = [_by_scenario(got[metric.name]) for metric in WINDOW_METRICS]
    found["windows"] = tuple(np.stack([w[k] for w in windows]) for k in (0, 1))
    return found


def _by_scenario(estimate: Any) -> tuple[np.ndarray, np.ndarray]:
    return np.moveaxis(estimate.value, 1, 0), np.moveaxis(estimate.standard_error, 1, 0)


# --- the slow tracer ------------------------------------------------------------------------------------


def plain_room(scene: Scene, scenario: int, air: dict[str, float]) -> slow.Room:
    """A scenario as the slow tracer takes it; air and speed of sound worked out anew."""
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
    """The sources of a hall as it is compared, read from its description alone."""
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
    """Temperature, humidity and pressure as the venue file has them."""
    venue = tomllib.loads((folder / "venue.toml").read_text("utf-8"))
    return {"temperature": 20.0, "humidity": 50.0, "pressure": 101.325, **venue.get("air", {})}


# --- both beside each other -----------------------------------------------------------------------------


JND = {"level": 1.0, "C50": 1.0, "EDT": 0.05, "T20": 0.05, "STI": 0.03}
"""Just noticeable differences: ISO 3382-1:2009, table A.1 (level as strength, C50 as C80, times relative); STI: Bradley,
Reich and Norcross, JASA 106 (1999) 1820. From memory. There is none for T20; that of EDT is taken."""
RELATIVE = ("EDT", "T20", "windows")


@dataclass(frozen=True)
class Deviation:
    """Package less reference for one figure of a hall."""

    difference: np.ndarray
    """In the figure's unit; as a share of the reference where the figure is relative. NaN where either has none."""
    error: np.ndarray
    """Standard error of it."""

    @property
    def z(self) -> np.ndarray:
        return self.difference / self.error


def deviation(figure: str, package: tuple[np.ndarray, np.ndarray], reference: tuple[np.ndarray, np.ndarray]) -> Deviation:
    """Difference of a figure, with both errors."""
    difference, error = package[0] - reference[0], np.hypot(package[1], reference[1])
    scale = np.abs(reference[0]) if figure in RELATIVE else 1.0
    with np.errstate(divide="ignore", invalid="ignore"):
        return Deviation(difference / scale, np.where(error > 0.0, error, np.nan) / scale)
