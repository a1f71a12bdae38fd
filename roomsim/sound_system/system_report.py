"""The report on the sound system of a study in one scenario, computed without tracing the room."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np

from ..errors import SceneError, suggestion
from ..loudspeakers.aiming import SPLAYS, SPREAD, Aim
from ..physics.arrival import OFFSET
from ..physics.levels import level
from ..scene.checks import check_venue, refuse_errors, reported_findings
from ..scene.compile import compile_scene
from ..scene.drawing import PlanDrawing, plan_drawing
from ..scene.findings import Finding
from ..scene.limits import Limits
from ..scene.rigging import CarriedLoad, Load, Rig
from ..scene.scene import Scene
from ..tracing.geometry import pack_geometry
from ..venue.document import Scenario, Study
from ..venue.reading import read_study
from ..venue.systems import Hang
from .bass import BassField, bass_field
from .direct_sound import DirectSound, direct_sound, playing_names
from .energy_deposition import DepositionShares, VenueParts, energy_deposition
from .fills_and_delays import DelayAdvice, FillAdvice, delay_advice, fill_advice
from .hang_aiming import aim_hang
from .headroom import Headroom, headroom_of
from .seat_estimate import SeatEstimate, seat_estimate
from .timing import ArrivalOrder, DelayProposal, arrival_order, propose_delays, with_delays


@dataclass(frozen=True)
class SystemReport:
    """A sound system in one scenario. Axis order (source, seat, band); sources are those of the scene."""

    study: Study
    scene: Scene
    scenario: int
    plan: PlanDrawing
    on: np.ndarray
    """(n_sources,) bool, programme sources that play, without noise sources."""
    direct: DirectSound
    """With the delays stated in the study."""
    deposition: DepositionShares
    """Rows for the sources that are on, in their order."""
    proposals: list[DelayProposal]
    order: ArrivalOrder
    order_proposed: ArrivalOrder
    estimate: SeatEstimate
    fills: list[FillAdvice]
    delays: DelayAdvice | None
    aims: dict[str, Aim]
    """By name of the hang; empty unless requested."""
    bass: BassField | None
    headroom: list[Headroom]
    loads: list[Load]
    """Loads that hang in the scenario: loudspeakers that play, and elements."""
    held: list[CarriedLoad]
    """Points and trusses of the venue from which something hangs."""
    limits_broken: tuple[str, ...]
    """Limits of the study and the roof that the scenario exceeds, as phrases."""
    findings: list[Finding]
    """Warnings of the check, and its notes on loads and escape routes."""
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
    def playing(self) -> set[str]:
        """Names of the programme sources that play."""
        return playing_names(self.scene, self.on)

    @property
    def distinct_hangs(self) -> list[Hang]:
        """Hangs that are on; the first of those that differ only in name, position across the venue, and azimuth."""
        first: dict[tuple[object, ...], Hang] = {}
        for hang in self.study.sources.hang:
            if hang.name in self.playing:
                kind = (hang.loudspeaker, hang.count, hang.splay, hang.tilt, hang.top[0], hang.top[2], hang.gain)
                first.setdefault(kind, hang)
        return list(first.values())

    @property
    def listening_positions(self) -> list[tuple[str, int]]:
        """Audience areas of one seat, such as the mixing position, and the index of that seat."""
        receivers = self.scene.receivers
        seats = [(name, np.flatnonzero(receivers.area == i)) for i, name in enumerate(receivers.area_names)]
        return [(name, int(found[0])) for name, found in seats if len(found) == 1]


def system_report(
    study_path: str | Path,
    scenario: str | None = None,
    *,
    offset: float = OFFSET,
    aim_hangs: bool = False,
    splays: Sequence[float] = SPLAYS,
    spread: float = SPREAD,
) -> SystemReport:
    """Compute the report on the sound system of a study in one scenario.

    Parameters
    ----------
    scenario : name; by default the first one listed
    offset : s, by which fills and delays are to follow the mains
    aim_hangs : find better angles for the hangs that are on, which takes some ten seconds each
    splays : degrees between boxes for which the rigging is made
    spread : dB between the seats, to be reached by aiming

    Raises
    ------
    DocumentError, MeshError, SceneError, PhysicalRangeError : the input is wrong, or `check` refuses it
    """
    study = read_study(study_path)
    findings = refuse_errors(study, check_venue(study))
    index, chosen = _chosen_scenario(study, scenario)
    scene = compile_scene(study)
    on = scene.sources.active[:, index] > 0.0
    if not on.any():
        raise SceneError(f"no source plays in scenario {chosen.name!r}")

    geometry = pack_geometry(scene.surfaces)
    direct = direct_sound(study, scene, geometry, scene.receivers.position)
    proposals = propose_delays(direct, on, offset)
    estimate = seat_estimate(scene, direct, on, index)

    parts = VenueParts(scene, study)
    aims = {
        hang.name: aim_hang(hang, study, scene, geometry, parts, splays, spread)
        for hang in study.sources.hang
        if aim_hangs and hang.name in playing_names(scene, on)
    }
    rig = Rig(study)
    loads = rig.loads(chosen)
    return SystemReport(
        study=study,
        scene=scene,
        scenario=index,
        plan=plan_drawing(study, scene.receivers),
        on=on,
        direct=direct,
        deposition=energy_deposition(scene, study, index, np.flatnonzero(on).tolist()),
        proposals=proposals,
        order=arrival_order(direct, on),
        order_proposed=arrival_order(with_delays(direct, proposals), on),
        estimate=estimate,
        fills=fill_advice(study, scene, direct, on),
        delays=delay_advice(scene, direct, on, estimate.mains_sti, study.document.targets.sti),
        aims=aims,
        bass=bass_field(study, scene, on),
        headroom=headroom_of(study, scene, on),
        loads=loads,
        held=rig.carried(loads),
        limits_broken=tuple(Limits(study, rig).broken(chosen.elements).values()),
        findings=reported_findings(findings, ("points_assumed", "hangs_over_zone")),
        offset=offset,
    )


def _chosen_scenario(study: Study, name: str | None) -> tuple[int, Scenario]:
    scenarios = {scenario.name: (i, scenario) for i, scenario in enumerate(study.document.scenarios_in_order())}
    name = name or study.document.scenario[0].name
    if name not in scenarios:
        raise SceneError(f"no scenario is called {name!r}", cure=suggestion(name, list(scenarios)))
    return scenarios[name]
