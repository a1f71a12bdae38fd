"""Materials and fabrics: the built-in ones, and finding one by its name."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path

from roomsim.errors import MaterialError, suggestion, unknown_name
from roomsim.venue.document import Fabric, MaterialsDocument
from roomsim.venue.parsing import document_error, read_source, validate


@cache
def built_in_materials() -> MaterialsDocument:
    """The materials and fabrics that come with the package, each with the source of its figures.

    Raises
    ------
    DocumentError : the installation is damaged
    """
    source = read_source(Path(__file__).with_name("materials.toml"), "built-in materials.toml")
    document, faults = validate(source, MaterialsDocument)
    if document is None:
        raise document_error(faults)
    return document


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
        raise MaterialError(unknown(name, "fabric", materials.fabric, materials.material))
    return materials.fabric[name]


def unknown(name: str, kind: str, known: Mapping[str, object], others: Mapping[str, object]) -> str:
    """Sentence on a name that is not among the `known` ones of its kind; `others` are those of the other kind."""
    if name in others:
        other = "fabric" if kind == "material" else "material"
        return f'"{name}" is a {other}, but a {kind} is needed here. {suggestion(name, known)}'
    return unknown_name(kind, name, known)
