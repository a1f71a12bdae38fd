"""Maps on paper: pages with one scenario each, and sheets with all scenarios."""

from __future__ import annotations

import re
import textwrap
import unicodedata
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from ..results.interval import Interval, interval_of
from ..results.records import Results
from ..results.results_file import load_results
from ..results.verdicts import verdicts
from ..words import counted, shortened, span
from . import style
from .maps import MapLayer, draw_map, map_layer
from .pictures import Picture, on_sheets, write_pictures
from .plan import NOISE, SOURCE, draw_directions, draw_scale_bar, extent, tier_description
from .quantities import STI, find_band, find_quantity, find_scenarios
from .values import error_text, percent, with_error

_PANELS_PER_SHEET = 12
_TITLE_HEIGHT = 0.34
"""Space above each map of a sheet, inches."""
_TIER_TITLE_HEIGHT = 0.18
"""Space above each of several plans for its title, inches."""
_LETTER_WIDTH, _LINE_HEIGHT = 4.2, 0.15
"""Mean width of a letter of the lines above a map, points, and the height of these lines, inches."""
_TIP = 0.06
"""Length of the pointed ends of a colour bar, as a share of the length between them."""


def map_page(results: Results, scenario: int, metric: str = STI, *, band: int | None = None) -> Figure:
    """One scenario on an A4 page: the quantity, its gain, statistics over all seats, and a legend."""
    value = map_layer(results, metric, band=band)
    layers = [value]
    record = results.scenarios[scenario]
    if record.compare_with != scenario:
        layers.append(map_layer(results, metric, band=band, gain=True))
    size, boxes = _page_layout(results)
    with style.page(size, results, f"{record.name}: {value.label.title}", _description(results, scenario)) as figure:
        # Lines extend to the next map or to the edge of the page.
        available = (boxes[1][0] if boxes[1][0] > boxes[0][0] else 1.0) - boxes[0][0] - 0.02
        letters = int(available * size[0] * 72.0 / _LETTER_WIDTH)
        titles = [_title_lines(results, scenario, layer, letters) for layer in layers]
        lowered = max(0, max(map(len, titles)) + len(_tier_title(results, 0)) - 3) * _LINE_HEIGHT / size[1]
        for layer, lines, (left, bottom, width, height) in zip(layers, titles, boxes):
            box = (left, bottom, width, height - lowered)
            places = []
            for tier, part in enumerate(_split(results, box, size)):
                axes = figure.add_axes(part, anchor="NW")
                draw_map(axes, results, scenario, layer, tier=tier)
                title = [*(lines if tier == 0 else []), *_tier_title(results, tier)]
                # Without an explicit height of the title, all labels of the axes would be laid out to find one.
                axes.set_title("\n".join(title), loc="left", x=0.012, y=1.0, fontsize=8.0)
                axes.apply_aspect()
                places.append(axes.get_position())
            right, first = max(place.x1 for place in places), places[0]
            bar = (right + 0.015, first.y0 + 0.16 * first.height, 0.018, 0.74 * first.height)
            _colour_bar(figure, layer, bar)
        _legend_and_footnote(figure, results, layers, [scenario])
        return figure


def _title_lines(results: Results, scenario: int, layer: MapLayer, letters: int) -> list[str]:
    """Lines above a map: the quantity, statistics over all seats, and the uncertainty of single seats."""
    against = shortened(results.scenarios[results.scenarios[scenario].compare_with].name, 60)
    title = f"{layer.label.change.capitalize()} against “{against}”" if layer.is_gain else layer.label.title
    lines = [title, _over_seats(results, scenario, layer), *_uncertain_seats(layer, [scenario])]
    return [line for text in lines for line in textwrap.wrap(text, letters)]


