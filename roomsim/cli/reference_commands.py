"""Commands that print reference data: materials, fabrics as hung, quantities, file formats."""

from __future__ import annotations

import fnmatch
import textwrap
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .. import bands
from ..words import counted
from .options import PATH, Number, out_folder, with_screen
from .screen import WIDE, Screen

if TYPE_CHECKING:
    from rich.table import Table
    from rich.text import Text

    from ..venue.document import Fabric, Material

of_study = click.option(
    "--study", type=PATH, metavar="STUDY.toml", help="Include the materials and fabrics of this study's own file."
)


@click.group(invoke_without_command=True)
@click.pass_context
def materials(context: click.Context) -> None:
    """Show the absorption of materials, and of drape as it hangs.

    \b
    Examples:
      roomsim materials                       all materials and fabrics
      roomsim materials list "*brick*"        those whose name matches
      roomsim materials drape --fabric velour_600 --fullness 2 --stand-off 0.15
    """
    if context.invoked_subcommand is None:
        context.invoke(list_materials)


@materials.command("list")
@click.argument("pattern", default="*")
@of_study
@out_folder("Draw the absorption of those listed into this folder as well.")
@with_screen
def list_materials(screen: Screen, pattern: str, study: Path | None, out: Path | None) -> None:
    """List materials and fabrics with the source of their figures.

    PATTERN is a name, and may have wildcards, as in "*carpet*". Absorption is the random-incidence coefficient per
    octave band (ISO 354). It is hardly ever measured at 63 Hz: the figures there are extrapolated. The last column
    rates the curve by ISO 11654: weighted absorption, shape indicators (L, M, H: more absorption at low, middle, high
    frequencies) and class. It is computed from octave bands, for comparison; a certificate needs third octaves.
    """
    from .. import materials as all_materials
    from ..physics.absorption import weighted_absorption

    known = all_materials(study)
    rows = {name: row for name, row in known.material.items() if fnmatch.fnmatch(name, pattern)}
    cloths = {name: row for name, row in known.fabric.items() if fnmatch.fnmatch(name, pattern)}
    if not rows and not cloths:
        from ..errors import MaterialError, suggestion

        raise MaterialError(
            f"no material or fabric matches {pattern!r}.",
            cure=suggestion(pattern.strip("*"), [*known.material, *known.fabric]),
        )
    screen.give(
        materials={
            name: {**row.model_dump(), "weighted_absorption": weighted_absorption(row.absorption)._asdict()}
            for name, row in rows.items()
        },
        fabrics={name: row.model_dump() for name, row in cloths.items()},
    )
    if rows:
        curves = {name: row.absorption for name, row in rows.items()}
        heading = "".join(f"{label:>6}" for label in bands.LABELS) + "   alpha_w"
        figures = {
            name: "".join([*(f"{value:6.2f}" for value in curve), "   ", weighted_absorption(curve).text])
            for name, curve in curves.items()
        }
        screen.show(_listing("Materials", heading, rows, figures))
        if out is not None:
            _draw(screen, out, "absorption", "Absorption", curves)
    if cloths:
        figures = {
            name: f"{row.flow_resistance:11g} Pa s/m{row.surface_mass:6g} kg/m2   {len(row.measured)}"
            for name, row in cloths.items()
        }
        text = _listing("Fabrics", f"{'flow resistance':>18}{'mass':>12}   measured rows", cloths, figures)
        screen.show(text.append("The absorption of a fabric depends on how it hangs: roomsim materials drape --help"))


