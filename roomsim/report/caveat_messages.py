"""The messages of all caveats. No other module turns caveats into sentences."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import groupby

import numpy as np

from .. import bands
from ..metrics.registry import METRICS
from ..results.records import Caveat
from ..scene.findings import list_text
from ..words import counted
from .values import percent

_CONTRAST = (
    "surfaces facing along {most_along:axis} have a mean absorption coefficient of {most:.2f}, those facing along "
    "{least_along:axis} of {least:.2f}"
)
_TRACED = "The traced T20 at {bands} is {traced:.2g} s; a diffuse room would have {kuttruff:.2g} s (Kuttruff)."
_PRECISION = (
    "was not reached within the time or the number of rays allowed: in {share_of_seats:percent} of the seats the "
    "standard error of the {symbol} is at most {reached:.3f}{unit}; {wanted:g}{unit} was requested."
)
_MISSING = (
    "The {symbol} is missing at {missing:.0f} of {heard:.0f} seats at {band:band}{other_bands}, and means leave these "
    "seats out:"
)
MESSAGES = {
    "precision_missed_run": f"The requested precision {_PRECISION}",
    "precision_missed_search": f"The precision requested of the search {_PRECISION}",
    "precision_missed_finalists": f"The precision requested of the finalists {_PRECISION}",
    "energy_lost": (
        "{lost_rays:,.0f} of {rays:,.0f} rays left through gaps in the mesh, taking {share:percent2} of the energy "
        "with them; it is missing at the seats."
    ),
    "modal_region": (
        "At {bands} individual room modes are distinct (Schroeder frequency {schroeder_frequency:.0f} Hz): energy "
        "methods give a trend there, not a value for a single seat."
    ),
    "nearly_anechoic": (
        "The mean absorption coefficient reaches {absorption:.2f} ({bands}): sound decays within a few reflections, "
        "and no reverberation formula is valid."
    ),
    "highly_absorbing": (
        "The mean absorption coefficient reaches {absorption:.2f} ({bands}): Sabine's formula gives reverberation "
        "times up to {sabine_excess:percent} too long even in a diffuse room."
    ),
    "uneven_absorption": (
        f"Absorption is unevenly distributed ({{bands}}): at {{band:band}} {_CONTRAST}. The decay depends on how much "
        "the surfaces scatter, and the formulas disagree widely: rely on the traced reverberation time."
    ),
    "disproportionate_room": (
        "The room is {is_flat:shape} ({x:.0f} x {y:.0f} x {z:.0f} m): level and decay vary within it, and a single "
        "reverberation time does not describe it."
    ),
    "long_decay_specular": (
        f"{_TRACED} Only {{scattered_share:percent}} of the reflected energy is scattered, and {_CONTRAST}: sound "
        "between the less absorbing surfaces decays more slowly than the rest. The true value lies between these two "
        "figures and depends on the scattering: check the scattering coefficients, or measure the room, before "
        "relying on either."
    ),
    "long_decay_shape": (
        f"{_TRACED} {{scattered_share:percent}} of the reflected energy is scattered, so the cause must be the shape "
        "of the room: coupled spaces, or a long or flat room. The formulas do not apply here; rely on the traced "
        "reverberation time."
    ),
    "bent_decay": (
        "The decay at {bands} has more than one slope: EDT {early_decay_time:.2g} s, T20 {reverberation_time_t20:.2g} "
        "s, T30 {reverberation_time_t30:.2g} s. Sound lingers in part of the room or between reflective surfaces. Do "
        "not quote a single reverberation time, and assess speech by EDT, clarity and STI."
    ),
    "few_late_paths": (
        "Too few late paths reach the seats at {bands}: the standard error of the {symbol} at the median seat is up to "
        "{relative_error:percent} of its value there, and above {largest:percent} its 95 % intervals are too narrow. "
        "Request a finer precision (a smaller standard error of the STI), which takes more rays, or do not rely on the "
        "{symbol} in these bands."
    ),
    "missing_time_few_paths": (
        f"{_MISSING} so few late paths arrive that single paths determine whether it can be evaluated. Request a "
        "higher precision."
    ),
    "missing_time_early_drop": (
        f"{_MISSING} the direct sound, or the direct sound and the first reflections, account for the whole range of "
        "the decay at once, and no line can be fitted. Assess these seats by clarity and STI."
    ),
    "missing_time_cut_off": (
        f"{_MISSING} the decay does not fall by {{range_end:g}} dB within the computed time, or ends before. No value "
        "is extrapolated."
    ),
    "search_not_confirmed": (
        "When traced again, {beyond_chance:.0f} of {compared:.0f} values of the finalists differ from those of the "
        "search by more than chance explains, most of all {figure} with {elements} ({severity:.1f} standard errors). "
        "Request a smaller error (--sti-error) before relying on small differences."
    ),
    "candidate_refused": "{element} is not a candidate: {reason}",
}
"""Code -> sentences, with the values and texts of a caveat by name. A finding of the check has its own text."""
ADDITIONS = {
    "late_from": (
        " For all seats together the decay is the sum of two, with reverberation times of {early:.2g} s and {late:.2g} "
        "s; the slower one dominates from {late_from:since} on."
    ),
}
"""Value -> sentences that are added if a caveat has this value."""


def caveat_messages(caveats: Sequence[Caveat], n_scenarios: int) -> list[str]:
    """Messages; caveats of the same code and subject share one.

    It states the values of the scenario in which the caveat is most severe and names the other scenarios.

    Parameters
    ----------
    n_scenarios : number of scenarios of the study
    """
    groups: dict[tuple[str, str], list[Caveat]] = {}
    for caveat in caveats:
        if caveat.scenario:
            groups.setdefault((caveat.code, caveat.subject), []).append(caveat)
    general = [_message(caveat) for caveat in caveats if not caveat.scenario]
    return general + [_scenario_message(group, n_scenarios) for group in groups.values()]


def _scenario_message(group: Sequence[Caveat], n_scenarios: int) -> str:
    worst = max(group, key=lambda caveat: caveat.severity)
    others = [caveat.scenario for caveat in group if caveat is not worst]
    if not others:
        return f"{worst.scenario}: {_message(worst)}"
    names = "all other scenarios" if len(group) == n_scenarios else list_text(others)
    # The values are those of one scenario; the others are only called equal if their severities are.
    is_equal = all(np.isclose(caveat.severity, worst.severity, rtol=1e-3) for caveat in group)
    return f"{worst.scenario} (and {'equally' if is_equal else 'to a lesser degree'} {names}): {_message(worst)}"


def _message(caveat: Caveat) -> str:
    words: dict[str, object] = {name: _Value(value) for name, value in caveat.values.items()}
    words |= {**caveat.texts, "severity": caveat.severity, "bands": band_ranges(caveat.bands)}
    others = len(caveat.bands) - 1
    words["other_bands"] = f" and at most seats in {counted(others, 'other band')}" if others > 0 else ""
    if caveat.subject:
        unit = METRICS[caveat.subject].unit
        words |= {"symbol": METRICS[caveat.subject].symbol, "unit": f" {unit}" if unit else ""}
    added = "".join(text for name, text in ADDITIONS.items() if name in caveat.values)
    return (MESSAGES.get(caveat.code, "{place}: {text}") + added).format_map(words)


class _Value(float):
    """A number that a message may also write in per cent, or as a band, an axis, a shape or a time."""

    def __format__(self, spec: str) -> str:
        if spec.startswith("percent"):
            return percent(self, int(spec.removeprefix("percent") or 0))
        if spec == "since":
            return f"{self:.2g} s after the direct sound" if self else "the start"
        words = {"band": bands.NAMES, "axis": "xyz", "shape": ("long", "flat")}.get(spec)
        return super().__format__(spec) if words is None else words[int(self)]


def band_ranges(chosen: Iterable[int]) -> str:
    """Octave bands in a sentence: "63 Hz", "63 Hz to 250 Hz, 4 kHz"."""
    runs = [[i for _, i in run] for _, run in groupby(enumerate(sorted(chosen)), lambda pair: pair[1] - pair[0])]
    names = bands.NAMES
    return ", ".join(names[run[0]] if len(run) == 1 else f"{names[run[0]]} to {names[run[-1]]}" for run in runs)
