"""Maps as pages for paper: one scenario on a page, all scenarios on a sheet."""

from __future__ import annotations

import re
import textwrap
import unicodedata
from collections.abc import Callable, Iterable, Sequence
from functools import partial
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from ..study.compare import verdicts
from ..study.results import Results
from ..words import counted, shortened, span
from . import rows, style
from .maps import MapLayer, draw_map, map_layer
from .pictures import Picture
from .plan import NOISE, SOURCE, draw_direction, draw_scale_bar, extent, tier_words
from .quantities import STI, find_quantity
from .tables import with_error

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
        style.write_head(
            figure, results, f"{record.name}: {value.shown.title}", _what_hangs(results, scenario)
        )
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
                said = [*(lines if tier == 0 else []), *_tier_line(results, tier)]
                # Where a title has no height given, all labels of the axes are laid out to find one.
                axes.set_title("\n".join(said), loc="left", x=0.012, y=1.0, fontsize=8.0)
                axes.apply_aspect()
                places.append(axes.get_position())
            right, first = max(place.x1 for place in places), places[0]
            bar = (right + 0.015, first.y0 + 0.16 * first.height, 0.018, 0.74 * first.height)
            _colour_bar(figure, layer, bar)
        _foot(figure, results, layers, [scenario])
        return figure


def _lines_over(results: Results, scenario: int, layer: MapLayer, letters: int) -> list[str]:
    """What stands over a map: what it shows, figures over all seats, and how far chance blurs it."""
    against = shortened(results.scenarios[results.scenarios[scenario].compare_with].name, 60)
    title = f"{layer.shown.change.capitalize()} against “{against}”" if layer.is_gain else layer.shown.title
    said = [title, _over_seats(results, scenario, layer), *_unsteady_line(layer, scenario)]
    return [line for text in said for line in textwrap.wrap(text, letters)]


