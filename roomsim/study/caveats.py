"""Reasons to doubt figures of a run, as data: one `Caveat` for every scenario concerned."""

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
from ..scene.checks import reported_findings
from ..scene.findings import Finding
from ..scene.scene import Scene
from ..venue.document import Precision
from .pooled_errors import over_known_seats

if TYPE_CHECKING:
    from .convergence import Convergence

LEAST_LOSS = 1e-4
"""The smallest share of the energy lost through gaps that is reported: 0.01 % is 0.0004 dB."""
LONGER = 1.2
"""The ratio of the traced to Kuttruff's reverberation time above which a reason is given; formulas for diffuse rooms
differ from each other by a tenth."""
LITTLE_SCATTERED = 0.3
"""Scattered share of the reflected energy above which surfaces count as diffuse (judged, from boxes with uneven
absorption)."""
BENT_BANDS = slice(1, 7)
"""125 Hz to 4 kHz."""
LARGEST_MISFIT = 0.5
"""dB, root mean square, up to which two exponentials are taken to describe a decay (judged)."""
LARGEST_RELATIVE_ERROR = 0.1
"""Relative standard error at the median seat up to which 95 % intervals of reverberation times were found to contain
the true value in nine of ten cases or more (`benchmarks/intervals.py`)."""


def run_caveats(precision: Precision, convergence: Convergence, findings: Sequence[Finding]) -> list[Caveat]:
    """Precision not reached, energy lost, and the warnings of the check."""
    caveats, paths = missed_precision(precision, convergence, "run"), convergence.paths
    if paths.share_lost >= LEAST_LOSS:
        lost = {"lost_rays": paths.n_lost, "rays": paths.n_rays, "share": paths.share_lost}
        caveats.append(Caveat("energy_lost", values=lost))
    # Gaps are reported by the energy that was lost.
    return caveats + [finding_caveat(finding) for finding in reported_findings(findings) if finding.code != "leak"]


def missed_precision(precision: Precision, convergence: Convergence, part: str) -> list[Caveat]:
    """One for every quantity whose precision was not reached.

    Parameters
    ----------
    part : "run", "search" or "finalists", to which the precision belongs
    """
    return [
        Caveat(
            f"precision_missed_{part}",
            subject=name,
            values={"reached": error, "wanted": requested, "share_of_seats": precision.share_of_seats},
        )
        for name, (error, requested) in convergence.missed.items()
    ]


def finding_caveat(finding: Finding) -> Caveat:
    """A finding of the check, with its own text."""
    return Caveat(finding.code, texts={"place": finding.place, "text": finding.text})


def broken_assumptions(scene: Scene, reverberation_time: np.ndarray) -> list[Caveat]:
    """Assumptions of the statistical formulas that do not hold.

    Parameters
    ----------
    reverberation_time : (n_scenarios, 8) float, s, the best estimate available
    """
    points = scene.surfaces.origin
    corners = np.concatenate([points, points + scene.surfaces.edge_u, points + scene.surfaces.edge_v])
    x, y, z = (float(size) for size in np.ptp(corners, axis=0))
    enclosure = enclosure_of(scene)
    return [
        Caveat(broken.code, name, severity=broken.severity, bands=broken.bands, values=broken.values)
        for i, name in enumerate(scene.scenarios)
        for broken in assumptions(_in_scenario(enclosure, i), reverberation_time[i], (x, y, z))
    ]


def _in_scenario(enclosure: Enclosure, scenario: int) -> Enclosure:
    areas, absorption = np.asarray(enclosure.areas), enclosure.absorption
    return replace(enclosure, areas=areas[:, scenario], absorption=absorption[:, scenario])


def long_decays(scene: Scene, traced: np.ndarray, statistical: Mapping[str, np.ndarray]) -> list[Caveat]:
    """Traced reverberation times well above those of the formulas, because of little scattering or of the shape.

    Parameters
    ----------
    traced : (n_scenarios, 8) float, s, NaN where it cannot be evaluated
    statistical : from `statistical_times`
    """
    kuttruff = statistical["kuttruff"]
    with np.errstate(invalid="ignore"):
        ratio = np.nan_to_num(traced / kuttruff)
    enclosure = enclosure_of(scene)
    area = np.array([patch.area * patch.sides for patch in scene.patches])
    caveats = []
    for i in np.flatnonzero(ratio.max(axis=1) > LONGER).tolist():
        band = int(ratio[i].argmax())
        specular, scattered, _ = np.moveaxis(scene.factors[:, :, i, band], 1, 0)
        share = float((area * scattered).sum() / max((area * (specular + scattered)).sum(), 1e-12))
        caveats.append(
            Caveat(
                "long_decay_specular" if share < LITTLE_SCATTERED else "long_decay_shape",
                scene.scenarios[i],
                severity=float(ratio[i, band]),
                bands=(band,),
                values={
                    "traced": float(traced[i, band]),
                    "kuttruff": float(kuttruff[i, band]),
                    "scattered_share": share,
                    **axis_contrast(_in_scenario(enclosure, i), band),
                },
            )
        )
    return caveats


