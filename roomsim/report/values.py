"""How values and their intervals are written in tables, pictures and sentences."""

from __future__ import annotations

import math

from ..results.interval import Interval

NONE = "–"
"""Where there is no value."""


def decimal(value: float, decimals: int, sign: bool = False) -> str:
    """A number with so many decimals, with a typographic minus, and a plus if `sign`; NaN as `NONE`."""
    if not math.isfinite(value):
        return NONE
    # Rounding first keeps a minus away from what is shown as zero.
    return f"{round(value, decimals) + 0.0:{'+' if sign else ''}.{decimals}f}".replace("-", "−")


def decimals_of(interval: Interval, most: int) -> int:
    """Decimals down to the first digit of half the interval, rounded to it: later ones are noise. `most` without
    an error; one more where the error is too small to be seen with so many."""
    if not 0.0 < interval.half_width < math.inf:
        return most
    return min(most + 1, max(0, -int(f"{interval.half_width:.0e}".partition("e")[2])))


def number(interval: Interval, most: int, sign: bool = False) -> str:
    """The value alone, to as many decimals as `decimals_of` gives."""
    return decimal(interval.value, decimals_of(interval, most), sign)


def error_text(interval: Interval, most: int) -> str:
    """Half the interval, rounded but never to zero: "0.01"; empty where there is none."""
    if not math.isfinite(interval.value) or not interval.half_width > 0.0:
        return ""
    n = decimals_of(interval, most)
    return f"{max(interval.half_width, 10.0**-n):.{n}f}"


def with_error(interval: Interval, most: int, sign: bool = False) -> str:
    """ "0.52 ± 0.01"; a value without an error stands alone."""
    error = error_text(interval, most)
    return number(interval, most, sign) + (error and f" ± {error}")


def with_interval(gain: Interval, most: int) -> str:
    """ "+0.07 (0.06 to 0.08)". An interval that leaves out zero is shown with as many decimals as it takes to see
    that."""
    if not math.isfinite(gain.value) or not gain.half_width > 0.0:
        return number(gain, most, sign=True)
    n = decimals_of(gain, most)
    nearest = min(abs(gain.low), abs(gain.high))
    while gain.is_significant and nearest < 0.5 * 10.0**-n and n < most + 4:
        n += 1
    return f"{decimal(gain.value, n, sign=True)} ({decimal(gain.low, n)} to {decimal(gain.high, n)})"


def money(amount: float) -> str:
    return f"{amount:,.0f}".replace("-", "−")


def percent(share: float, decimals: int = 0) -> str:
    """ "3 %", and never "0 %" or "100 %" of what is neither."""
    least = 10.0**-decimals
    if 0.0 < share < 0.005 * least:
        return f"under {least:g} %"
    if 1.0 - 0.005 * least < share < 1.0:
        return f"over {100.0 - least:g} %"
    return f"{100.0 * share:.{decimals}f} %"


def probability(value: float | None) -> str:
    """In per cent; never a certainty, which no number of draws can show."""
    if value is None:
        return NONE
    if value > 0.99:
        return "> 99 %"
    return "< 1 %" if value < 0.01 else f"{100.0 * value:.0f} %"
