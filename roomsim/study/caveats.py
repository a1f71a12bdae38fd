"""What makes the figures of a run doubtful, as data: one `Caveat` for every scenario concerned."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from ..decay.curves import EVALUATION_RANGES
from ..decay.enclosure import enclosure_of
from ..decay.slopes import DIFFUSE_AFTER, TwoSlopes
from ..estimate import Estimate
from ..metrics.common_seats import TIMES
from ..metrics.replicated import Replicated
from ..metrics.room_parameters import is_bent
from ..physics.reverberation import Enclosure, assumptions, axis_contrast
from ..results.records import Caveat
from ..scene.element_checks import LIMITS
from ..scene.findings import Finding
from ..scene.rigging_checks import NOT_CHECKED
from ..scene.scene import Scene
from ..venue.document import Precision
from .pooled_errors import over_known_seats

if TYPE_CHECKING:
    from .convergence import Convergence

LEAST_LOSS = 1e-4
"""Share of the energy lost through gaps from which it is reported: 0.01 % is 0.0004 dB."""
LONGER = 1.2
"""Traced over Kuttruff's reverberation time from which it is explained: beyond the tenth by which formulas
for diffuse rooms differ."""
LITTLE_SCATTERED = 0.3
"""Share of the reflected energy; with more, surfaces count as diffuse (judged, from boxes with uneven
absorption)."""
BENT_BANDS = slice(1, 7)
"""125 Hz to 4 kHz."""
LARGEST_MISFIT = 0.5
"""dB, root mean square, up to which two exponentials count as describing a decay (judged)."""
LARGEST_RELATIVE_ERROR = 0.1
"""Relative standard error at the median seat up to which 95 % intervals of reverberation times were found to hold the
truth in nine of ten cases or more (`benchmarks/intervals.py`)."""


def run_caveats(wanted: Precision, reached: Convergence, findings: Sequence[Finding]) -> list[Caveat]:
    """Precision not met, energy lost, and the warnings of the check."""
    found = missed_precision(wanted, reached, "run")
    if reached.lost_energy >= LEAST_LOSS:
        lost = {"lost_rays": reached.n_lost, "rays": reached.n_rays, "share": reached.lost_energy}
        found.append(Caveat("energy_lost", values=lost))
    # Limits stand beside each scenario; a gap counts by the energy that was lost.
    elsewhere = {code for code, _ in LIMITS.values()} | {"leak"}
    return found + [
        finding_caveat(finding)
        for finding in findings
        if (finding.severity == "warning" and finding.code not in elsewhere) or finding.code in NOT_CHECKED
    ]


def missed_precision(wanted: Precision, reached: Convergence, part: str) -> list[Caveat]:
    """One for every quantity whose precision was not reached.

    Parameters
    ----------
    part : "run", "search" or "finalists": whose
    """
    return [
        Caveat(
            f"precision_missed_{part}",
            subject=name,
            values={"reached": error, "wanted": asked, "share_of_seats": wanted.share_of_seats},
        )
        for name, (error, asked) in reached.missed.items()
    ]


def finding_caveat(finding: Finding) -> Caveat:
    """A finding of the check, in its own words."""
    return Caveat(finding.code, texts={"place": finding.place, "text": finding.text})


def broken_assumptions(scene: Scene, reverberation_time: np.ndarray) -> list[Caveat]:
    """What the formulas cannot know.

    Parameters
    ----------
    reverberation_time : (n_scenarios, 8) float, s, the best there is
    """
    points = scene.surfaces.origin
    corners = np.concatenate([points, points + scene.surfaces.edge_u, points + scene.surfaces.edge_v])
    x, y, z = (float(size) for size in np.ptp(corners, axis=0))
    whole = enclosure_of(scene)
    return [
        Caveat(broken.code, name, severity=broken.severity, bands=broken.bands, values=broken.values)
        for i, name in enumerate(scene.scenarios)
        for broken in assumptions(_in_scenario(whole, i), reverberation_time[i], (x, y, z))
    ]


def _in_scenario(whole: Enclosure, scenario: int) -> Enclosure:
    return replace(whole, areas=np.asarray(whole.areas)[:, scenario], absorption=whole.absorption[:, scenario])


def long_decays(scene: Scene, traced: np.ndarray, statistical: Mapping[str, np.ndarray]) -> list[Caveat]:
    """Traced reverberation times well above those of the formulas: from little scattering, or else from the shape.

    Parameters
    ----------
    traced : (n_scenarios, 8) float, s, NaN where not evaluable
    statistical : as `statistical_times` gives them
    """
    kuttruff = statistical["kuttruff"]
    with np.errstate(invalid="ignore"):
        ratio = np.nan_to_num(traced / kuttruff)
    whole = enclosure_of(scene)
    area = np.array([patch.area * patch.sides for patch in scene.patches])
    found = []
    for i in np.flatnonzero(ratio.max(axis=1) > LONGER).tolist():
        band = int(ratio[i].argmax())
        specular, scattered, _ = np.moveaxis(scene.factors[:, :, i, band], 1, 0)
        share = float((area * scattered).sum() / max((area * (specular + scattered)).sum(), 1e-12))
        found.append(
            Caveat(
                "long_decay_specular" if share < LITTLE_SCATTERED else "long_decay_shape",
                scene.scenarios[i],
                severity=float(ratio[i, band]),
                bands=(band,),
                values={
                    "traced": float(traced[i, band]),
                    "kuttruff": float(kuttruff[i, band]),
                    "scattered_share": share,
                    **axis_contrast(_in_scenario(whole, i), band),
                },
            )
        )
    return found


def bent_decays(
    scenarios: Sequence[str], room: Mapping[str, Estimate], slopes_of: Callable[[int, int], TwoSlopes | None]
) -> list[Caveat]:
    """Decays with more than one slope: the curvature of ISO 3382-2, Annex B, mean over the seats, surely above 10 %.

    Parameters
    ----------
    slopes_of : the two decays of a scenario and band, which is asked for the scenario that is bent most
    """
    curvature = room["curvature"]
    bent = np.where(is_bent(curvature), curvature.value, -np.inf)[:, BENT_BANDS]
    most_bent = int(bent.max(axis=1).argmax())
    found = []
    for i in np.flatnonzero(np.isfinite(bent).any(axis=1)).tolist():
        band = BENT_BANDS.start + int(bent[i].argmax())
        values = {name: float(room[name].value[i, band]) for name in TIMES}
        slopes = slopes_of(i, band) if i == most_bent else None
        if slopes is not None and slopes.misfit < LARGEST_MISFIT:
            stronger_from = slopes.bend_time + DIFFUSE_AFTER if slopes.bend_time > 0.0 else 0.0
            values |= {"early": slopes.early_time, "late": slopes.late_time, "late_from": stronger_from}
        severity = float(curvature.value[i, band])
        found.append(Caveat("bent_decay", scenarios[i], severity=severity, bands=(band,), values=values))
    return found


def few_late_paths(scenarios: Sequence[str], seats: Mapping[str, Estimate]) -> list[Caveat]:
    """Reverberation times that rest on too few late paths.

    Parameters
    ----------
    seats : registry name -> Estimate of (n_receivers, n_scenarios, 8)
    """
    found = []
    for name in TIMES:
        time = seats[name]
        relative = np.nan_to_num(over_known_seats(np.nanmedian, time.standard_error / time.value))
        for i in np.flatnonzero((relative > LARGEST_RELATIVE_ERROR).any(axis=1)).tolist():
            bands = tuple(np.flatnonzero(relative[i] > LARGEST_RELATIVE_ERROR).tolist())
            worst = float(relative[i].max())
            values = {"relative_error": worst, "largest": LARGEST_RELATIVE_ERROR}
            found.append(Caveat("few_late_paths", scenarios[i], name, worst, bands, values))
    return found


def missing_times(scenarios: Sequence[str], figures: Mapping[str, Replicated]) -> list[Caveat]:
    """Decay times that cannot be evaluated at most seats of a band, by the likeliest cause.

    Parameters
    ----------
    figures : registry name -> (n_receivers, n_scenarios, 8), decay times and "sound_pressure_level" among them
    """
    heard = np.isfinite(figures["sound_pressure_level"].full)
    whole = {name: np.isfinite(figures[name].full) for name in TIMES}
    found = []
    for i, name in enumerate(TIMES):
        missing = heard & ~(whole[name] & np.isfinite(figures[name].left_out).all(axis=0))
        # Where a later part of the decay is known, it goes on beyond this one.
        goes_on = np.any([np.zeros_like(heard), *(whole[other] for other in TIMES[i + 1 :])], axis=0)
        causes = {
            "missing_time_few_paths": missing & whole[name],
            "missing_time_early_drop": missing & ~whole[name] & goes_on,
            "missing_time_cut_off": missing & ~whole[name] & ~goes_on,
        }
        n_missing, n_heard = missing.sum(axis=0), heard.sum(axis=0)
        likeliest = np.array([seats.sum(axis=0) for seats in causes.values()]).argmax(axis=0)
        for k, code in enumerate(causes):
            concerned = (2 * n_missing > n_heard) & (likeliest == k)
            for s in np.flatnonzero(concerned.any(axis=1)).tolist():
                band = int(np.where(concerned[s], n_missing[s], 0).argmax())
                values = {
                    "missing": float(n_missing[s, band]),
                    "heard": float(n_heard[s, band]),
                    "band": float(band),
                    "range_end": -EVALUATION_RANGES[name][1],
                }
                bands = tuple(np.flatnonzero(concerned[s]).tolist())
                share = float(n_missing[s, band] / n_heard[s, band])
                found.append(Caveat(code, scenarios[s], name, share, bands, values))
    return found
