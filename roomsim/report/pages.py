"""Maps as pages for paper: one scenario on a page, all scenarios on a sheet."""

from __future__ import annotations

import re
import textwrap
import unicodedata
from collections.abc import Sequence
from functools import partial
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from ..results.interval import Interval, interval_of
from ..results.records import Results
from ..results.verdicts import verdicts
from ..words import counted, shortened, span
from . import style
from .maps import MapLayer, draw_map, map_layer
from .pictures import Picture, on_sheets
from .plan import NOISE, SOURCE, draw_direction, draw_scale_bar, extent, tier_words
from .quantities import STI, find_quantity
from .values import error_text, percent, with_error

_PANELS_PER_SHEET = 12
_TITLE_ROOM = 0.34
"""Above each map of a sheet, inches."""
_LETTER, _LINE = 4.2, 0.15
"""Mean width of a letter of the lines over a map, points, and their height, inches."""
_TIP = 0.06
"""Length of the pointed ends of a colour bar, share of what lies between them."""


def map_page(results: Results, scenario: int, metric: str = STI, *, band: int | None = None) -> Figure:
    """One scenario on one A4 page: the quantity, its gain, figures over all seats, and a legend."""
    with style.rules():
        value = map_layer(results, metric, band=band)
        layers = [value]
        record = results.scenarios[scenario]
        if record.compare_with != scenario:
            layers.append(map_layer(results, metric, band=band, gain=True))
        size, boxes = _page(results)
        figure = style.new_figure(size)
        style.write_head(figure, results, f"{record.name}: {value.shown.title}", _what_hangs(results, scenario))
        # As far as the next map, or the edge of the page.
        room = (boxes[1][0] if boxes[1][0] > boxes[0][0] else 1.0) - boxes[0][0] - 0.02
        letters = int(room * size[0] * 72.0 / _LETTER)
        over = [_lines_over(results, scenario, layer, letters) for layer in layers]
        lowered = max(0, max(map(len, over)) + len(_tier_line(results, 0)) - 3) * _LINE / size[1]
        for layer, lines, (left, bottom, width, height) in zip(layers, over, boxes):
            box = (left, bottom, width, height - lowered)
            places = []
            for tier, part in enumerate(_split(results, box, size)):
                axes = figure.add_axes(part, anchor="NW")
                draw_map(axes, results, scenario, layer, tier=tier)
                title = [*(lines if tier == 0 else []), *_tier_line(results, tier)]
                # Where a title has no height given, all labels of the axes are laid out to find one.
                axes.set_title("\n".join(title), loc="left", x=0.012, y=1.0, fontsize=8.0)
                axes.apply_aspect()
                places.append(axes.get_position())
            right, first = max(place.x1 for place in places), places[0]
            bar = (right + 0.015, first.y0 + 0.16 * first.height, 0.018, 0.74 * first.height)
            _colour_bar(figure, layer, bar)
        _foot(figure, results, layers, [scenario])
        return figure


def _lines_over(results: Results, scenario: int, layer: MapLayer, letters: int) -> list[str]:
    """What stands over a map: what it shows, figures over all seats, and how uncertain single seats are."""
    against = shortened(results.scenarios[results.scenarios[scenario].compare_with].name, 60)
    title = f"{layer.shown.change.capitalize()} against “{against}”" if layer.is_gain else layer.shown.title
    lines = [title, _over_seats(results, scenario, layer), *_uncertain_seats(layer, [scenario])]
    return [line for text in lines for line in textwrap.wrap(text, letters)]


