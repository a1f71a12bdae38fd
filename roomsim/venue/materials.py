"""Materials and fabrics: the built-in ones, and finding one by its name."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from roomsim.errors import MaterialError, suggestion, unknown_name
from roomsim.venue.document import Fabric, MaterialsDocument
from roomsim.venue.parsing import read_document


@cache
def built_in_materials() -> MaterialsDocument:
    """The materials and fabrics that come with the package, each with the source of its figures.

    Raises
    ------
    DocumentError : the installation is damaged
    """
    path = Path(__file__).with_name("materials.toml")
    return read_document(path, "built-in materials.toml", MaterialsDocument)[0]


def merged(built_in: MaterialsDocument, own: MaterialsDocument) -> MaterialsDocument:
    """Both together; where a name is in both, the user's own row is used."""
    return built_in.model_copy(
        update={
            "material": {**built_in.material, **own.material},
            "fabric": {**built_in.fabric, **own.fabric},
        }
    )


def find_fabric(materials: MaterialsDocument, name: str) -> Fabric:
    """The fabric of this name.

    Raises
    ------
    MaterialError : there is none; the message lists similar names
    """
    if name not in materials.fabric:
        raise MaterialError(unknown_row(materials, "fabric", name))
    return materials.fabric[name]


def unknown_row(materials: MaterialsDocument, kind: str, name: str) -> str:
    """Sentence on a name that is not in the table of its kind, "material" or "fabric"."""
    known = getattr(materials, kind)
    other = "fabric" if kind == "material" else "material"
    if name in getattr(materials, other):
        return f'"{name}" is a {other}, but a {kind} is needed here. {suggestion(name, known)}'
    return unknown_name(kind, name, known)
