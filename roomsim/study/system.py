"""What a sound system does in a venue, before any ray is followed to its end."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np

from ..decay.enclosure import enclosure_of
from ..decay.statistical import diffuse_energy, statistical_response
from ..errors import SceneError, suggestion
from ..metrics.evaluate import evaluate_whole
from ..physics.arrival import OFFSET
from ..physics.levels import a_weighted_level, energy, level
from ..physics.reverberation import eyring
from ..scene.checks import check_venue, refuse_errors
from ..scene.compile import compile_scene
from ..scene.drawing import plan_drawing
from ..scene.element_checks import LIMITS
from ..scene.findings import Finding
from ..scene.limits import limits_broken
from ..scene.plan_lines import PlanDrawing
from ..scene.rigging import Held, Load, Rig
from ..scene.rigging_checks import NOT_CHECKED
from ..scene.scene import Scene
from ..system.aiming import SPLAYS, SPREAD, Aim, aim
from ..tracing.emission import radiated
from ..tracing.geometry import Geometry, pack_geometry
from ..tracing.replay import time_bins
from ..venue.document import Scenario, Study
from ..venue.mesh import read_mesh
from ..venue.reading import read_study
from ..venue.systems import Hang
from .bass import BassField, bass_field
from .coverage import DelayAdvice, FillAdvice, delay_advice, fill_advice
from .direct import DirectSound, direct_sound
from .headroom import Headroom, headroom_of
from .landing import ROOF, WALLS, Room, WhatGoesWhere, what_goes_where
from .patterns import BoxPattern, box_patterns
from .section import Section, hang_section
from .timing import ArrivalOrder, DelayProposal, arrival_order, propose_delays, with_delays


@dataclass(frozen=True)
class SeatEstimate:
    """What the seats hear by direct sound and a diffuse field (Eyring's time, Barron's decay with distance).

    Before any ray is traced, and without knowing where absorption hangs.
    """

    level: np.ndarray
    """(n_seats, 8) dB, all sources that are on."""
    a_level: np.ndarray
    """(n_seats,) dB(A)."""
    sti: np.ndarray
    """(n_seats,) of all sources together; delays as written down do not enter."""
    mains_sti: np.ndarray
    """(n_seats,) of the mains alone."""


@dataclass(frozen=True)
class SystemReport:
    """A system in one scenario. Axis order (source, seat, band); sources are those of the scene."""

    study: Study
    scene: Scene
    scenario: int
    plan: PlanDrawing
    sections: list[Section]
    """Of the hangs that are on; of those that differ in place and azimuth alone the first."""
    aimed_sections: dict[str, Section]
    """The same with the angles found, by name; empty unless asked for."""
    patterns: list[BoxPattern]
    """Of the boxes that are on, each kind once."""
    on: np.ndarray
    """(n_sources,) bool, programme sources that play; noise sources do not count."""
    direct: DirectSound
    """As the delays are written down."""
    goes: WhatGoesWhere
    """Rows for the sources that are on, in their order."""
    goes_whole: np.ndarray
    """(n_parts, 8) of the system as a whole, by radiated power."""
    proposals: list[DelayProposal]
    order: ArrivalOrder
    order_proposed: ArrivalOrder
    estimate: SeatEstimate
    fills: list[FillAdvice]
    delays: DelayAdvice | None
    aims: dict[str, Aim]
    """By name of the hang; empty unless asked for."""
    bass: BassField | None
    headroom: list[Headroom]
    loads: list[Load]
    """What hangs in the scenario: loudspeakers that play, and elements."""
    held: list[Held]
    """Points and trusses of the venue from which something hangs."""
    limits_broken: tuple[str, ...]
    """Limits of study and roof that the scenario exceeds, in words."""
    findings: list[Finding]
    """Warnings of the check, and what it notes of loads."""
    offset: float
    """s, by which fills and delays follow the mains."""

    @property
    def title(self) -> str:
        """Of the study."""
        return self.study.document.title

    @property
    def venue(self) -> str:
        """Its name."""
        return self.study.venue.name

    @property
    def name(self) -> str:
        """Of the scenario."""
        return self.scene.scenarios[self.scenario]

    @property
    def sources_on(self) -> np.ndarray:
        """(n,) indices of the programme sources that play."""
        return np.flatnonzero(self.on)

    @cached_property
    def direct_level(self) -> np.ndarray:
        """(n_seats, 8) dB, direct sound of all sources that are on, energies added."""
        return level(self.direct.energy[self.on].sum(axis=0))

    @property
    def listening_positions(self) -> list[tuple[str, int]]:
        """Audience areas of one seat, and that seat: mixing position and the like."""
        receivers = self.scene.receivers
        counts = np.bincount(receivers.area, minlength=len(receivers.area_names))
        return [
            (name, int(np.flatnonzero(receivers.area == i)[0]))
            for i, name in enumerate(receivers.area_names)
            if counts[i] == 1
        ]


def system_report(
    study_path: str | Path,
    scenario: str | None = None,
    *,
    offset: float = OFFSET,
    aim_hangs: bool = False,
    splays: Sequence[float] = SPLAYS,
    spread: float = SPREAD,
) -> SystemReport:
    """Everything about the system of a study in one scenario.

    Parameters
    ----------
    scenario : name; the first listed one unless given
    offset : s, by which fills and delays shall follow the mains
    aim_hangs : find better angles for the hangs that are on, which takes some ten seconds each
    splays : degrees between boxes that the rigging has
    spread : dB between the seats, that aiming shall reach

    Raises
    ------
    DocumentError, MeshError, SceneError, PhysicalRangeError : the input is wrong, or `check` refuses it
    """
    study = read_study(study_path)
    mesh = read_mesh(study.venue.mesh, study.venue_folder)
    findings = refuse_errors(study, check_venue(study, mesh))
    index, chosen = _chosen_scenario(study, scenario)
    scene = compile_scene(study, mesh)
    geometry = pack_geometry(scene.surfaces)
    on = scene.sources.active[:, index] > 0.0
    if not on.any():
        raise SceneError(f"nothing plays in scenario {chosen.name!r}")
    direct = direct_sound(study, scene, geometry, scene.receivers.position)
    proposals = propose_delays(direct, on, offset)
    goes = what_goes_where(scene, study, mesh, index, list(np.flatnonzero(on)))
    power = source_power(scene)[on]
    estimate = seat_estimate(scene, direct, on, index)
    room = Room(scene, study, mesh)
    hangs = [hang for hang in study.sources.hang if _is_on(hang.name, scene, on)]
    aims = {
        hang.name: _aimed(hang, study, scene, geometry, room, splays, spread)
        for hang in (hangs if aim_hangs else ())
    }
    rig = Rig(study)
    loads = rig.loads(chosen)
    return SystemReport(
        study=study,
        scene=scene,
        scenario=index,
        plan=plan_drawing(study, mesh, scene.receivers),
        sections=[hang_section(study, scene, mesh, hang) for hang in _unlike(hangs)],
        aimed_sections={name: hang_section(study, scene, mesh, found.hang) for name, found in aims.items()},
        patterns=box_patterns(
            study, {scene.sources.names[i] for i in np.flatnonzero(on)}, scene.speed_of_sound
        ),
        on=on,
        direct=direct,
        goes=goes,
        goes_whole=np.einsum("spb,sb->pb", goes.share, power / power.sum(axis=0)),
        proposals=proposals,
        order=arrival_order(direct, on),
        order_proposed=arrival_order(with_delays(direct, proposals), on),
        estimate=estimate,
        fills=fill_advice(study, scene, direct, on),
        delays=delay_advice(scene, direct, on, estimate.mains_sti, study.document.targets.sti),
        aims=aims,
        bass=bass_field(study, scene, mesh, on),
        headroom=headroom_of(study, scene, on),
        loads=loads,
        held=rig.held(loads),
        limits_broken=tuple(limits_broken(study, chosen, rig).values()),
        findings=worth_telling(findings),
        offset=offset,
    )


def worth_telling(findings: Sequence[Finding]) -> list[Finding]:
    """What a report on one scenario says of the check: warnings, and what is noted of loads and of what hangs
    over people's ways out. Limits stand in the report by themselves."""
    of_limits = {code for code, _ in LIMITS.values()}
    told = (*NOT_CHECKED, "points_assumed", "hangs_over_zone")
    return [
        finding
        for finding in findings
        if (finding.severity == "warning" and finding.code not in of_limits) or finding.code in told
    ]


