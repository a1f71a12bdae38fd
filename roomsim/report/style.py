"""What all pictures share: colours, scales and how they are saved.

Pictures are read on paper, in grey and by colour-blind readers: values use one map whose lightness rises
steadily, differences carry signed contours and marks besides their colours, every scale is cut into steps.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, Protocol

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import BoundaryNorm, Colormap, ListedColormap
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.ticker import MaxNLocator

from ..files import replace_file
from ..metrics.speech import RATING_EDGES, RATING_LETTERS
from ..words import shortened
from .fonts import FAMILIES

INK = "#1a1a1a"
QUIET = "#707070"
FAINT = "#b4b4b4"
HUNG = "#c2185b"
"""What is hung or laid in the scenario shown."""
KEPT_CLEAR = "#d35400"
"""Zones in which nothing may hang."""
INPUT_UNCERTAINTY = "#c6dbef"
"""Intervals from the uncertainty of absorption."""
SERIES = ("#0072b2", "#e69f00", "#009e73", "#cc79a7", "#56b4e9", "#d55e00", "#8c6d31", "#4d4d4d")
"""Eight colours that colour-blind readers can tell apart (Okabe and Ito, Color Universal Design, 2008, from
memory; brown and grey are ours in place of their yellow and black), used with markers that differ."""
BARS: dict[str, Any] = {"color": SERIES[0], "capsize": 2.5, "linewidth": 1.0}
"""Error bars and their marks."""
MARKERS = ("o", "s", "D", "^", "v", "P", "X", "h")

RESOLUTION = 200
"""Dots per inch of PNG files."""

COMPRESSION = 3
"""Of PNG files, zlib's level: the usual 6 takes a third longer and makes them a twelfth smaller."""

A4_UPRIGHT = (8.27, 11.69)
A4_LEVEL = (11.69, 8.27)
"""Paper sizes, inches (ISO 216)."""

_RULES: dict[Any, Any] = {
    "font.size": 8.0,
    "axes.titlesize": 9.0,
    "axes.labelsize": 8.0,
    "axes.edgecolor": QUIET,
    "axes.linewidth": 0.6,
    "xtick.labelsize": 7.0,
    "ytick.labelsize": 7.0,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "text.color": INK,
    "axes.labelcolor": INK,
    "legend.fontsize": 7.0,
    "legend.frameon": False,
    "hatch.linewidth": 0.5,
    "figure.dpi": 100.0,
    "savefig.facecolor": "white",
    # A name in a study may hold a dollar sign: it is no formula.
    "text.parse_math": False,
    # The same study gives the same bytes; text stays text, so that it can be searched and edited.
    "svg.hashsalt": "roomsim",
    "svg.fonttype": "none",
}


_DEFAULTS = {name: value for name, value in matplotlib.rcParamsDefault.items() if not name.startswith("backend")}


def rules() -> AbstractContextManager[None]:
    """The settings above, for as long as a `with` block lasts.

    All others are the drawing library's own: it also reads a file of settings in the working folder, which may
    have come with a stranger's study.
    """
    return matplotlib.rc_context({**_DEFAULTS, **_RULES, "font.family": list(FAMILIES.get())})


@dataclass(frozen=True)
class Scale:
    """How numbers become colours."""

    colours: Colormap
    norm: BoundaryNorm
    edges: np.ndarray
    """(n,) where the colour changes."""
    form: str
    """Format of an edge as text."""
    classes: tuple[str, ...] = ()
    """Letters of the steps, with the two open ends; none if the steps have no names."""

    @property
    def width(self) -> float:
        """Of a step."""
        return float(np.diff(self.edges).min())

    def step(self, values: np.ndarray) -> np.ndarray:
        """(...) int: number of the step of each value, 0 below the first edge; NaN as above the last."""
        return np.searchsorted(self.edges, values, side="right")

    def label(self, value: float) -> str:
        return "0" if value == 0.0 else self.form.format(value).replace("-", "−")


def sti_scale() -> Scale:
    """Steps at the class edges of the standard, the same in every study."""
    return _stepped("viridis", np.array(RATING_EDGES), "{:.2f}", RATING_LETTERS)


def value_scale(values: np.ndarray, better: str | None = "higher") -> Scale:
    """Round steps over nearly all of the values; the ends are open.

    Bright yellow is the better end. Where neither end is, as with reverberation times, the steps are shades of one
    blue: darker is more, and nothing else is meant.
    """
    finite = values[np.isfinite(values)]
    low, high = np.quantile(finite, (0.01, 0.99)) if finite.size else (0.0, 1.0)
    if high - low < 1e-9:
        low, high = low - 0.5, high + 0.5
    edges = np.asarray(MaxNLocator(nbins=10, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high))
    return _stepped(_VALUES[better], edges, _decimals(edges))


def gain_scale(differences: np.ndarray, better: str | None = "higher") -> Scale:
    """Round steps that lie evenly about zero: purple where it is better, orange where it is worse.

    Where neither is better, teal above and brown below.
    """
    sizes = np.abs(differences[np.isfinite(differences)])
    limit = float(np.quantile(sizes, 0.99)) if sizes.size and sizes.max() > 0.0 else 1.0
    even = MaxNLocator(nbins=20, steps=[1, 2, 5, 10], symmetric=True)
    edges = np.round(even.tick_values(-limit, limit), 10)
    return _stepped(_CHANGES[better], edges, _decimals(edges).replace(":", ":+"))


_VALUES: dict[str | None, str] = {"higher": "viridis", "lower": "viridis_r", None: "Blues"}
_CHANGES: dict[str | None, str] = {"higher": "PuOr", "lower": "PuOr_r", None: "BrBG"}
"""Colour maps by which end is better."""
_PALEST = 0.12
"""Where the shades of blue begin: a seat must not be as white as the page."""