def map_sheet(results: Results, layer: MapLayer, chosen: Sequence[int], sheet: str = "") -> Figure:
    """Some scenarios side by side on one scale.

    Parameters
    ----------
    chosen : indices into `results.scenarios`
    sheet : which of several this is, for the title
    """
    with style.rules():
        figure = style.new_figure(style.A4_LEVEL)
        title = layer.shown.title
        if layer.is_gain:
            title = f"{layer.shown.change.capitalize()} in {title[0].lower()}{title[1:]}"
        below = ["The same scale in every map.", *_uncertain_seats(layer, chosen, "up to "), *_tiers_sheet(results)]
        style.write_head(figure, results, f"{title}{sheet}", "\n".join(below))
        left, right, bottom, top = 0.035, 0.90, 0.10, 0.895 - 0.018 * (len(below) - 1)
        n_columns, n_rows = _grid(results, len(chosen), (right - left) * 11.69, (top - bottom) * 8.27)
        width, height = (right - left) / n_columns, (top - bottom) / n_rows
        across, plan_width = _tier_columns(results, 0.97 * width * 11.69, height * 8.27 - _TITLE_ROOM)
        low, high = extent(results, strip=False)
        down = -(-len(results.plan.tiers) // across)
        needed = down * (plan_width * (high - low)[1] / (high - low)[0] + _tier_room(results)) + _TITLE_ROOM
        height = min(height, (needed + 0.16) / 8.27)
        letters = int(width * 11.69 * 72.0 / 5.2)
        for i, scenario in enumerate(chosen):
            column, row = i % n_columns, i // n_columns
            box = (left + column * width, top - (row + 1) * height, 0.97 * width, height - _TITLE_ROOM / 8.27)
            for tier, part in enumerate(_split(results, box, style.A4_LEVEL, strip=False)):
                axes = figure.add_axes(part, anchor="NW")
                draw_map(axes, results, scenario, layer, tier=tier, names=False)
                if len(results.plan.tiers) > 1:
                    areas = ", ".join(results.area_names[k] for k in results.plan.tiers[tier].areas)
                    _write_over(axes, shortened(areas, letters // across), 1.0, 6.0)
                if tier == 0:
                    lift = 72.0 * _tier_room(results)
                    record = results.scenarios[scenario]
                    name = record.name
                    if layer.is_gain:
                        name += f" against “{results.scenarios[record.compare_with].name}”"
                    _write_over(axes, shortened(name, letters), lift + 10.0, 8.0, weight="bold")
                    _write_over(axes, _over_seats(results, scenario, layer, short=True), lift + 1.0, 6.5)
        _colour_bar(figure, layer, (0.915, 0.24, 0.014, 0.56))
        _share_key(figure, results, axes)
        _foot(figure, results, [layer], chosen)
        return figure


def _share_key(figure: Figure, results: Results, axes: Axes) -> None:
    """Scale bar and direction that hold for all maps of a sheet."""
    axes.apply_aspect()
    metres_per_inch = (axes.get_xlim()[1] - axes.get_xlim()[0]) / (axes.get_position().width * 11.69)
    key = figure.add_axes((0.905, 0.08, 0.09, 0.14))
    key.set_xlim(0.0, 0.09 * 11.69 * metres_per_inch)
    key.set_ylim(0.0, 0.14 * 8.27 * metres_per_inch)
    key.axis("off")
    inch = metres_per_inch
    draw_scale_bar(key, (0.08 * inch, 0.2 * inch), 0.5 * inch)
    draw_direction(key, results, (0.18 * inch, 0.55 * inch), 0.2 * inch, (0.0, 0.3 * inch))


def _write_over(axes: Axes, text: str, up: float, size: float, weight: str = "normal") -> None:
    """A line over the upper left corner of a map, `up` points above it."""
    axes.annotate(text, (0, 1), (6, up), "axes fraction", "offset points", fontsize=size, weight=weight)


def _tiers_sheet(results: Results) -> list[str]:
    """What the plans of each scenario show where there are several."""
    plans = [line for tier in range(len(results.plan.tiers)) for line in _tier_line(results, tier)]
    return [f"{counted(len(plans), 'plan')} each: {'; '.join(plans)}."] if plans else []


def _grid(results: Results, n: int, width: float, height: float) -> tuple[int, int]:
    """Columns and rows that make the maps as large as they can be; each needs room for its title."""
    options = [(columns, -(-n // columns)) for columns in range(1, n + 1)]
    return max(options, key=lambda o: _tier_columns(results, 0.97 * width / o[0], height / o[1] - _TITLE_ROOM)[1])


def _tier_room(results: Results) -> float:
    return _TIER_ROOM if len(results.plan.tiers) > 1 else 0.0


def _tier_columns(results: Results, width: float, height: float, strip: bool = False) -> tuple[int, float]:
    """In how many columns the plans of all tiers become largest, and how wide each is then, inches."""
    n = len(results.plan.tiers)
    low, high = extent(results, strip=strip)
    shape = float((high - low)[0] / (high - low)[1])

    def plan_width(columns: int) -> float:
        part = 1.0 if n == 1 else 0.98
        return min(part * width / columns, shape * (height / -(-n // columns) - _tier_room(results)))

    columns = max(range(1, n + 1), key=plan_width)
    return columns, plan_width(columns)


_Box = tuple[float, float, float, float]
"""Left, bottom, width, height, shares of the page."""
_ABOVE_EACH_OTHER = (style.A4_UPRIGHT, [(0.03, 0.50, 0.84, 0.36), (0.03, 0.09, 0.84, 0.36)])
_SIDE_BY_SIDE = (style.A4_LEVEL, [(0.05, 0.14, 0.37, 0.66), (0.53, 0.14, 0.37, 0.66)])
_TWO_STRIPS = (style.A4_LEVEL, [(0.035, 0.525, 0.84, 0.265), (0.035, 0.135, 0.84, 0.265)])


def _page(results: Results) -> tuple[tuple[float, float], list[_Box]]:
    """Size of a page, and boxes on it for the plans of the value and of its gain."""
    low, high = extent(results, strip=True)
    if len(results.plan.tiers) == 1:
        return _ABOVE_EACH_OTHER if (high - low)[0] > 1.15 * (high - low)[1] else _SIDE_BY_SIDE

    def plan_width(page: tuple[tuple[float, float], list[_Box]]) -> float:
        (wide, tall), (box, _) = page
        return _tier_columns(results, wide * box[2], tall * box[3], strip=True)[1]

    size, (first, second) = max((_ABOVE_EACH_OTHER, _SIDE_BY_SIDE, _TWO_STRIPS), key=plan_width)
    if first[0] == second[0]:
        # No more paper between them than the lines over the second need.
        columns, wide = _tier_columns(results, size[0] * first[2], size[1] * first[3], strip=True)
        plan_height = wide * float((high - low)[1] / (high - low)[0])
        needed = -(-len(results.plan.tiers) // columns) * (plan_height + _TIER_ROOM) / size[1]
        top, gap = first[1] + first[3], 0.85 / size[1]
        first = (first[0], top - needed, first[2], needed)
        second = (second[0], max(second[1], top - 2.0 * needed - gap), second[2], needed)
    return size, [first, second]


_TIER_ROOM = 0.18
"""Above each plan of several, inches, for what it shows."""


def _split(
    results: Results, box: tuple[float, float, float, float], size: tuple[float, float], strip: bool = True
) -> list[tuple[float, float, float, float]]:
    """A box of a page, one part a tier, side by side or above each other: as the plans become largest."""
    n = len(results.plan.tiers)
    if n == 1:
        return [box]
    left, bottom, width, height = box
    columns, _ = _tier_columns(results, width * size[0], height * size[1], strip)
    part, step = width / columns, height / -(-n // columns)
    room = _TIER_ROOM / size[1]
    return [
        (left + i % columns * part, bottom + height - (i // columns + 1) * step, 0.98 * part, step - room)
        for i in range(n)
    ]


def _tier_line(results: Results, tier: int) -> list[str]:
    if len(results.plan.tiers) == 1:
        return []
    return [tier_words(results.plan, tier, results.area_names, results.area, results.positions)]


def _uncertain_seats(layer: MapLayer, chosen: Sequence[int], most: str = "") -> list[str]:
    """A line on the seats whose standard error is as large as a step of the colours; none where there are none.

    Parameters
    ----------
    most : what stands before the share where there are several scenarios
    """
    known = np.isfinite(layer.values.value)
    share = max((float(layer.is_uncertain(i)[known[:, i]].mean()) for i in chosen if known[:, i].any()), default=0.0)
    marked = "dots or hatching" if layer.is_gain else "dots"
    line = (
        f"At {most}{percent(share)} of the seats ({marked}) the standard error is one colour step "
        f"({layer.scale.width:g}{layer.shown.after}) or more: a difference of one colour there means little."
    )
    return [line] if share > 0.0 else []


def _what_hangs(results: Results, scenario: int) -> str:
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
    # Four lines have room above the map.
    return "\n".join([*textwrap.wrap(" ".join(texts), 132, max_lines=4 - len(lines), placeholder=" …"), *lines])


def _over_seats(results: Results, scenario: int, layer: MapLayer, short: bool = False) -> str:
    """One line on all seats together, with 95 % intervals."""
    if layer.shown.key == "sti" and "sti_median" in results.room:
        return _index_over_seats(results, scenario, layer.is_gain, short)
    values = layer.values.value[:, scenario]
    if not np.isfinite(values).any():
        return "not evaluable at any seat"
    form = f"{'+' if layer.is_gain else ''}.{layer.shown.decimals}f"
    low, middle, high = np.nanquantile(values, (0.05, 0.5, 0.95))
    after = layer.shown.after
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
        # The same words as in the comparison table, which judges all scenarios together.
        texts[0] += f": {verdicts(results)[scenario].words}"
    if not short:
        texts.append(f"worst tenth {with_error(worst, 2, is_gain)}")
    if not (short and is_gain):  # The verdict of a gain needs the room.
        of = "% points of seats" if is_gain else "% of seats"
        texts.append(f"{with_error(served, 0, is_gain)} {of} ≥ {results.sti_target:.2f}")
    return "; ".join(texts)


def _colour_bar(figure: Figure, layer: MapLayer, box: tuple[float, float, float, float]) -> None:
    bar_axes = figure.add_axes(box)
    scale = layer.scale
    ends: dict[str, Any] = {"extend": "both", "extendfrac": _TIP}
    bar = figure.colorbar(ScalarMappable(scale.norm, scale.colours), cax=bar_axes, ticks=scale.edges, **ends)
    bar.ax.set_yticklabels([scale.label(edge) for edge in scale.edges])
    bar.ax.tick_params(labelsize=6.5, length=2)
    bar.outline.set_linewidth(0.6)
    change = f"{layer.shown.change} in " if layer.is_gain else ""
    bar.ax.set_title(f"{change}{layer.shown.axis}", fontsize=7.0, loc="left", y=1.0 + _TIP, pad=9)
    if scale.classes:
        centres = 0.5 * (scale.edges[1:] + scale.edges[:-1])
        inside = np.concatenate([[scale.edges[0] - 0.02], centres, [scale.edges[-1] + 0.02]])
        for y, letter in zip(inside, scale.classes):
            place: dict[str, Any] = {
                "transform": bar.ax.get_yaxis_transform(),
                "ha": "center",
                "va": "center",
                "clip_on": False,
            }
            bar.ax.text(0.5, y, letter, color="white" if y < 0.58 else style.INK, fontsize=5.0, **place)


def _foot(figure: Figure, results: Results, layers: Sequence[MapLayer], chosen: Sequence[int]) -> None:
    height = float(figure.get_size_inches()[1])

    def line(label: str, color: str = style.INK, **more: Any) -> Line2D:
        return Line2D([], [], color=color, label=label, **more)

    def mark(label: str, marker: str, size: float) -> Line2D:
        return line(label, marker=marker, markersize=size, linestyle="none")

    def field(label: str, color: str, hatch: str) -> Patch:
        return Patch(facecolor="white", edgecolor=color, hatch=hatch, label=label)

    signs: list[Line2D | Patch] = []
    if any(layer.is_uncertain(scenario).any() for layer in layers for scenario in chosen):
        signs.append(mark("standard error of one colour step or more", "o", 2.0))
    for layer in layers:
        if layer.target is not None:
            signs.append(line(f"target {layer.target:.2f}", linewidth=1.5))
        if layer.is_gain:
            signs.append(line(f"contour of the {layer.shown.change}, dashed below 0", linewidth=0.6))
            signs.append(field("no significant difference", "#555555", "//////"))
            signs.append(mark("seat below 0", "_", 6.0))
        elif not np.isfinite(layer.values.value).all():
            signs.append(field("not evaluable", style.QUIET, "xxxxxx"))
    signs += [
        line("hung or opened in this scenario", style.HUNG, linewidth=2.2),
        line("laid, spread or seated (outline)", style.HUNG, linewidth=1.0, linestyle=(0, (6, 1.5))),
        line("candidate line, not used", style.FAINT, linewidth=0.7, linestyle=(0, (3, 2))),
        field("kept clear", style.KEPT_CLEAR, "...."),
        mark("source", SOURCE, 5.0),
    ]
    if any(name in results.plan.noise for scenario in chosen for name in results.scenarios[scenario].sources):
        signs.append(mark("noise source", NOISE, 5.5))
    n_columns, at = 6 if height < 10.0 else 4, (0.03, 0.40 / height)
    figure.legend(handles=signs, loc="lower left", bbox_to_anchor=at, ncols=n_columns, columnspacing=1.4)
    style.write_foot(figure, _note(results, layers))


def _note(results: Results, layers: Sequence[MapLayer]) -> str:
    parts = [f"{counted(len(results.positions), 'seat')}."]
    for layer in layers:
        errors = layer.values.standard_error
        errors = errors[np.isfinite(errors) & (errors > 0.0)]
        if errors.size:
            what = layer.shown.change if layer.is_gain else layer.shown.symbol
            median, most = (f"{np.quantile(errors, share):.2g}{layer.shown.after}" for share in (0.5, 0.95))
            parts.append(f"Standard error of the {what} at a seat: median {median}, 95 % of seats below {most}.")
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
    """The sheets of all scenarios and a page for each.

    Parameters
    ----------
    metrics : names or symbols of quantities known per seat
    band : index of the octave band of quantities per band; 500 Hz and 1 kHz averaged unless given
    scenarios : indices into `results.scenarios`; all unless given

    Raises
    ------
    RoomsimError : a quantity is unknown
    """
    chosen = list(range(len(results.scenarios)) if scenarios is None else scenarios)
    pictures: list[Picture] = []
    for metric in [find_quantity(metric, results.seats) for metric in metrics]:
        for gain in (False, True):
            layer = map_layer(results, metric, band=band, gain=gain)
            key = layer.shown.key
            about = f"Maps of {key} in all scenarios, {results.title}, {results.venue}"
            # A sheet of gains leaves out scenarios that are compared with themselves.
            parts = [i for i in chosen if not gain or results.scenarios[i].compare_with != i]
            at_most = max(1, _PANELS_PER_SHEET // len(results.plan.tiers))
            name = f"{key}_{'gain' if gain else 'all'}"
            pictures += on_sheets(name, about, partial(map_sheet, layer=layer), parts, at_most)
        for i in chosen:
            scenario = results.scenarios[i].name
            about = f"Map of {key}, scenario {scenario}, {results.title}, {results.venue}"
            # Counted from 1, as the rows of the comparison are.
            name = f"{key}_{i + 1:02d}_{file_name(scenario)}"
            pictures.append(Picture(name, about, partial(map_page, scenario=i, metric=metric, band=band)))
    return pictures


def file_name(text: str) -> str:
    """A scenario's name as part of a file name on any system: letters, digits and low lines, at most 40."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    return re.sub(r"[^A-Za-z0-9]+", "_", plain).strip("_").lower()[:40] or "scenario"
