"""Plans of the audience coloured by a quantity or by its gain in a scenario.

All data come from `Results`, so a picture can be drawn again from the results file.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import PathPatch
from matplotlib.path import Path
from matplotlib.tri import Triangulation

from .. import bands
from ..errors import RoomsimError
from ..estimate import Estimate
from ..metrics.registry import METRICS
from ..results.records import Results
from . import style
from .labels import HALO
from .plan import draw_plan
from .quantities import STI, QuantityLabel, find_quantity, quantity_label
from .rows import mean_of_bands
from .style import Scale


@dataclass(frozen=True)
class MapLayer:
    """One quantity, or its gain, at all seats in all scenarios, with the common scale of its maps."""

    label: QuantityLabel
    values: Estimate
    """(n_receivers, n_scenarios)."""
    scale: Scale
    is_gain: bool
    target: float | None
    """Value at which a contour is drawn."""

    def is_uncertain(self, scenario: int) -> np.ndarray:
        """(n_receivers,) bool: the standard error at the seat is at least one step of the colour scale."""
        errors = self.values.standard_error[:, scenario]
        return np.isfinite(self.values.value[:, scenario]) & (errors >= self.scale.width)

    def not_significant(self, scenario: int) -> np.ndarray:
        """(n_receivers,) bool: zero lies inside the 95 % interval of the seat's difference."""
        difference = self.values.value[:, scenario]
        return np.isfinite(difference) & ~self.values.is_significant()[:, scenario]


def map_layer(results: Results, metric: str = STI, *, band: int | None = None, gain: bool = False) -> MapLayer:
    """Values for maps, with one scale for all scenarios.

    Parameters
    ----------
    metric : str
        Name or symbol of a quantity that is known per seat.
    band : int, optional
        Index of the octave band; by default, quantities per band are averaged over 500 Hz and 1 kHz
        (ISO 3382-1:2009, A.2).
    gain : bool
        Map the difference from the reference scenario instead of the value.

    Raises
    ------
    RoomsimError : the results hold no such quantity, or a band was chosen for a quantity that is not known per band
    """
    known = results.gains if gain else results.seats
    metric = find_quantity(metric, known)
    row = METRICS[metric]
    if band is not None and not row.per_band:
        per_band = ", ".join(METRICS[name].symbol for name in METRICS if METRICS[name].per_band and name in known)
        raise RoomsimError(
            f"{row.symbol} is one figure for all octave bands together: there is no band of it to choose.",
            cure=f"Leave the band out, or choose a quantity that is known per octave band: {per_band}.",
        )
    values = known[metric]
    if row.per_band:
        values = mean_of_bands(values, bands.MID if band is None else [band])
    if gain:
        scale = style.gain_scale(values.value, row.better)
    else:
        scale = style.sti_scale() if metric == STI else style.value_scale(values.value, row.better)
    target = results.sti_target if metric == STI and not gain else None
    return MapLayer(quantity_label(metric, band), values, scale, gain, target)


def draw_map(
    axes: Axes, results: Results, scenario: int, layer: MapLayer, *, tier: int = 0, names: bool = True
) -> None:
    """Draw one scenario into `axes`: seats, contours, and the floor plan with its elements.

    Parameters
    ----------
    scenario : int
        Index into `results.scenarios`.
    tier : int
        Index into `results.plan.tiers`, for seats at different heights above each other.
    names : bool
        Write names beside elements, zones and sources; small maps have none.
    """
    shown = np.isin(results.area, results.plan.tiers[tier].areas)
    _draw_seats(axes, results, scenario, layer, shown, names)
    _draw_contours(axes, results, scenario, layer, shown, names)
    draw_plan(axes, results, scenario, tier=tier, names=names)


def _draw_seats(
    axes: Axes, results: Results, scenario: int, layer: MapLayer, shown: np.ndarray, is_large: bool
) -> None:
    values = layer.values.value[:, scenario]
    known = np.isfinite(values) & shown
    step = layer.scale.step(values)
    # A single shape per step of the scale keeps the files small.
    for i in np.unique(step[known]):
        colour = layer.scale.colours(int(i))
        shape = _outline(results.cells[known & (step == i)])
        # `add_patch` would search all of the thousands of edges for the limits of the axes, which takes longer than
        # drawing them. The floor plan sets the limits.
        axes.add_artist(PathPatch(shape, facecolor=colour, edgecolor=colour, linewidth=0.25, zorder=1))
    _hatch(axes, results.cells[shown & ~known], "xxxxxx", style.QUIET)
    size = 1.0 if is_large else 0.5
    dotted = layer.is_uncertain(scenario) & shown
    if layer.is_gain:
        unclear = layer.not_significant(scenario) & shown
        dotted &= ~unclear
        _hatch(axes, results.cells[unclear], "//////", "#555555")
        # In grey both ends of the scale are dark, so losses have a mark of their own.
        lost = results.positions[known & ~unclear & (values < 0.0), :2]
        for points, width, ink in ((3.4, 1.8, "white"), (2.8, 0.7, style.INK)):
            axes.plot(*lost.T, **style.marks("_", points * size, mew=width * size, color=ink, zorder=3))
    if dotted.any():
        # Dots are beside the middle of the seat, where the mark of a loss may be.
        at = 0.5 * (results.cells[dotted, 2] + results.cells[dotted].mean(axis=1))
        for points, ink in ((2.0, "white"), (1.3, style.INK)):
            axes.plot(*at.T, **style.marks("o", points * size, mew=0.0, color=ink, zorder=3))


