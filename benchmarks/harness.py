"""Comparing the times of two or more contenders: in turn, after a warm-up, in one process.

The speed of a machine varies and machines are shared, so only ratios within one run are meaningful. The best of several
turns is taken, as the least disturbed one. Times are processor time of the calling thread for a single thread, and
wall-clock time for several.
"""

from __future__ import annotations

import argparse
import json
import platform
import sys
import time
from collections.abc import Callable
from pathlib import Path

QUICK_SECONDS = 50


def arguments(description: str, processes: bool = False) -> argparse.Namespace:
    """`processes`: the script can share its work out."""
    parser = argparse.ArgumentParser(description=description)
    parser.add_argument(
        "--quick", action="store_true", help=f"smaller cases, under {QUICK_SECONDS} s on two cores"
    )
    if processes:
        parser.add_argument("--processes", type=int, default=1, help="that share the work; results do not change")
    return parser.parse_args()


def best_times(
    turns: int, clock: Callable[[], float] = time.perf_counter, **contenders: Callable[[], object]
) -> dict[str, float]:
    """Seconds of the fastest of `turns` turns of each contender, run A B C A B C ..., after one turn that is not
    counted."""
    best = dict.fromkeys(contenders, float("inf"))
    for turn in range(turns + 1):
        for name, run in contenders.items():
            start = clock()
            run()
            spent = clock() - start
            if turn > 0:
                best[name] = min(best[name], spent)
    return best


def table(header: list[str], rows: list[list[object]]) -> None:
    """Print rows in columns."""
    text = [[_shown(cell) for cell in row] for row in [header, *rows]]
    widths = [max(len(row[i]) for row in text) for i in range(len(header))]
    for row in text:
        print(
            "  ".join(cell.rjust(w) if i else cell.ljust(w) for i, (cell, w) in enumerate(zip(row, widths)))
        )


def _shown(cell: object) -> str:
    if isinstance(cell, float):
        return f"{cell:.3g}" if abs(cell) < 1000 else f"{cell:.0f}"
    return str(cell)


def machine() -> str:
    """Processor and versions, in words."""
    import numba
    import numpy

    name = platform.processor() or "unknown processor"
    info = Path("/proc/cpuinfo")
    if info.exists():
        lines = [
            line.split(":", 1)[1].strip()
            for line in info.read_text().splitlines()
            if line.startswith("model name")
        ]
        name = f"{len(lines)} x {lines[0]}" if lines else name
        vectors = "AVX-512" if "avx512f" in info.read_text() else "no AVX-512"
        name = f"{name}, {vectors}"
    return f"{name}; Python {platform.python_version()}, numpy {numpy.__version__}, numba {numba.__version__}"


def finish(ratios: dict[str, float]) -> None:
    """Last line: a JSON object of the ratios."""
    print(machine())
    print(json.dumps({name: round(value, 4) for name, value in ratios.items()}))


def disagree(what: str) -> None:
    """Both sides of a comparison must agree before they are timed."""
    print(f"DISAGREE: {what}", file=sys.stderr)
    sys.exit(1)
