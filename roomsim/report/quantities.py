"""How quantities are called on pictures and on the command line."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from .. import bands
from ..errors import RoomsimError, suggestion
from ..metrics.registry import METRICS

STI = "speech_transmission_index"
T20 = "reverberation_time_t20"


@dataclass(frozen=True)
class Shown:
    """Wording of one quantity in one band."""

    title: str
    """"Speech transmission index"; "Reverberation time T20, mean of 500 Hz and 1 kHz"."""
    symbol: str
    unit: str
    """Empty where there is none."""
    change: str
    """Word for a difference: "gain" where more is always better."""
    key: str
    """For file names: "sti", "t20_mid", "lp_125"."""

    @property
    def axis(self) -> str:
        return f"{self.symbol} ({self.unit})" if self.unit else self.symbol


def shown_as(metric: str, band: int | None) -> Shown:
    """Wording of a quantity of the registry; without a band the mean of 500 Hz and 1 kHz is meant."""
    row = METRICS[metric]
    words = row.name.replace("_", " ").removesuffix(f" {row.symbol.lower()}").capitalize()
    title = words if metric == STI else f"{words} {row.symbol}"
    title = title.replace("A weighted", "A-weighted")
    key = row.symbol.lower()
    if row.per_band:
        title += ", mean of 500 Hz and 1 kHz" if band is None else f", octave {bands.NOMINAL[band]:g} Hz"
        key += "_mid" if band is None else f"_{bands.LABELS[band]}"
    change = "gain" if row.better == "higher" else "change"
    return Shown(title, row.symbol, row.unit.replace("permille", "‰"), change, key)


def find_quantity(text: str, known: Iterable[str] = METRICS) -> str:
    """Registry name of a quantity given by its name or its symbol ("T20", "sti").

    Raises
    ------
    RoomsimError : it is not among the `known` names; the message lists the near misses
    """
    names = [name for name in METRICS if name in set(known)]
    wanted = text.strip().lower().replace("-", "_").replace(" ", "_")
    for name in names:
        if wanted in (name, METRICS[name].symbol.lower()):
            return name
    raise RoomsimError(
        f"there is no quantity {text!r} here.",
        cure=suggestion(text, (METRICS[name].symbol for name in names)),
    )