@materials.command()
@click.option("--fabric", required=True, metavar="NAME", help="Fabric, as `roomsim materials` lists it.")
@click.option(
    "--fullness", type=Number(1.0, 4.0), default=1.0, show_default=True,
    help='Width of cloth over width hung; 2 is "100 % fullness".',
)
@click.option(
    "--stand-off", type=Number(0.0, 1.5, min_open=True), metavar="METRES",
    help="Gap to the wall behind. Without it the cloth hangs free in the room.",
)
@click.option("--layers", type=click.IntRange(1, 2), default=1, show_default=True)
@of_study
@out_folder("Draw the curve into this folder as well.")
@with_screen
def drape(screen: Screen, fabric: str, study: Path | None, out: Path | None, **hanging: Any) -> None:
    """Show the absorption of a fabric as it hangs, computed from its flow resistance and mass.

    With --stand-off: absorption of the cloth before a rigid wall. Without: the energy that a free-hanging line
    reflects, transmits and absorbs at each pass. A run uses the same figures. Laboratory measurements, if the
    materials file contains any, correct the formula: fully at the fullness and stand-off of the measurement, and
    less the more these differ.

    \b
    Examples: the same cloth close to the wall, and standing off
      roomsim materials drape --fabric velour_600 --stand-off 0.05
      roomsim materials drape --fabric velour_600 --stand-off 0.3 --fullness 2
    """
    from .. import drape as fabric_as_hung
    from ..physics.absorption import weighted_absorption

    cloth = fabric_as_hung(fabric, study=study, **hanging)
    stand_off, layers = hanging["stand_off"], hanging["layers"]
    if cloth.absorption_on_wall is not None:
        curves = {"absorption before a rigid wall": cloth.absorption_on_wall}
        rating = weighted_absorption(cloth.absorption_on_wall)
        where = f"{stand_off:g} m off the wall"
        remark = (
            f"A gap of {stand_off:g} m is a quarter of the wavelength at {343.0 / (4.0 * stand_off):.0f} Hz; well "
            "below that frequency the cloth absorbs little, whatever its weight."
        )
    else:
        absorbed = 1.0 - cloth.reflection - cloth.transmission
        curves = {"reflected": cloth.reflection, "let through": cloth.transmission, "absorbed": absorbed}
        rating = None
        where = "hanging free"
        remark = "Per pass, and the same for both sides: both sides of a free-hanging line absorb."
    screen.give(
        fabric=fabric,
        **hanging,
        weighted_absorption=rating and rating._asdict(),
        **{key.replace(" ", "_"): values for key, values in curves.items()},
    )
    title = f"{fabric}, fullness {hanging['fullness']:g}, {counted(layers, 'layer')}, {where}"
    table = _band_table(title, "alpha_w" if rating else "")
    for name, values in curves.items():
        table.add_row(name, *(f"{value:.2f}" for value in values), rating.text if rating else "")
    screen.show(table)
    screen.remark(remark)
    if out is not None:
        _draw(screen, out, f"drape_{fabric}", title, curves)


@click.command()
@with_screen
def quantities(screen: Screen) -> None:
    """List the quantities that a run computes.

    --quantity of `roomsim maps` accepts these symbols and names.
    """
    from rich.table import Table

    from ..metrics.registry import METRICS

    fields = ("name", "symbol", "unit", "per_band", "just_noticeable_difference", "clause", "description")
    screen.give(quantities=[{field: getattr(row, field) for field in fields} for row in METRICS.values()])
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("symbol", "name", "unit", "bands", "standard", "meaning"):
        table.add_column(heading, overflow="fold")
    for row in METRICS.values():
        per_band = "8" if row.per_band else ""
        table.add_row(row.symbol, row.name, row.unit, per_band, row.clause, row.description)
    screen.show(table)


@click.command()
@click.argument("kind", type=click.Choice(["study", "venue", "elements", "sources", "materials"]))
def schema(kind: str) -> None:
    """Print the JSON Schema of a description file.

    Editors that support JSON Schema use it to complete and check TOML files.

    \b
    Example:
      roomsim schema elements > elements.schema.json
    """
    import json

    from .. import schema as schema_of

    click.echo(json.dumps(schema_of(kind), indent=1, ensure_ascii=False))


def _band_table(title: str, last: str) -> Table:
    from rich.table import Table

    table = Table(title=title, title_justify="left", title_style="bold", box=None, pad_edge=False)
    table.add_column("", overflow="fold", min_width=16)
    for label in bands.LABELS:
        table.add_column(label, justify="right", no_wrap=True, min_width=4)
    table.add_column(last, no_wrap=True, min_width=13 if last else 0)
    return table


def _listing(kind: str, heading: str, rows: Mapping[str, Material | Fabric], figures: Mapping[str, str]) -> Text:
    """A line of figures for each material or fabric, with its source below."""
    from rich.text import Text

    text = Text.assemble((kind.ljust(32) + heading + "\n", "bold"))
    for name, row in rows.items():
        about = f"{row.description}. {row.source}" if row.description else row.source
        text.append(name.ljust(32), "bold").append(figures[name] + "\n")
        text.append(textwrap.fill(about, WIDE, initial_indent="    ", subsequent_indent="    ") + "\n", "dim")
    return text


def _draw(screen: Screen, folder: Path, name: str, title: str, curves: dict) -> None:
    from ..report.band_figures import absorption_figure
    from ..report.pages import file_name
    from ..report.pictures import Picture, write_pictures

    picture = Picture(file_name(name), title, lambda drawn: absorption_figure(title, drawn))
    for path in write_pictures(curves, [picture], folder):
        screen.remark(f"Written: {path}")