def bent_decays(
    scenarios: Sequence[str], room: Mapping[str, Estimate], slopes_of: Callable[[int, int], TwoSlopes | None]
) -> list[Caveat]:
    """Decays with more than one slope: the curvature of ISO 3382-2, Annex B, mean over the seats, is significantly
    above 10 %.

    Parameters
    ----------
    slopes_of : the two decays of a scenario and band; called for the scenario with the largest curvature only
    """
    curvature = room["curvature"]
    bent = np.where(is_bent(curvature), curvature.value, -np.inf)[:, BENT_BANDS]
    most_bent = int(bent.max(axis=1).argmax())
    caveats = []
    for i in np.flatnonzero(np.isfinite(bent).any(axis=1)).tolist():
        band = BENT_BANDS.start + int(bent[i].argmax())
        values = {name: float(room[name].value[i, band]) for name in TIMES}
        slopes = slopes_of(i, band) if i == most_bent else None
        if slopes is not None and slopes.misfit < LARGEST_MISFIT:
            stronger_from = slopes.bend_time + DIFFUSE_AFTER if slopes.bend_time > 0.0 else 0.0
            values |= {"early": slopes.early_time, "late": slopes.late_time, "late_from": stronger_from}
        severity = float(curvature.value[i, band])
        caveats.append(Caveat("bent_decay", scenarios[i], severity=severity, bands=(band,), values=values))
    return caveats


def few_late_paths(scenarios: Sequence[str], seats: Mapping[str, Estimate]) -> list[Caveat]:
    """Reverberation times that depend on too few late paths.

    Parameters
    ----------
    seats : registry name -> Estimate of (n_receivers, n_scenarios, 8)
    """
    caveats = []
    for name in TIMES:
        time = seats[name]
        relative = np.nan_to_num(over_known_seats(np.nanmedian, time.standard_error / time.value))
        for i in np.flatnonzero((relative > LARGEST_RELATIVE_ERROR).any(axis=1)).tolist():
            bands = tuple(np.flatnonzero(relative[i] > LARGEST_RELATIVE_ERROR).tolist())
            worst = float(relative[i].max())
            values = {"relative_error": worst, "largest": LARGEST_RELATIVE_ERROR}
            caveats.append(Caveat("few_late_paths", scenarios[i], name, worst, bands, values))
    return caveats


def missing_times(scenarios: Sequence[str], figures: Mapping[str, Replicated]) -> list[Caveat]:
    """Decay times that cannot be evaluated at most seats of a band, by their most frequent cause.

    Parameters
    ----------
    figures : registry name -> (n_receivers, n_scenarios, 8), decay times and "sound_pressure_level" among them
    """
    audible = np.isfinite(figures["sound_pressure_level"].full)
    known = {name: np.isfinite(figures[name].full) for name in TIMES}
    caveats = []
    for i, name in enumerate(TIMES):
        missing = audible & ~(known[name] & np.isfinite(figures[name].left_out).all(axis=0))
        # Where a later part of the decay is known, the decay continues beyond this part.
        continues = np.any([np.zeros_like(audible), *(known[other] for other in TIMES[i + 1 :])], axis=0)
        causes = {
            "missing_time_few_paths": missing & known[name],
            "missing_time_early_drop": missing & ~known[name] & continues,
            "missing_time_cut_off": missing & ~known[name] & ~continues,
        }
        n_missing, n_audible = missing.sum(axis=0), audible.sum(axis=0)
        most_frequent = np.array([seats.sum(axis=0) for seats in causes.values()]).argmax(axis=0)
        for k, code in enumerate(causes):
            concerned = (2 * n_missing > n_audible) & (most_frequent == k)
            for s in np.flatnonzero(concerned.any(axis=1)).tolist():
                band = int(np.where(concerned[s], n_missing[s], 0).argmax())
                values = {
                    "missing": float(n_missing[s, band]),
                    "heard": float(n_audible[s, band]),
                    "band": float(band),
                    "range_end": -EVALUATION_RANGES[name][1],
                }
                bands = tuple(np.flatnonzero(concerned[s]).tolist())
                share = float(n_missing[s, band] / n_audible[s, band])
                caveats.append(Caveat(code, scenarios[s], name, share, bands, values))
    return caveats
