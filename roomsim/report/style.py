"""Colours, scales and page layout shared by all pictures, and how pictures are saved.

Pictures are read on paper, in grey and by colour-blind readers. Values therefore use a colour map whose lightness
increases steadily, differences have signed contours and marks in addition to their colours, and every scale is
divided into steps.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection
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
"""Elements that are hung or laid in the scenario shown."""
WALLS = "#3c3c3c"
"""Lines of the building in plans and sections."""
KEPT_CLEAR = "#d35400"
"""Zones in which nothing may hang."""
INPUT_UNCERTAINTY = "#c6dbef"
"""Intervals due to the uncertainty of absorption."""
SERIES = ("#0072b2", "#e69f00", "#009e73", "#cc79a7", "#56b4e9", "#d55e00", "#8c6d31", "#4d4d4d")
"""Eight colours that colour-blind readers can distinguish (Okabe and Ito, Color Universal Design, 2008, from
memory; brown and grey are ours and replace their yellow and black). They are used with different markers."""
BARS: dict[str, Any] = {"color": SERIES[0], "capsize": 2.5, "linewidth": 1.0}
"""Error bars and their marks."""
MARKERS = ("o", "s", "D", "^", "v", "P", "X", "h")

RESOLUTION = 200
"""Dots per inch of PNG files."""

COMPRESSION = 3
"""zlib level of PNG files: the usual level 6 takes a third longer and makes them only a twelfth smaller."""

A4_PORTRAIT = (8.27, 11.69)
A4_LANDSCAPE = (11.69, 8.27)
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
    # A name in a study may contain a dollar sign, which does not begin a formula.
    "text.parse_math": False,
    # The same study gives the same bytes. Text remains text, so that it can be searched and edited.
    "svg.hashsalt": "roomsim",
    "svg.fonttype": "none",
}


_DEFAULTS = {name: value for name, value in matplotlib.rcParamsDefault.items() if not name.startswith("backend")}


def rules() -> AbstractContextManager[None]:
    """The settings above, in effect within a `with` block.

    All other settings are the defaults of the drawing library, which would otherwise read a settings file from the
    working folder; such a file may come with a study from an untrusted source.
    """
    return matplotlib.rc_context({**_DEFAULTS, **_RULES, "font.family": list(FAMILIES.get())})


@dataclass(frozen=True)
class Scale:
    """A colour scale that is divided into steps."""

    colours: Colormap
    norm: BoundaryNorm
    edges: np.ndarray
    """(n,) values at which the colour changes."""
    form: str
    """Format in which an edge is written."""
    classes: tuple[str, ...] = ()
    """Letters of the steps, including the two open ends; empty if the steps have no letters."""

    @property
    def width(self) -> float:
        """Width of the narrowest step."""
        return float(np.diff(self.edges).min())

    def step(self, values: np.ndarray) -> np.ndarray:
        """(...) int: number of the step of each value, 0 below the first edge; NaN counts as above the last edge."""
        return np.searchsorted(self.edges, values, side="right")

    def label(self, value: float) -> str:
        return "0" if value == 0.0 else self.form.format(value).replace("-", "−")


def sti_scale() -> Scale:
    """Steps at the rating limits of the standard, the same in every study."""
    return _stepped("viridis", np.array(RATING_EDGES), "{:.2f}", RATING_LETTERS)


def value_scale(values: np.ndarray, better: str | None = "higher") -> Scale:
    """Steps of round widths that cover nearly all values; both ends are open.

    Bright yellow is the better end. Where neither end is better, as with reverberation times, the steps are shades of
    one blue, and darker means only a larger value.
    """
    finite = values[np.isfinite(values)]
    low, high = np.quantile(finite, (0.01, 0.99)) if finite.size else (0.0, 1.0)
    if high - low < 1e-9:
        low, high = low - 0.5, high + 0.5
    edges = np.asarray(MaxNLocator(nbins=10, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high))
    return _stepped(_VALUE_COLOURS[better], edges, _decimal_format(edges))


def gain_scale(differences: np.ndarray, better: str | None = "higher") -> Scale:
    """Steps of round widths, symmetrical about zero: purple for improvements, orange for deteriorations.

    Where neither direction is better, increases are teal and decreases are brown.
    """
    sizes = np.abs(differences[np.isfinite(differences)])
    limit = float(np.quantile(sizes, 0.99)) if sizes.size and sizes.max() > 0.0 else 1.0
    locator = MaxNLocator(nbins=20, steps=[1, 2, 5, 10], symmetric=True)
    edges = np.round(locator.tick_values(-limit, limit), 10)
    return _stepped(_GAIN_COLOURS[better], edges, _decimal_format(edges).replace(":", ":+"))


_VALUE_COLOURS: dict[str | None, str] = {"higher": "viridis", "lower": "viridis_r", None: "Blues"}
_GAIN_COLOURS: dict[str | None, str] = {"higher": "PuOr", "lower": "PuOr_r", None: "BrBG"}
"""Colour maps, by the direction that is better."""
_PALEST = 0.12
"""Start of the shades of blue: a seat must be darker than the white page."""


def _stepped(colours: str, edges: np.ndarray, form: str, classes: tuple[str, ...] = ()) -> Scale:
    whole = matplotlib.colormaps[colours]
    start = _PALEST if colours == "Blues" else 0.0
    steps = ListedColormap(whole(np.linspace(start, 1.0, len(edges) + 1)))
    return Scale(steps, BoundaryNorm(edges, len(edges) + 1, extend="both"), edges, form, classes)


def _decimal_format(edges: np.ndarray) -> str:
    step = edges[1] - edges[0]
    n = next((n for n in range(5) if abs(step * 10**n - round(step * 10**n)) < 1e-6), 5)
    return f"{{:.{n}f}}"


def new_figure(size: tuple[float, float]) -> Figure:
    """Figure on the Agg canvas. Nothing is registered globally, so figures may be drawn in any thread."""
    figure = Figure(figsize=size)
    FigureCanvasAgg(figure)
    return figure


@contextmanager
def page(size: tuple[float, float], study: Any, title: str, below: str = "") -> Iterator[Figure]:
    """A figure with a header, to be drawn within a `with` block under the settings of all pictures.

    The header, in the upper left corner, has the names of study and venue, the title, and up to four lines below it.

    Parameters
    ----------
    study : has a `title` and a `venue`
    """
    with rules():
        figure = new_figure(size)
        height = float(figure.get_size_inches()[1])
        above, points = _fitted(figure, f"{study.title}  ·  {study.venue}", 8.0, 8.0, "normal")
        figure.text(0.04, 1.0 - 0.32 / height, above, fontsize=points, color=QUIET)
        title, points = _fitted(figure, title, 13.0, 9.0, "bold")
        figure.text(0.04, 1.0 - 0.58 / height, title, fontsize=points, weight="bold")
        figure.text(0.04, 1.0 - 0.68 / height, below, fontsize=8.0, va="top", linespacing=1.35)
        yield figure


def panels(
    figure: Figure, n: int, n_columns: int, grid: dict[str, Any], *, sharex: bool = True, sharey: bool = True
) -> list[Axes]:
    """The first n axes of a grid, row by row. The horizontal axis is labelled wherever no panel lies below.

    Parameters
    ----------
    grid : "left", "right", "bottom", "top", shares of the page; "wspace" and "hspace", shares of a panel
    """
    shown = figure.subplots(
        -(-n // n_columns), n_columns, sharex=sharex, sharey=sharey, squeeze=False, gridspec_kw=grid
    )
    for i, axes in enumerate(shown.flat):
        if i >= n:
            axes.remove()
        elif i + n_columns >= n:
            axes.tick_params(labelbottom=True)
    return list(shown.flat)[:n]


def tidy(axes: Axes, grid: Literal["both", "x", "y"] = "both", hidden: Sequence[str] = ("top", "right")) -> None:
    """Draw a pale grid behind the marks, and hide the frame where there is no axis."""
    axes.grid(axis=grid, color="#e4e4e4", linewidth=0.6)
    axes.set_axisbelow(True)
    axes.spines[list(hidden)].set_visible(False)


def marks(marker: str, size: float, **more: Any) -> dict[str, Any]:
    """Arguments of `Axes.plot` and `Axes.errorbar` for marks that no line connects."""
    return {"linestyle": "none", "marker": marker, "markersize": size, **more}


def draw_lines(axes: Axes, lines: Iterable[np.ndarray], colour: str, width: float, **more: Any) -> LineCollection:
    """Draw polylines, each (n, 2) in data coordinates."""
    collection = LineCollection(list(lines), colors=colour, linewidths=width, **more)
    axes.add_collection(collection)
    return collection


def write(axes: Axes, text: str, at: Any, offset: tuple[float, float], size: float, **more: Any) -> None:
    """Write text at an offset, points, from `at`, (2,) data coordinates."""
    axes.annotate(text, (at[0], at[1]), offset, textcoords="offset points", fontsize=size, **more)


def _fitted(
    figure: Figure, text: str, size: float, smallest: float, weight: Literal["normal", "bold"]
) -> tuple[str, float]:
    """A line that fits on the page, and its font size: first the size is reduced, then the text is shortened."""
    available = 72.0 * 0.92 * float(figure.get_size_inches()[0])
    fitting = size * available / text_size(figure, text, size, weight)[0]
    if fitting < smallest:
        text = shortened(text, int(len(text) * fitting / smallest))
    return text, float(np.clip(fitting, smallest, size))


def text_size(
    figure: Figure, text: str, size: float, weight: Literal["normal", "bold"] = "normal"
) -> tuple[float, float]:
    """Width and height of a text of one or more lines, points."""
    font = FontProperties(size=size, weight=weight)
    canvas: Any = figure.canvas  # an Agg canvas: see `new_figure`
    lines = text.split("\n")
    widths = [canvas.get_renderer().get_text_width_height_descent(line or " ", font, False)[0] for line in lines]
    return max(widths) * 72.0 / float(figure.dpi), 1.25 * size * len(lines)


def write_footnote(figure: Figure, text: str) -> None:
    """Write small print along the lower edge."""
    width, height = (float(size) for size in figure.get_size_inches())
    wrapped = textwrap.fill(text, int(20.0 * (width - 0.7)))
    figure.text(0.04, 0.18 / height, wrapped, fontsize=6.5, color=QUIET, linespacing=1.3)


def save_figure(
    figure: Figure, folder: Path, name: str, formats: Sequence[str] = ("png", "svg"), description: str = ""
) -> list[Path]:
    """Write the figure in each format and return the paths.

    Raises
    ------
    StoreError : the folder is missing or cannot be written
    """
    paths = []
    with rules():
        for kind in formats:
            more: dict[str, Any] = {"pil_kwargs": {"compress_level": COMPRESSION}} if kind == "png" else {}
            image = io.BytesIO()
            figure.savefig(image, format=kind, dpi=RESOLUTION, metadata=_metadata(kind, name, description), **more)
            path = folder / f"{name}.{kind}"
            replace_file(path, image.getvalue())
            paths.append(path)
    return paths


def _metadata(kind: str, title: str, description: str) -> dict[str, str | None]:
    # The date and the version of the drawing library are omitted because they would make equal pictures differ.
    if kind == "pdf":
        return {"Title": title, "Subject": description, "Creator": "roomsim", "CreationDate": None}
    if kind == "svg":
        return {"Title": title, "Description": description, "Creator": "roomsim", "Date": None}
    return {"Title": title, "Description": description, "Software": "roomsim"}