def map_sheet(results: Results, layer: MapLayer, chosen: Sequence[int], sheet: str = "") -> Figure:
    """Some scenarios side by side, with the same scale.

    Parameters
    ----------
    chosen : indices into `results.scenarios`
    sheet : number of this sheet among several, for the title
    """
    title = layer.label.title
    if layer.is_gain:
        title = f"{layer.label.change.capitalize()} in {title[0].lower()}{title[1:]}"
    below = ["The same scale in every map.", *_uncertain_seats(layer, chosen, "up to "), *_all_tiers(results)]
    with style.page(style.A4_LANDSCAPE, results, f"{title}{sheet}", "\n".join(below)) as figure:
        left, right, bottom, top = 0.035, 0.90, 0.10, 0.895 - 0.018 * (len(below) - 1)
        n_columns, n_rows = _grid(results, len(chosen), (right - left) * 11.69, (top - bottom) * 8.27)
        width, height = (right - left) / n_columns, (top - bottom) / n_rows
        across, plan_width = _tier_columns(results, 0.97 * width * 11.69, height * 8.27 - _TITLE_HEIGHT)
        down, plan_height = -(-len(results.plan.tiers) // across), plan_width / _aspect(results, strip=False)
        needed = down * (plan_height + _tier_title_height(results)) + _TITLE_HEIGHT
        height = min(height, (needed + 0.16) / 8.27)
        letters = int(width * 11.69 * 72.0 / 5.2)
        for i, scenario in enumerate(chosen):
            column, row = i % n_columns, i // n_columns
            box = (left + column * width, top - (row + 1) * height, 0.97 * width, height - _TITLE_HEIGHT / 8.27)
            for tier, part in enumerate(_split(results, box, style.A4_LANDSCAPE, strip=False)):
                axes = figure.add_axes(part, anchor="NW")
                draw_map(axes, results, scenario, layer, tier=tier, names=False)
                if len(results.plan.tiers) > 1:
                    areas = ", ".join(results.area_names[k] for k in results.plan.tiers[tier].areas)
                    _write_above(axes, shortened(areas, letters // across), 1.0, 6.0)
                if tier == 0:
                    lift = 72.0 * _tier_title_height(results)
                    record = results.scenarios[scenario]
                    name = record.name
                    if layer.is_gain:
                        name += f" against “{results.scenarios[record.compare_with].name}”"
                    _write_above(axes, shortened(name, letters), lift + 10.0, 8.0, weight="bold")
                    _write_above(axes, _over_seats(results, scenario, layer, short=True), lift + 1.0, 6.5)
        _colour_bar(figure, layer, (0.915, 0.24, 0.014, 0.56))
        _draw_shared_key(figure, results, axes)
        _legend_and_footnote(figure, results, [layer], chosen)
        return figure


def _draw_shared_key(figure: Figure, results: Results, axes: Axes) -> None:
    """Draw the scale bar and the directions that all maps of a sheet share."""
    axes.apply_aspect()
    metres_per_inch = (axes.get_xlim()[1] - axes.get_xlim()[0]) / (axes.get_position().width * 11.69)
    key = figure.add_axes((0.905, 0.08, 0.09, 0.14))
    key.set_xlim(0.0, 0.09 * 11.69 * metres_per_inch)
    key.set_ylim(0.0, 0.14 * 8.27 * metres_per_inch)
    key.axis("off")
    inch = metres_per_inch
    draw_scale_bar(key, (0.08 * inch, 0.2 * inch), 0.5 * inch)
    draw_directions(key, results, (0.18 * inch, 0.55 * inch), 0.2 * inch, (0.0, 0.3 * inch))


def _write_above(axes: Axes, text: str, up: float, size: float, weight: str = "normal") -> None:
    """Write a line `up` points above the upper left corner of a map."""
    axes.annotate(text, (0, 1), (6, up), "axes fraction", "offset points", fontsize=size, weight=weight)


def _all_tiers(results: Results) -> list[str]:
    """A line that describes the plans of each scenario; none if each scenario has a single plan."""
    plans = [line for tier in range(len(results.plan.tiers)) for line in _tier_title(results, tier)]
    return [f"{counted(len(plans), 'plan')} each: {'; '.join(plans)}."] if plans else []


def _grid(results: Results, n: int, width: float, height: float) -> tuple[int, int]:
    """Numbers of columns and rows for which the maps, with a title above each, are largest."""
    options = [(columns, -(-n // columns)) for columns in range(1, n + 1)]
    return max(options, key=lambda o: _tier_columns(results, 0.97 * width / o[0], height / o[1] - _TITLE_HEIGHT)[1])


def _tier_title_height(results: Results) -> float:
    return _TIER_TITLE_HEIGHT if len(results.plan.tiers) > 1 else 0.0


def _aspect(results: Results, strip: bool) -> float:
    """Width of a plan divided by its height."""
    low, high = extent(results, strip=strip)
    return float((high - low)[0] / (high - low)[1])


def _tier_columns(results: Results, width: float, height: float, strip: bool = False) -> tuple[int, float]:
    """Number of columns for which the plans of all tiers are largest, and the width of each plan, inches."""
    n = len(results.plan.tiers)
    shape = _aspect(results, strip)

    def plan_width(columns: int) -> float:
        part = 1.0 if n == 1 else 0.98
        return min(part * width / columns, shape * (height / -(-n // columns) - _tier_title_height(results)))

    columns = max(range(1, n + 1), key=plan_width)
    return columns, plan_width(columns)


_Box = tuple[float, float, float, float]
"""Left, bottom, width, height, shares of the page."""
_ABOVE_EACH_OTHER = (style.A4_PORTRAIT, [(0.03, 0.50, 0.84, 0.36), (0.03, 0.09, 0.84, 0.36)])
_SIDE_BY_SIDE = (style.A4_LANDSCAPE, [(0.05, 0.14, 0.37, 0.66), (0.53, 0.14, 0.37, 0.66)])
_TWO_STRIPS = (style.A4_LANDSCAPE, [(0.035, 0.525, 0.84, 0.265), (0.035, 0.135, 0.84, 0.265)])


def _page_layout(results: Results) -> tuple[tuple[float, float], list[_Box]]:
    """Size of a page, and the boxes on it for the maps of the value and of its gain."""
    if len(results.plan.tiers) == 1:
        return _ABOVE_EACH_OTHER if _aspect(results, strip=True) > 1.15 else _SIDE_BY_SIDE

    def plan_width(page: tuple[tuple[float, float], list[_Box]]) -> float:
        (wide, tall), (box, _) = page
        return _tier_columns(results, wide * box[2], tall * box[3], strip=True)[1]

    size, (first, second) = max((_ABOVE_EACH_OTHER, _SIDE_BY_SIDE, _TWO_STRIPS), key=plan_width)
    if first[0] == second[0]:
        # The gap between the boxes is as small as the lines above the second box permit.
        columns, wide = _tier_columns(results, size[0] * first[2], size[1] * first[3], strip=True)
        plan_height = wide / _aspect(results, strip=True)
        needed = -(-len(results.plan.tiers) // columns) * (plan_height + _TIER_TITLE_HEIGHT) / size[1]
        top, gap = first[1] + first[3], 0.85 / size[1]
        first = (first[0], top - needed, first[2], needed)
        second = (second[0], max(second[1], top - 2.0 * needed - gap), second[2], needed)
    return size, [first, second]


def _split(results: Results, box: _Box, size: tuple[float, float], strip: bool = True) -> list[_Box]:
    """Divide a box of a page into one part per tier, arranged so that the plans are as large as possible."""
    n = len(results.plan.tiers)
    if n == 1:
        return [box]
    left, bottom, width, height = box
    columns, _ = _tier_columns(results, width * size[0], height * size[1], strip)
    part, step = width / columns, height / -(-n // columns)
    title = _TIER_TITLE_HEIGHT / size[1]
    return [
        (left + i % columns * part, bottom + height - (i // columns + 1) * step, 0.98 * part, step - title)
        for i in range(n)
    ]


def _tier_title(results: Results, tier: int) -> list[str]:
    if len(results.plan.tiers) == 1:
        return []
    return [tier_description(results.plan, tier, results.area_names, results.area, results.positions)]


def _uncertain_seats(layer: MapLayer, chosen: Sequence[int], most: str = "") -> list[str]:
    """A line on the seats whose standard error is at least one step of the colour scale; none if there are none.

    Parameters
    ----------
    most : text before the share if there are several scenarios
    """
    known = np.isfinite(layer.values.value)
    share = max((float(layer.is_uncertain(i)[known[:, i]].mean()) for i in chosen if known[:, i].any()), default=0.0)
    marked = "dots or hatching" if layer.is_gain else "dots"
    line = (
        f"At {most}{percent(share)} of the seats ({marked}) the standard error is one colour step "
        f"({layer.scale.width:g}{layer.label.unit_suffix}) or more: a difference of one colour there means little."
    )
    return [line] if share > 0.0 else []


def _description(results: Results, scenario: int) -> str:
    """Description of a scenario with its elements, cost, loads and broken limits, on at most four lines."""
    record = results.scenarios[scenario]
    texts = [f"{record.description.rstrip('.')}."] if record.description else []
    texts.append("With " + ", ".join(record.elements) + "." if record.elements else "Bare venue.")
    lines = []
    if record.cost or record.weight or record.roof_points:
        lines.append(
            f"Cost {record.cost:,.0f} {results.currency}, {record.rigging_hours:g} h of rigging, "
            f"{record.weight:,.0f} kg on {counted(record.roof_points, 'roof point')} "
            "(estimates: a competent person approves each point)."
        )
    if record.limits_broken:
        lines.append("Breaks a limit: " + "; ".join(record.limits_broken) + ".")
    return "\n".join([*textwrap.wrap(" ".join(texts), 132, max_lines=4 - len(lines), placeholder=" …"), *lines])


def _over_seats(results: Results, scenario: int, layer: MapLayer, short: bool = False) -> str:
    """One line on all seats together, with 95 % intervals."""
    if layer.label.key == "sti" and "sti_median" in results.room:
        return _index_over_seats(results, scenario, layer.is_gain, short)
    values = layer.values.value[:, scenario]
    if not np.isfinite(values).any():
        return "not evaluable at any seat"
    form = f"{'+' if layer.is_gain else ''}.{layer.label.decimals}f"
    low, middle, high = np.nanquantile(values, (0.05, 0.5, 0.95))
    after = layer.label.unit_suffix
    return f"median of seats {span(middle, middle, form)}{after}, nine in ten at {span(low, high, form)}{after}"


def _index_over_seats(results: Results, scenario: int, is_gain: bool, short: bool) -> str:
    group = "room_gains" if is_gain else "room"
    known = getattr(results, group)
    median, worst = (interval_of(known[f"sti_{name}"], scenario) for name in ("median", "worst_tenth"))
    served = interval_of(known["sti_share_of_seats"], scenario, 100.0)
    texts = [f"median {with_error(median, 2, is_gain)}"]
    if results.input_uncertainty is not None and not short:
        of_input = results.input_half_width(group, "sti_median", scenario)
        texts[0] += f" (rays) ± {error_text(Interval(median.value, of_input or 0.0), 2) or 0} (input)"
    if is_gain:
        # The verdict is that of the comparison table, which tests all scenarios together.
        texts[0] += f": {verdicts(results)[scenario].text}"
    if not short:
        texts.append(f"worst tenth {with_error(worst, 2, is_gain)}")
    if not (short and is_gain):  # The verdict of a gain needs the space.
        of = "% points of seats" if is_gain else "% of seats"
        texts.append(f"{with_error(served, 0, is_gain)} {of} ≥ {results.sti_target:.2f}")
    return "; ".join(texts)


def _colour_bar(figure: Figure, layer: MapLayer, box: _Box) -> None:
    scale = layer.scale
    options: dict[str, Any] = {"extend": "both", "extendfrac": _TIP, "ticks": scale.edges}
    bar = figure.colorbar(ScalarMappable(scale.norm, scale.colours), cax=figure.add_axes(box), **options)
    bar.ax.set_yticklabels([scale.label(edge) for edge in scale.edges])
    bar.ax.tick_params(labelsize=6.5, length=2)
    bar.outline.set_linewidth(0.6)
    change = f"{layer.label.change} in " if layer.is_gain else ""
    bar.ax.set_title(f"{change}{layer.label.axis_label}", fontsize=7.0, loc="left", y=1.0 + _TIP, pad=9)
    if scale.classes:
        centres = 0.5 * (scale.edges[1:] + scale.edges[:-1])
        inside = np.concatenate([[scale.edges[0] - 0.02], centres, [scale.edges[-1] + 0.02]])
        centred: dict[str, Any] = {"transform": bar.ax.get_yaxis_transform(), "ha": "center", "va": "center"}
        for y, letter in zip(inside, scale.classes):
            colour = "white" if y < 0.58 else style.INK
            bar.ax.text(0.5, y, letter, color=colour, fontsize=5.0, clip_on=False, **centred)


def _legend_and_footnote(figure: Figure, results: Results, layers: Sequence[MapLayer], chosen: Sequence[int]) -> None:
    height = float(figure.get_size_inches()[1])

    def line(label: str, color: str = style.INK, **more: Any) -> Line2D:
        return Line2D([], [], color=color, label=label, **more)

    def mark(label: str, marker: str, size: float) -> Line2D:
        return line(label, marker=marker, markersize=size, linestyle="none")

    def field(label: str, color: str, hatch: str) -> Patch:
        return Patch(facecolor="white", edgecolor=color, hatch=hatch, label=label)

    handles: list[Line2D | Patch] = []
    if any(layer.is_uncertain(scenario).any() for layer in layers for scenario in chosen):
        handles.append(mark("standard error of one colour step or more", "o", 2.0))
    for layer in layers:
        if layer.target is not None:
            handles.append(line(f"target {layer.target:.2f}", linewidth=1.5))
        if layer.is_gain:
            handles.append(line(f"contour of the {layer.label.change}, dashed below 0", linewidth=0.6))
            handles.append(field("no significant difference", "#555555", "//////"))
            handles.append(mark("seat below 0", "_", 6.0))
        elif not np.isfinite(layer.values.value).all():
            handles.append(field("not evaluable", style.QUIET, "xxxxxx"))
    handles += [
        line("hung or opened in this scenario", style.HUNG, linewidth=2.2),
        line("laid, spread or seated (outline)", style.HUNG, linewidth=1.0, linestyle=(0, (6, 1.5))),
        line("candidate line, not used", style.FAINT, linewidth=0.7, linestyle=(0, (3, 2))),
        field("kept clear", style.KEPT_CLEAR, "...."),
        mark("source", SOURCE, 5.0),
    ]
    if any(name in results.plan.noise for scenario in chosen for name in results.scenarios[scenario].sources):
        handles.append(mark("noise source", NOISE, 5.5))
    n_columns, at = 6 if height < 10.0 else 4, (0.03, 0.40 / height)
    figure.legend(handles=handles, loc="lower left", bbox_to_anchor=at, ncols=n_columns, columnspacing=1.4)
    style.write_footnote(figure, _note(results, layers))


def _note(results: Results, layers: Sequence[MapLayer]) -> str:
    parts = [f"{counted(len(results.positions), 'seat')}."]
    for layer in layers:
        errors = layer.values.standard_error
        errors = errors[np.isfinite(errors) & (errors > 0.0)]
        if errors.size:
            quantity = layer.label.change if layer.is_gain else layer.label.symbol
            median, most = (f"{np.quantile(errors, share):.2g}{layer.label.unit_suffix}" for share in (0.5, 0.95))
            parts.append(f"Standard error of the {quantity} at a seat: median {median}, 95 % of seats below {most}.")
    of_input = "" if results.input_uncertainty is None else " unless marked (input)"
    parts.append(f"Intervals are 95 %, Monte Carlo error only{of_input}. Prediction, not a measurement.")
    return " ".join(parts)


def map_pictures(
    results: Results,
    *,
    metrics: Sequence[str] = (STI,),
    band: int | None = None,
    scenarios: Sequence[int] | None = None,
) -> list[Picture]:
    """Sheets with all scenarios, and a page for each scenario.

    Parameters
    ----------
    metrics : names or symbols of quantities known per seat
    band : index of the octave band of quantities per band; the mean of 500 Hz and 1 kHz by default
    scenarios : indices into `results.scenarios`; all by default

    Raises
    ------
    RoomsimError : a quantity is unknown
    """
    chosen = list(range(len(results.scenarios)) if scenarios is None else scenarios)
    pictures: list[Picture] = []
    for metric in [find_quantity(metric, results.seats) for metric in metrics]:
        for gain in (False, True):
            layer = map_layer(results, metric, band=band, gain=gain)
            key = layer.label.key
            about = f"Maps of {key} in all scenarios, {results.title}, {results.venue}"
            # A sheet of gains omits scenarios without a reference other than themselves.
            parts = [i for i in chosen if not gain or results.scenarios[i].compare_with != i]
            at_most = max(1, _PANELS_PER_SHEET // len(results.plan.tiers))
            name = f"{key}_{'gain' if gain else 'all'}"
            pictures += on_sheets(name, about, partial(map_sheet, layer=layer), parts, at_most)
        for i in chosen:
            scenario = results.scenarios[i].name
            about = f"Map of {key}, scenario {scenario}, {results.title}, {results.venue}"
            # Numbers start at 1, as in the comparison.
            name = f"{key}_{i + 1:02d}_{file_name(scenario)}"
            pictures.append(Picture(name, about, partial(map_page, scenario=i, metric=metric, band=band)))
    return pictures


def file_name(text: str) -> str:
    """A scenario's name as part of a file name on any system: at most 40 letters, digits and underscores."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    return re.sub(r"[^A-Za-z0-9]+", "_", plain).strip("_").lower()[:40] or "scenario"


def maps(
    results: Results | str | Path,
    folder: str | Path,
    *,
    quantities: Sequence[str] = ("STI",),
    band: float | None = None,
    scenarios: Sequence[str] | None = None,
    formats: Sequence[str] = ("png", "svg"),
) -> list[Path]:
    """Draw plans of the audience: sheets with all scenarios side by side, and a page for each scenario.

    Parameters
    ----------
    results : a finished study, the folder of its run, or the results.h5 in it
    folder : created if it is missing
    quantities : symbols or names, as `roomsim quantities` lists them
    band : nominal mid-band frequency of quantities per octave band, Hz; the mean of 500 Hz and 1 kHz by default
    scenarios : names; all by default
    formats : "png", "svg", "pdf"

    Returns
    -------
    Paths of the files written

    Raises
    ------
    RoomsimError : unknown quantity, band or scenario
    StoreError : there are no results at that path, or the folder cannot be written
    """
    finished = load_results(results)
    pictures = map_pictures(
        finished,
        metrics=quantities,
        band=None if band is None else find_band(band),
        scenarios=None if scenarios is None else find_scenarios(finished, scenarios),
    )
    return write_pictures(finished, pictures, Path(folder), formats)