def _stepped(colours: str, edges: np.ndarray, form: str, classes: tuple[str, ...] = ()) -> Scale:
    whole = matplotlib.colormaps[colours]
    start = _PALEST if colours == "Blues" else 0.0
    steps = ListedColormap(whole(np.linspace(start, 1.0, len(edges) + 1)))
    return Scale(steps, BoundaryNorm(edges, len(edges) + 1, extend="both"), edges, form, classes)


def _decimals(edges: np.ndarray) -> str:
    step = edges[1] - edges[0]
    n = next((n for n in range(5) if abs(step * 10**n - round(step * 10**n)) < 1e-6), 5)
    return f"{{:.{n}f}}"


def new_figure(size: tuple[float, float]) -> Figure:
    """Figure on the Agg canvas; nothing is registered globally, so any number may be drawn in any thread."""
    figure = Figure(figsize=size)
    FigureCanvasAgg(figure)
    return figure


def panels(figure: Figure, n: int, n_columns: int, **grid: float) -> list[Axes]:
    """The first n fields of a grid of axes that share their scales, row by row; where no panel lies below, the labels
    of the horizontal axis stand under it.

    Parameters
    ----------
    grid : "left", "right", "bottom", "top", shares of the page; "wspace" and "hspace", shares of a panel
    """
    shown = figure.subplots(-(-n // n_columns), n_columns, sharex=True, sharey=True, squeeze=False, gridspec_kw=grid)
    for i, axes in enumerate(shown.flat):
        if i >= n:
            axes.remove()
        elif i + n_columns >= n:
            axes.tick_params(labelbottom=True)
    return list(shown.flat)[:n]


def tidy(axes: Axes, grid: Literal["both", "x", "y"] = "both", hidden: Sequence[str] = ("top", "right")) -> None:
    """A pale grid behind the marks, and no frame where no axis is."""
    axes.grid(axis=grid, color="#e4e4e4", linewidth=0.6)
    axes.set_axisbelow(True)
    axes.spines[list(hidden)].set_visible(False)


class Titled(Protocol):
    """What has a study's title and a venue's name."""

    @property
    def title(self) -> str: ...

    @property
    def venue(self) -> str: ...


def write_head(figure: Figure, results: Titled, title: str, below: str = "") -> None:
    """Study and venue, the title, and up to four lines below, from the upper left corner."""
    height = float(figure.get_size_inches()[1])
    above, size = _fitted(figure, f"{results.title}  ·  {results.venue}", 8.0, 8.0, "normal")
    figure.text(0.04, 1.0 - 0.32 / height, above, fontsize=size, color=QUIET)
    title, size = _fitted(figure, title, 13.0, 9.0, "bold")
    figure.text(0.04, 1.0 - 0.58 / height, title, fontsize=size, weight="bold")
    figure.text(0.04, 1.0 - 0.68 / height, below, fontsize=8.0, va="top", linespacing=1.35)


def _fitted(
    figure: Figure, text: str, size: float, smallest: float, weight: Literal["normal", "bold"]
) -> tuple[str, float]:
    """A line that fits on the page, and its size: smaller at first, then cut short."""
    room = 72.0 * 0.92 * float(figure.get_size_inches()[0])
    fitting = size * room / text_size(figure, text, size, weight)[0]
    if fitting < smallest:
        text = shortened(text, int(len(text) * fitting / smallest))
    return text, float(np.clip(fitting, smallest, size))


def text_size(
    figure: Figure, text: str, size: float, weight: Literal["normal", "bold"] = "normal"
) -> tuple[float, float]:
    """Width and height of a text of one or more lines, points."""
    font = FontProperties(size=size, weight=weight)
    canvas: Any = figure.canvas  # of the Agg kind: see `new_figure`
    lines = text.split("\n")
    widths = [canvas.get_renderer().get_text_width_height_descent(line or " ", font, False)[0] for line in lines]
    return max(widths) * 72.0 / float(figure.dpi), 1.25 * size * len(lines)


def write_foot(figure: Figure, text: str) -> None:
    """Small print along the lower edge."""
    width, height = (float(size) for size in figure.get_size_inches())
    wrapped = textwrap.fill(text, int(20.0 * (width - 0.7)))
    figure.text(0.04, 0.18 / height, wrapped, fontsize=6.5, color=QUIET, linespacing=1.3)


def save_figure(
    figure: Figure, folder: Path, name: str, formats: Sequence[str] = ("png", "svg"), description: str = ""
) -> list[Path]:
    """Write the figure once per format and return the paths.

    Raises
    ------
    StoreError : the folder is missing or cannot be written
    """
    paths = []
    with rules():
        for kind in formats:
            more: dict[str, Any] = {"pil_kwargs": {"compress_level": COMPRESSION}} if kind == "png" else {}
            drawn = io.BytesIO()
            about = _about(kind, name, description)
            figure.savefig(drawn, format=kind, dpi=RESOLUTION, metadata=about, **more)
            path = folder / f"{name}.{kind}"
            replace_file(path, drawn.getvalue())
            paths.append(path)
    return paths


def _about(kind: str, title: str, description: str) -> dict[str, str | None]:
    # Date and version of the drawing library are left out: they would make equal pictures differ.
    if kind == "pdf":
        return {"Title": title, "Subject": description, "Creator": "roomsim", "CreationDate": None}
    if kind == "svg":
        return {"Title": title, "Description": description, "Creator": "roomsim", "Date": None}
    return {"Title": title, "Description": description, "Software": "roomsim"}