def _hatch(axes: Axes, cells: np.ndarray, pattern: str, colour: str) -> None:
    if len(cells):
        shape = _outline(cells)
        axes.add_artist(PathPatch(shape, facecolor="none", edgecolor=colour, linewidth=0.0, hatch=pattern, zorder=2))


def _outline(cells: np.ndarray) -> Path:
    """(n, 4, 2) cells as one path."""
    points = np.concatenate([cells, cells[:, :1]], axis=1).reshape(-1, 2)
    codes = np.tile([Path.MOVETO, Path.LINETO, Path.LINETO, Path.LINETO, Path.CLOSEPOLY], len(cells))
    return Path(points, codes)


def _draw_contours(
    axes: Axes, results: Results, scenario: int, layer: MapLayer, shown: np.ndarray, names: bool
) -> None:
    surface, heights = surface_over(results.cells[shown], layer.values.value[shown, scenario])
    if surface is None:
        return
    if layer.is_gain:
        levels = layer.scale.edges[np.abs(layer.scale.edges) > 1e-12]
    else:
        levels = np.array([] if layer.target is None else [layer.target])
    for level in levels[(levels > heights.min()) & (levels < heights.max())]:
        lines = axes.tricontour(
            surface,
            heights,
            levels=[level],
            colors=[style.INK],
            linewidths=0.6 if layer.is_gain else 1.5,
            linestyles="dashed" if layer.is_gain and level < 0.0 else "solid",
            zorder=4,
        )
        lines.set_paths([_without_specks(path, results.cells) for path in lines.get_paths()])
        lines.set(path_effects=HALO)
        for text in axes.clabel(lines, fmt=layer.scale.label, fontsize=6.5 if names else 5.0, inline_spacing=2):
            text.set(path_effects=HALO, zorder=5)


def _without_specks(path: Path, cells: np.ndarray) -> Path:
    """Remove contours shorter than the circumference of four seats: they are noise and hide the others."""
    shortest = 8.0 * float(np.median(np.hypot(*(cells[:, 1] - cells[:, 0]).T)))
    points = np.asarray(path.vertices)
    pieces = np.split(points, np.flatnonzero(path.codes == Path.MOVETO)[1:]) if len(points) else []
    long = [piece for piece in pieces if np.hypot(*np.diff(piece, axis=0).T).sum() >= shortest]
    return Path.make_compound_path(*(Path(piece) for piece in long)) if long else Path(np.empty((0, 2)))


def surface_over(cells: np.ndarray, values: np.ndarray) -> tuple[Triangulation | None, np.ndarray]:
    """The seats as one surface for contours. Each point is a weighted mean over about nine neighbouring seats.

    The mean reduces the Monte Carlo error. The surface ends at the edge of the seats.

    Parameters
    ----------
    cells : (n_receivers, 4, 2) float, m
    values : (n_receivers,) float; seats without a value leave a hole

    Returns
    -------
    Triangulation over the corners and middles of the cells, None if no seat has a value, and the values at its
    points, (n_points,).
    """
    known = np.isfinite(values)
    if not known.any():
        return None, np.empty(0)
    corners, index = np.unique(np.round(cells[known].reshape(-1, 2), 3), axis=0, return_inverse=True)
    index = index.reshape(-1, 4)
    n_meeting = np.bincount(index.ravel(), minlength=len(corners))
    at_seats = values[known]
    for _ in range(2):
        heights = np.bincount(index.ravel(), np.repeat(at_seats, 4), len(corners)) / n_meeting
        at_seats = heights[index].mean(axis=1)
    middle = len(corners) + np.arange(len(index))
    triangles = np.concatenate([np.column_stack([index[:, i], index[:, i - 1], middle]) for i in range(4)])
    points = np.concatenate([corners, cells[known].mean(axis=1)])
    surface = Triangulation(points[:, 0], points[:, 1], triangles)
    return surface, np.concatenate([heights, at_seats])