def source_power(scene: Scene) -> np.ndarray:
    """(n_sources, 8) radiated power, up to the same factor for all."""
    sources = scene.sources
    return np.array([energy(sources.level[i]) * radiated(sources, i) for i in range(len(sources.names))])


def seat_estimate(scene: Scene, direct: DirectSound, on: np.ndarray, scenario: int) -> SeatEstimate:
    """Levels and intelligibility from direct sound and a diffuse field."""
    time = np.broadcast_to(eyring(enclosure_of(scene)), (scene.n_scenarios, 8))[[scenario]]
    power = level(source_power(scene))
    seats = scene.receivers.position
    edges = time_bins(float(np.clip(1.2 * time.max(), 0.5, 15.0)))

    def figures(chosen: np.ndarray) -> dict[str, np.ndarray]:
        reverberant = np.zeros((len(seats), 1, 8))
        for i in np.flatnonzero(chosen):
            distance = np.linalg.norm(seats - scene.sources.position[i], axis=1)
            reverberant += diffuse_energy(power[i][None], time, scene.volume, distance, scene.speed_of_sound)
        heard = direct.energy[chosen].sum(axis=0)[:, None]
        response = statistical_response(edges, time, reverberant, heard)
        names = ["sound_pressure_level", "speech_transmission_index"]
        return evaluate_whole(response, scene.noise[[scenario]], metrics=names)

    whole = figures(on)
    mains = on & (np.array(direct.roles) == "main")
    heard = whole["sound_pressure_level"][:, 0]
    sti = whole["speech_transmission_index"][:, 0]
    mains_sti = (
        figures(mains)["speech_transmission_index"][:, 0] if mains.any() else np.full(len(seats), np.nan)
    )
    return SeatEstimate(heard, a_weighted_level(heard), sti, mains_sti)


