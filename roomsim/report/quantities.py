"""Names of quantities in pictures and on the command line."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from .. import bands
from ..errors import RoomsimError, suggestion
from ..metrics.registry import METRICS
from ..results.records import Results

STI = "speech_transmission_index"
T20 = "reverberation_time_t20"


@dataclass(frozen=True)
class QuantityLabel:
    """Title, symbol and unit of one quantity in one band, for pictures."""

    title: str
    """"Speech transmission index"; "Reverberation time T20, mean of 500 Hz and 1 kHz"."""
    symbol: str
    unit: str
    """Empty if the quantity has no unit."""
    decimals: int
    """Number of meaningful decimals."""
    change: str
    """Term for a difference: "gain" if larger values are always better, otherwise "change"."""
    key: str
    """For file names: "sti", "t20_mid", "lp_125"."""

    @property
    def unit_suffix(self) -> str:
        """The unit after a number, with a space: " dB"; empty if there is no unit."""
        return f" {self.unit}" if self.unit else ""

    @property
    def axis_label(self) -> str:
        return f"{self.symbol} ({self.unit})" if self.unit else self.symbol


def quantity_label(metric: str, band: int | None) -> QuantityLabel:
    """Label of a quantity of the registry, for one band or, without a band, for the mean of 500 Hz and 1 kHz."""
    row = METRICS[metric]
    name = row.name.replace("_", " ").removesuffix(f" {row.symbol.lower()}").capitalize()
    title = name if metric == STI else f"{name} {row.symbol}"
    title = title.replace("A weighted", "A-weighted")
    key = row.symbol.lower()
    if row.per_band:
        title += ", mean of 500 Hz and 1 kHz" if band is None else f", octave {bands.NOMINAL[band]:g} Hz"
        key += "_mid" if band is None else f"_{bands.LABELS[band]}"
    change = "gain" if row.better == "higher" else "change"
    return QuantityLabel(title, row.symbol, row.unit.replace("permille", "‰"), row.decimals, change, key)


def find_quantity(text: str, known: Iterable[str] = METRICS) -> str:
    """Registry name of a quantity, from its name or its symbol ("T20", "sti").

    Raises
    ------
    RoomsimError : it is not among the `known` names; the message lists similar names
    """
    names = [name for name in METRICS if name in set(known)]
    query = text.strip().lower().replace("-", "_").replace(" ", "_")
    for name in names:
        if query in (name, METRICS[name].symbol.lower()):
            return name
    raise RoomsimError(
        f"there is no quantity {text!r} here.", cure=suggestion(text, (METRICS[name].symbol for name in names))
    )


def find_band(frequency: float) -> int:
    """Index of the octave band of a nominal mid-band frequency, Hz.

    Raises
    ------
    RoomsimError : there is no such band
    """
    for i, nominal in enumerate(bands.NOMINAL):
        if abs(frequency - nominal) < 1.0:
            return i
    known = ", ".join(f"{nominal:g}" for nominal in bands.NOMINAL)
    raise RoomsimError(f"there is no octave band at {frequency:g} Hz.", cure=f"Known: {known} Hz.")


def find_scenarios(results: Results, names: Iterable[str]) -> list[int]:
    """Indices of scenarios by their names.

    Raises
    ------
    RoomsimError : a name is unknown; the message lists similar names
    """
    known = [scenario.name for scenario in results.scenarios]
    indices = []
    for name in names:
        if name not in known:
            raise RoomsimError(f"there is no scenario {name!r} here.", cure=suggestion(name, known))
        indices.append(known.index(name))
    return indices
