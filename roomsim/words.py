"""Numbers and names in sentences."""

from __future__ import annotations

from collections.abc import Iterable


def counted(number: int, one: str, many: str = "") -> str:
    """A number with its noun: "1 seat", "1,200 seats", "2 boxes"."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def span(low: float, high: float, form: str = ".0f") -> str:
    """A range, or a single number if both ends are printed the same: "5 to 10", "10"."""
    # Adding zero removes the sign of a number that is rounded to zero.
    ends = [f"{float(f'{end:{form}}') + 0.0:{form}}".replace("-", "−") for end in (low, high)]
    return ends[0] if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}"


def listed(texts: Iterable[str], most: int | None = None) -> str:
    """A list in a sentence: "a", "a and b", "a, b and c"; beyond `most` texts only the number of the others."""
    every = list(texts)
    if most is not None and len(every) > most:
        return f"{', '.join(every[:most])} and {len(every) - most} more"
    return " and ".join([*([", ".join(every[:-1])] if len(every) > 1 else []), *every[-1:]])


def shortened(text: str, length: int) -> str:
    """At most `length` characters on one line, cut between words where that keeps most of them."""
    line = " ".join(text.split())
    if len(line) <= length:
        return line
    head = line[: length - 1]
    between = head.rfind(" ")
    return (head[:between] if between > length // 2 else head).rstrip() + "…"


def short_names(names: Iterable[str]) -> dict[str, str]:
    """The first word of each name if it is a code such as D1 that no other name begins with; otherwise the name."""
    first = {name: name.split()[0].rstrip(":,") for name in names}
    words = list(first.values())
    return {
        name: word if words.count(word) == 1 and any(c.isdigit() for c in word) else name
        for name, word in first.items()
    }
