"""How a quantity is called on pictures."""

from __future__ import annotations

from dataclasses import dataclass

from .. import bands


@dataclass(frozen=True)
class Shown:
    """Wording of one quantity in one band."""

    title: str
    """"Speech transmission index"; "Reverberation time T20, mean of 500 Hz and 1 kHz"."""
    symbol: str
    unit: str
    """Empty where there is none."""
    key: str
    """For file names: "sti", "t20_mid", "level_125"."""

    @property
    def axis(self) -> str:
        return f"{self.symbol} ({self.unit})" if self.unit else self.symbol


def shown_as(metric: str, band: int | None, has_bands: bool) -> Shown:
    names = {"sti": ("Speech transmission index", "STI", ""), "t20": ("Reverberation time", "T20", "s")}
    names |= {"c50": ("Clarity", "C50", "dB"), "level": ("Sound pressure level", "Lp", "dB")}
    title, symbol, unit = names[metric]
    if not has_bands:
        return Shown(title, symbol, unit, metric)
    where = "mean of 500 Hz and 1 kHz" if band is None else f"octave {bands.NOMINAL[band]:g} Hz"
    key = "mid" if band is None else bands.LABELS[band]
    return Shown(f"{title}, {where}", symbol, unit, f"{metric}_{key}")