def _sheet_draws(
    results: Results, layer: MapLayer, scenarios: Iterable[int] | None
) -> list[Callable[[Results], Figure]]:
    chosen = list(range(len(results.scenarios)) if scenarios is None else scenarios)
    if layer.is_gain:
        chosen = [i for i in chosen if results.scenarios[i].compare_with != i]
    n_sheets = -(-len(chosen) // max(1, _PANELS_PER_SHEET // len(results.plan.tiers)))
    per_sheet = -(-len(chosen) // max(n_sheets, 1))
    return [
        partial(
            _sheet,
            layer=layer,
            chosen=chosen[i * per_sheet : (i + 1) * per_sheet],
            number=i,
            n_sheets=n_sheets,
        )
        for i in range(n_sheets)
    ]


def _sheet(results: Results, layer: MapLayer, chosen: list[int], number: int, n_sheets: int) -> Figure:
    with style.rules():
        figure = style.new_figure(style.A4_LEVEL)
        count = f" (sheet {number + 1} of {n_sheets})" if n_sheets > 1 else ""
        title = layer.shown.title
        if layer.is_gain:
            title = f"{layer.shown.change.capitalize()} in {title[0].lower()}{title[1:]}"
        below = ["The same scale in every map.", *_unsteady_sheet(layer, chosen), *_tiers_sheet(results)]
        style.write_head(figure, results, f"{title}{count}", "\n".join(below))
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


def _unsteady_sheet(layer: MapLayer, chosen: Sequence[int]) -> list[str]:
    """The same of a sheet as `_unsteady_line` of a page."""
    share = max((_unsteady_share(layer, i) for i in chosen), default=0.0)
    return [_unsteady_words(layer, f"up to {_percent(share)}")] if share > 0.0 else []


def _tiers_sheet(results: Results) -> list[str]:
    """What the plans of each scenario show where there are several."""
    plans = [line for tier in range(len(results.plan.tiers)) for line in _tier_line(results, tier)]
    return [f"{counted(len(plans), 'plan')} each: {'; '.join(plans)}."] if plans else []


def _grid(results: Results, n: int, width: float, height: float) -> tuple[int, int]:
    """Columns and rows that make the maps as large as they can be; each needs room for its title."""
    options = [(columns, -(-n // columns)) for columns in range(1, n + 1)]
    return max(
        options,
        key=lambda o: _tier_columns(results, 0.97 * width / o[0], height / o[1] - _TITLE_ROOM)[1],
    )


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


def _unsteady_share(layer: MapLayer, scenario: int) -> float:
    """Share of the seats with a value at which chance is as large as a step of the colours."""
    known = np.isfinite(layer.values.value[:, scenario])
    return float(layer.unsteady(scenario)[known].mean()) if known.any() else 0.0


def _unsteady_line(layer: MapLayer, scenario: int) -> list[str]:
    share = _unsteady_share(layer, scenario)
    return [_unsteady_words(layer, _percent(share))] if share > 0.0 else []


def _unsteady_words(layer: MapLayer, share: str) -> str:
    marked = "dots or hatching" if layer.is_gain else "dots"
    return (
        f"At {share} of the seats ({marked}) the standard error is a colour step ({layer.scale.width:g}"
        f"{_unit(layer)}) or more: one colour more or less means little."
    )


def _percent(share: float) -> str:
    """ "3 %", and never "0 %" or "100 %" of what is neither."""
    whole = round(100.0 * share)
    return "under 1 %" if whole == 0 else "over 99 %" if whole == 100 and share < 1.0 else f"{whole} %"


def _unit(layer: MapLayer) -> str:
    return f" {layer.shown.unit}" if layer.shown.unit else ""


def _what_hangs(results: Results, scenario: int) -> str:
    record = results.scenarios[scenario]
    said = [f"{record.description.rstrip('.')}."] if record.description else []
    said.append("With " + ", ".join(record.elements) + "." if record.elements else "The venue as it is.")
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
    return "\n".join(
        [*textwrap.wrap(" ".join(said), 132, max_lines=4 - len(lines), placeholder=" …"), *lines]
    )


def _over_seats(results: Results, scenario: int, layer: MapLayer, short: bool = False) -> str:
    """One line on all seats together, with 95 % intervals."""
    known = results.room_gains if layer.is_gain else results.room
    if layer.shown.key == "sti" and "sti_median" in known:
        target = f"{results.sti_target:.2f}"
        unit = f" % points of seats ≥ {target}" if layer.is_gain else f" % of seats ≥ {target}"
        wanted = [("median ", "sti_median", 1.0, 2, ""), ("worst tenth ", "sti_worst_tenth", 1.0, 2, "")]
        wanted.append(("", "sti_share_of_seats", 100.0, 0, unit))
        texts = []
        if short:
            # The verdict of a gain needs the room.
            del wanted[1 : 3 if layer.is_gain else 2]
        for before, name, factor, digits, after in wanted:
            value = factor * float(known[name].value[scenario])
            half = factor * float(known[name].half_width()[scenario])
            texts.append(before + with_error(rows.Figure(value, half), digits, layer.is_gain) + after)
            if results.input_uncertainty is not None and not short and name == "sti_median":
                doubt = results.input_uncertainty
                part = (doubt.room_gains if layer.is_gain else doubt.room)[name][scenario]
                of_input = with_error(rows.Figure(value, rows.COVERAGE_FACTOR * float(part)), digits)
                texts[-1] += f" (rays) ± {of_input.partition('± ')[2] or 0} (input)"
        if layer.is_gain:
            # The same words as in the comparison table, which judges all scenarios together.
            texts[0] += f": {verdicts(results)[scenario].words}"
        return "; ".join(texts)
    values = layer.values.value[:, scenario]
    if not np.isfinite(values).any():
        return "no seat can be evaluated"
    form = f"{'+' if layer.is_gain else ''}.{layer.shown.decimals}f"
    low, middle, high = np.nanquantile(values, (0.05, 0.5, 0.95))
    unit = _unit(layer)
    return f"median of seats {span(middle, middle, form)}{unit}, nine in ten at {span(low, high, form)}{unit}"


def _colour_bar(figure: Figure, layer: MapLayer, box: tuple[float, float, float, float]) -> None:
    bar_axes = figure.add_axes(box)
    scale = layer.scale
    bar = figure.colorbar(
        ScalarMappable(scale.norm, scale.colours),
        cax=bar_axes,
        ticks=scale.edges,
        extend="both",
        extendfrac=_TIP,
    )
    bar.ax.set_yticklabels([scale.label(edge) for edge in scale.edges])
    bar.ax.tick_params(labelsize=6.5, length=2)
    bar.outline.set_linewidth(0.6)
    change = f"{layer.shown.change} in " if layer.is_gain else ""
    bar.ax.set_title(f"{change}{layer.shown.axis}", fontsize=7.0, loc="left", y=1.0 + _TIP, pad=9)
    if scale.classes:
        centres = 0.5 * (scale.edges[1:] + scale.edges[:-1])
        inside = np.concatenate([[scale.edges[0] - 0.02], centres, [scale.edges[-1] + 0.02]])
        for y, letter in zip(inside, scale.classes):
            dark = y < 0.58
            bar.ax.text(
                0.5,
                y,
                letter,
                transform=bar.ax.get_yaxis_transform(),
                color="white" if dark else style.INK,
                fontsize=5.0,
                ha="center",
                va="center",
                clip_on=False,
            )


def _foot(figure: Figure, results: Results, layers: Sequence[MapLayer], chosen: Sequence[int]) -> None:
    height = float(figure.get_size_inches()[1])
    signs: list[Line2D | Patch] = []
    if any(layer.unsteady(scenario).any() for layer in layers for scenario in chosen):
        dot: dict[str, Any] = {"color": style.INK, "marker": "o", "linestyle": "none", "markersize": 2.0}
        signs.append(Line2D([], [], label="standard error of a colour step or more", **dot))
    for layer in layers:
        if layer.target is not None:
            signs.append(Line2D([], [], color=style.INK, linewidth=1.5, label=f"target {layer.target:.2f}"))
        if layer.is_gain:
            signs.append(
                Line2D(
                    [],
                    [],
                    color=style.INK,
                    linewidth=0.6,
                    label=f"contour of the {layer.shown.change}, dashed below 0",
                )
            )
            signs.append(
                Patch(
                    facecolor="white", edgecolor="#555555", hatch="//////", label="no significant difference"
                )
            )
            signs.append(Line2D([], [], color=style.INK, marker="_", linestyle="none", label="seat below 0"))
        if not np.isfinite(layer.values.value).all() and not layer.is_gain:
            signs.append(
                Patch(facecolor="white", edgecolor=style.QUIET, hatch="xxxxxx", label="not evaluable")
            )
    signs += [
        Line2D([], [], color=style.HUNG, linewidth=2.2, label="hung or opened in this scenario"),
        Line2D(
            [],
            [],
            color=style.HUNG,
            linewidth=1.0,
            linestyle=(0, (6, 1.5)),
            label="laid, spread or seated (outline)",
        ),
        Line2D(
            [], [], color=style.FAINT, linewidth=0.7, linestyle=(0, (3, 2)), label="candidate line, not used"
        ),
        Patch(facecolor="white", edgecolor=style.KEPT_CLEAR, hatch="....", label="kept clear"),
        Line2D([], [], color=style.INK, marker=SOURCE, linestyle="none", markersize=5, label="source"),
    ]
    if any(name in results.plan.noise for scenario in chosen for name in results.scenarios[scenario].sources):
        mark = Line2D(
            [], [], color=style.INK, marker=NOISE, linestyle="none", markersize=5.5, label="noise source"
        )
        signs.append(mark)
    columns = 6 if height < 10.0 else 4
    figure.legend(
        handles=signs,
        loc="lower left",
        bbox_to_anchor=(0.03, 0.40 / height),
        ncols=columns,
        columnspacing=1.4,
    )
    style.write_foot(figure, _note(results, layers))


def _note(results: Results, layers: Sequence[MapLayer]) -> str:
    parts = [f"{counted(len(results.positions), 'seat')}."]
    for layer in layers:
        errors = layer.values.standard_error
        errors = errors[np.isfinite(errors) & (errors > 0.0)]
        if errors.size:
            what = layer.shown.change if layer.is_gain else layer.shown.symbol
            unit = f" {layer.shown.unit}" if layer.shown.unit else ""
            parts.append(
                f"Standard error of the {what} at a seat: median {np.median(errors):.2g}{unit}, "
                f"95 % of seats below {np.quantile(errors, 0.95):.2g}{unit}."
            )
    of_input = "" if results.input_uncertainty is None else ", unless they are said to be of the input"
    parts.append(f"Intervals are 95 %, chance of the calculation only{of_input}. Prediction, no measurement.")
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
            sheets = _sheet_draws(results, layer, chosen)
            for i, draw in enumerate(sheets):
                name = f"{key}_{'gain' if gain else 'all'}" + (f"_{i + 1}" if len(sheets) > 1 else "")
                about = f"Maps of {key} in all scenarios, {results.title}, {results.venue}"
                pictures.append(Picture(name, about, draw))
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
