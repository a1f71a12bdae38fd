"""What the statistical formulas say of a scene, and what in it they cannot know."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from ..bands import NOMINAL
from ..decay.curves import EVALUATION_RANGES
from ..decay.enclosure import enclosure_of
from ..decay.slopes import DIFFUSE_AFTER, TwoSlopes
from ..estimate import Estimate
from ..metrics.common_seats import TIMES
from ..metrics.registry import METRICS
from ..metrics.replicated import Replicated
from ..metrics.room_parameters import is_bent
from ..physics.distance import articulation_loss_peutz, critical_distance
from ..physics.reverberation import FORMULAS, assumptions, schroeder_frequency
from ..scene.findings import list_text
from ..scene.scene import Scene
from ..tracing.emission import radiated

ROOM_FIGURES = {
    "schroeder_frequency": ("Hz", "below it single modes stand out"),
    "critical_distance": ("m", "direct and reverberant sound are equally strong there, all sources on"),
    "articulation_loss": ("%", "of consonants, by Peutz, at the median seat's distance"),
}
"""Further figures of a diffuse room: unit, and what it is."""
HEARD_BESIDE = 10.0
"""dB of power below the strongest source down to which another counts as one more (judged)."""


def room_figures(scene: Scene, reverberation_time: np.ndarray) -> dict[str, np.ndarray]:
    """(n_scenarios, 8) of each of `ROOM_FIGURES`, for a diffuse field.

    Critical distance and articulation loss take the strongest source of each band with its directivity factor, and
    as many sources as come within `HEARD_BESIDE` of its power. NaN in a scenario where nothing plays.

    Parameters
    ----------
    reverberation_time : (n_scenarios, 8) float, s, the best there is
    """
    sources = scene.sources
    radiated_share = np.array([radiated(sources, i) for i in range(len(sources.names))])
    q = 4.0 * np.pi * sources.balloon.max(axis=(1, 2)) / radiated_share
    power = np.einsum("ik,ib->kib", sources.active, 10.0 ** (sources.level / 10.0) * radiated_share)
    strongest = power.argmax(axis=1)
    plays = power.max(axis=1) > 0.0
    n_heard = (power >= power.max(axis=1, keepdims=True) / 10.0 ** (HEARD_BESIDE / 10.0)).sum(axis=1)
    directivity = np.take_along_axis(q, strongest, axis=0)
    away = np.linalg.norm(scene.receivers.position[:, None] - sources.position[None], axis=2)
    nearest = np.where((sources.active > 0.0)[None], away[:, :, None], np.inf).min(axis=1)
    distance = np.median(nearest, axis=0)[:, None]
    area = np.broadcast_to(enclosure_of(scene).absorption_area, plays.shape)
    with np.errstate(invalid="ignore"):
        loss = articulation_loss_peutz(distance, reverberation_time, scene.volume, directivity, n_heard - 1)
    return {
        "schroeder_frequency": np.asarray(schroeder_frequency(reverberation_time, scene.volume)),
        "critical_distance": np.where(plays, critical_distance(area, directivity / n_heard), np.nan),
        "articulation_loss": np.where(plays, loss, np.nan),
    }


BENT_BANDS = slice(1, 7)
"""125 Hz to 4 kHz."""
LARGEST_MISFIT = 0.5
"""dB, root mean square, up to which two exponentials count as describing a decay (judged)."""


def bent_decays(
    scenarios: Sequence[str], room: Mapping[str, Estimate], slopes_of: Callable[[int, int], TwoSlopes | None]
) -> list[str]:
    """Sentences on decays with more than one slope, each with its scenarios: the curvature of ISO 3382-2, Annex B,
    mean over the seats, surely above 10 %.

    Parameters
    ----------
    slopes_of : the two decays of a scenario and band, which is asked for the scenario that is bent most
    """
    curvature = room["curvature"]
    bent = np.where(is_bent(curvature), curvature.value, -np.inf)[:, BENT_BANDS]
    most_bent = int(bent.max(axis=1).argmax())
    told = []
    for i in np.flatnonzero(np.isfinite(bent).any(axis=1)).tolist():
        band = BENT_BANDS.start + int(bent[i].argmax())
        early, t20, t30 = (room[name].value[i, band] for name in TIMES)
        text = (
            f"The decay is bent at {NOMINAL[band]:g} Hz: EDT {early:.2g} s, T20 {t20:.2g} s, T30 {t30:.2g} s. It has "
            "more than one slope, as where sound lingers in a part of the room or between bare surfaces: quote no "
            "single reverberation time, and judge speech by EDT, clarity and STI."
        )
        slopes = slopes_of(i, band) if i == most_bent else None
        if slopes is not None and slopes.misfit < LARGEST_MISFIT:
            early, late, bend = slopes.early_time, slopes.late_time, slopes.bend_time
            when = f"{bend + DIFFUSE_AFTER:.2g} s after the direct sound" if bend > 0.0 else "the start"
            text += (
                f" All seats together, it is the sum of two decays with reverberation times of {early:.2g} s and "
                f"{late:.2g} s; the slower one is the stronger from {when} on."
            )
        told.append(Told("bent", scenarios[i], float(curvature.value[i, band]), text))
    return merged(told, len(scenarios))


def missing_times(scenarios: Sequence[str], figures: Mapping[str, Replicated]) -> list[str]:
    """Sentences on decay times that cannot be evaluated at most seats of a band, each with the likeliest cause.

    Parameters
    ----------
    figures : registry name -> (n_receivers, n_scenarios, 8), decay times and "sound_pressure_level" among them
    """
    heard = np.isfinite(figures["sound_pressure_level"].full)
    whole = {name: np.isfinite(figures[name].full) for name in TIMES}
    told = []
    for i, name in enumerate(TIMES):
        missing = heard & ~(whole[name] & np.isfinite(figures[name].left_out).all(axis=0))
        # What is known of a later part of the decay tells that it goes on beyond this one.
        goes_on = np.any([np.zeros_like(heard), *(whole[other] for other in TIMES[i + 1 :])], axis=0)
        causes = {
            "too few paths arrive so late that the decay is known without any one twentieth of the rays. Ask for a "
            "higher precision.": missing & whole[name],
            "the direct sound, or it and the first reflections, take the decay down past the whole range at once, and "
            "no line can be fitted. Judge these seats by clarity and STI.": missing & ~whole[name] & goes_on,
            f"the decay does not fall by {-EVALUATION_RANGES[name][1]:g} dB in the time for which it is followed, or "
            "it breaks off before that. Nothing is guessed.": missing & ~whole[name] & ~goes_on,
        }
        n_missing, n_heard = missing.sum(axis=0), heard.sum(axis=0)
        likeliest = np.array([seats.sum(axis=0) for seats in causes.values()]).argmax(axis=0)
        for k, cause in enumerate(causes):
            concerned = (2 * n_missing > n_heard) & (likeliest == k)
            for s in np.flatnonzero(concerned.any(axis=1)).tolist():
                band = int(np.where(concerned[s], n_missing[s], 0).argmax())
                others = int(concerned[s].sum()) - 1
                also = (
                    f" and at most seats in {others} other band{'s' if others > 1 else ''}" if others else ""
                )
                text = (
                    f"{METRICS[name].symbol} is missing at {n_missing[s, band]} of {n_heard[s, band]} seats at "
                    f"{NOMINAL[band]:g} Hz{also}, and means leave these seats out: {cause}"
                )
                share = float(n_missing[s, band] / n_heard[s, band])
                told.append(Told(f"{name} {k}", scenarios[s], share, text))
    return merged(told, len(scenarios))


def statistical_times(scene: Scene) -> dict[str, np.ndarray]:
    """Reverberation time (n_scenarios, 8), s, by each of `FORMULAS`."""
    room = enclosure_of(scene)
    shape = (scene.n_scenarios, 8)
    return {name: np.broadcast_to(formula(room), shape).copy() for name, formula in FORMULAS.items()}


def broken_assumptions(scene: Scene, reverberation_time: np.ndarray) -> list[str]:
    """Sentences on what the formulas cannot know, each with the scenarios that it holds for.

    Parameters
    ----------
    reverberation_time : (n_scenarios, 8) float, s, the best there is
    """
    room = enclosure_of(scene)
    points = scene.surfaces.origin
    corners = np.concatenate([points, points + scene.surfaces.edge_u, points + scene.surfaces.edge_v])
    x, y, z = (float(size) for size in np.ptp(corners, axis=0))
    told = []
    for i, name in enumerate(scene.scenarios):
        one = replace(room, areas=np.asarray(room.areas)[:, i], absorption=room.absorption[:, i])
        for found in assumptions(one, reverberation_time[i], (x, y, z)):
            told.append(Told(found.code, name, found.value, found.text))
    return merged(told, scene.n_scenarios)


DEPARTS = 1.2
"""Traced over Kuttruff's reverberation time from which it is explained: beyond the tenth by which formulas
for diffuse rooms differ."""
LITTLE_SCATTERED = 0.3
"""Share of the reflected energy; with more, walls count as diffuse (judged, from boxes with uneven
absorption)."""


def departures(scene: Scene, traced: np.ndarray, statistical: Mapping[str, np.ndarray]) -> list[str]:
    """Sentences on why traced reverberation times exceed the formulas, each with its scenarios.

    Parameters
    ----------
    traced : (n_scenarios, 8) float, s, NaN where not evaluable
    statistical : as `statistical_times` gives them
    """
    with np.errstate(invalid="ignore"):
        ratio = np.nan_to_num(traced / statistical["kuttruff"])
    worst = ratio.argmax(axis=1)
    told = []
    for i in np.flatnonzero(ratio.max(axis=1) > DEPARTS):
        band = int(worst[i])
        code, text = _departure(scene, int(i), band, traced[i, band], statistical["kuttruff"][i, band])
        told.append(Told(code, scene.scenarios[i], float(ratio[i, band]), text))
    return merged(told, scene.n_scenarios)


def _departure(scene: Scene, scenario: int, band: int, traced: float, diffuse: float) -> tuple[str, str]:
    """What the cause is taken to be, "little scattered" or "shape", and the sentence."""
    area = np.array([patch.area * patch.sides for patch in scene.patches])
    specular, scattered, _ = np.moveaxis(scene.factors[:, :, scenario, band], 1, 0)
    share = float((area * scattered).sum() / max((area * (specular + scattered)).sum(), 1e-12))
    room = enclosure_of(scene)
    one = replace(room, areas=np.asarray(room.areas)[:, scenario], absorption=room.absorption[:, scenario])
    along = one.along_axes()[1][:, band]
    high, low = int(np.nanargmax(along)), int(np.nanargmin(along))
    figures = (
        f"The traced T20 at {NOMINAL[band]:g} Hz is {traced:.2g} s, where formulas for a diffuse room say "
        f"{diffuse:.2g} s (Kuttruff)."
    )
    if share < LITTLE_SCATTERED:
        return (
            "little scattered",
            f"{figures} Surfaces that face along {'xyz'[high]} absorb {along[high]:.2f}, along {'xyz'[low]} "
            f"{along[low]:.2f}, and only {share:.0%} of what is reflected is scattered: sound that keeps "
            "away from the absorbing surfaces outlives the rest. The truth lies between these two figures "
            "and hangs on how much the surfaces scatter: check their scattering, or measure the room, before "
            "relying on either.",
        )
    return (
        "shape",
        f"{figures} {share:.0%} of what is reflected is scattered, so the shape must be the cause: coupled "
        "spaces, or a long or flat room. The formulas do not hold here; trust the traced one.",
    )


class Told(NamedTuple):
    """Something that is doubtful about one scenario."""

    code: str
    """What it is: of scenarios that share a code it is said once."""
    scenario: str
    value: float
    """How far it goes; the larger, the graver."""
    text: str


def merged(told: Iterable[Told], n_scenarios: int) -> list[str]:
    """One sentence for each code, with the figures of the scenario where it goes farthest and the names of all that
    it holds for."""
    alike: dict[str, list[Told]] = {}
    for one in told:
        alike.setdefault(one.code, []).append(one)
    said = []
    for group in alike.values():
        gravest = max(group, key=lambda one: one.value)
        others = [one.scenario for one in group if one is not gravest]
        # The figures of one scenario are those of another only if they go as far.
        as_far = all(np.isclose(one.value, gravest.value, rtol=1e-3) for one in group)
        others_named = "all scenarios" if as_far else "all other scenarios"
        if len(group) < n_scenarios:
            others_named = list_text(others)
        also = f", and {'so' if as_far else 'less so'} {others_named}" if others else ""
        said.append(f"{gravest.scenario}{also}: {gravest.text}")
    return said