def _chosen_scenario(study: Study, name: str | None) -> tuple[int, Scenario]:
    scenarios = study.document.scenarios_in_order()
    wanted = name or study.document.scenario[0].name
    for i, scenario in enumerate(scenarios):
        if scenario.name == wanted:
            return i, scenario
    names = [scenario.name for scenario in scenarios]
    raise SceneError(f"no scenario is called {wanted!r}", cure=suggestion(wanted, names))


def _unlike(hangs: Sequence[Hang]) -> list[Hang]:
    """The first of the hangs that differ in name, place in plan and azimuth alone."""
    seen: dict[tuple[object, ...], Hang] = {}
    for hang in hangs:
        kind = (
            hang.loudspeaker,
            hang.count,
            hang.splay,
            hang.tilt,
            hang.top[0],
            hang.top[2],
            hang.gain,
        )
        seen.setdefault(kind, hang)
    return list(seen.values())


def _is_on(name: str, scene: Scene, on: np.ndarray) -> bool:
    return name in scene.sources.names and bool(on[scene.sources.names.index(name)])


def _aimed(
    hang: Hang,
    study: Study,
    scene: Scene,
    geometry: Geometry,
    room: Room,
    splays: Sequence[float],
    spread: float,
) -> Aim:
    """The hang aimed at the seats on its side, away from roof and walls."""
    place = scene.sources.position[scene.sources.names.index(hang.name)]
    seats = _own_seats(hang, study, scene)

    def lands_on_roof_or_wall(directions: np.ndarray) -> np.ndarray:
        part = room.first_parts(geometry, place, directions)
        return (part == ROOF) | (part == WALLS)

    return aim(
        hang,
        study.sources.loudspeaker,
        seats,
        scene.speed_of_sound,
        study.sources_folder,
        air_attenuation=scene.air_attenuation,
        unwanted=lands_on_roof_or_wall,
        splays=splays,
        spread=spread,
        seed=study.document.seed,
    )


MOST_SEATS = 64
"""Seats that a hang is aimed at: enough for the spread, few enough to try thousands of angles."""


def _own_seats(hang: Hang, study: Study, scene: Scene) -> np.ndarray:
    """Seats no farther from this hang than from its fellows, within 35 degrees of its axis.

    Of many some, evenly spread over the distances.
    """
    seats = scene.receivers.position
    hangs = [other for other in study.sources.hang if other.role == hang.role]
    tops = np.unique(np.array([other.top for other in hangs]), axis=0)
    distance = np.linalg.norm(seats[:, None] - tops, axis=2)
    here = np.linalg.norm(seats - np.array(hang.top), axis=1)
    own = here <= distance.min(axis=1) + 1e-6
    away = seats[:, :2] - np.array(hang.top)[:2]
    angle = np.degrees(np.arctan2(away[:, 1], away[:, 0])) - hang.azimuth
    own &= np.abs((angle + 180.0) % 360.0 - 180.0) < 35.0
    chosen = np.flatnonzero(own) if own.any() else np.arange(len(seats))
    chosen = chosen[np.argsort(here[chosen], kind="stable")]
    even = np.linspace(0, len(chosen) - 1, min(len(chosen), MOST_SEATS)).astype(int)
    return seats[chosen[even]]
