"""Formatting of values and their intervals in tables, pictures and sentences."""

from __future__ import annotations

import math

from ..results.interval import Interval

NONE = "–"
"""Replaces a value that does not exist."""


def decimal(value: float, decimals: int, sign: bool = False) -> str:
    """A number with this number of decimals and a typographic minus, and with a plus if `sign`; `NONE` for NaN."""
    if not math.isfinite(value):
        return NONE
    # Rounding first avoids a minus before zero.
    return f"{round(value, decimals) + 0.0:{'+' if sign else ''}.{decimals}f}".replace("-", "−")


def decimals_of(interval: Interval, most: int) -> int:
    """Number of decimals that are significant.

    The last of them is the first digit of half the interval. Without an error it is `most`; it is at most one more.
    """
    if not 0.0 < interval.half_width < math.inf:
        return most
    return min(most + 1, max(0, -int(f"{interval.half_width:.0e}".partition("e")[2])))


def number(interval: Interval, most: int, sign: bool = False) -> str:
    """The value without its error, rounded to `decimals_of` decimals."""
    return decimal(interval.value, decimals_of(interval, most), sign)


def error_text(interval: Interval, most: int) -> str:
    """Half the interval, rounded but never to zero: "0.01"; empty if there is no error."""
    if not math.isfinite(interval.value) or not interval.half_width > 0.0:
        return ""
    n = decimals_of(interval, most)
    return f"{max(interval.half_width, 10.0**-n):.{n}f}"


def with_error(interval: Interval, most: int, sign: bool = False) -> str:
    """ "0.52 ± 0.01"; the value only if there is no error."""
    error = error_text(interval, most)
    return number(interval, most, sign) + (error and f" ± {error}")


def with_interval(gain: Interval, most: int) -> str:
    """ "+0.07 (0.06 to 0.08)". An interval that excludes zero has enough decimals to show this."""
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
    """ "3 %"; a share that is not exactly 0 or 1 is never written as "0 %" or "100 %"."""
    least = 10.0**-decimals
    if 0.0 < share < 0.005 * least:
        return f"under {least:g} %"
    if 1.0 - 0.005 * least < share < 1.0:
        return f"over {100.0 - least:g} %"
    return f"{100.0 * share:.{decimals}f} %"


def probability(value: float | None) -> str:
    """In per cent; never 0 or 100 %, which no number of draws can prove."""
    if value is None:
        return NONE
    if value > 0.99:
        return "> 99 %"
    return "< 1 %" if value < 0.01 else f"{100.0 * value:.0f} %"
