"""Reading the files of a study into the models of `document`; all faults are reported together.

A path in a file is relative to that file, and all files of a study are within the folder of the study.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from roomsim.errors import DocumentError
from roomsim.venue.directivity import read_polar_file
from roomsim.venue.document import (
    ElementsDocument,
    MaterialsDocument,
    SourcesDocument,
    Study,
    StudyDocument,
    VenueDocument,
)
from roomsim.venue.line_numbers import KeyPath
from roomsim.venue.loudspeakers import Directivity, MeasuredSphere, TabulatedPolar
from roomsim.venue.materials import built_in_materials, merged
from roomsim.venue.parsing import Fault, SourceFile, document_error, find_file, read_source, validate
from roomsim.venue.references import Documents, probable_mistakes, reference_faults
from roomsim.venue.sofa import read_sofa

MODELS: dict[str, type[BaseModel]] = {
    "study": StudyDocument,
    "venue": VenueDocument,
    "elements": ElementsDocument,
    "sources": SourcesDocument,
    "materials": MaterialsDocument,
}


def read_study(path: str | Path) -> Study:
    """Read a study file and all files that it names.

    Parameters
    ----------
    path : path of the study file

    Returns
    -------
    Study : every file valid in itself and in its references to the others; the mesh exists, but is not read yet

    Raises
    ------
    DocumentError : all faults of all files, one per line: file, line, key, what is wrong, what to do
    """
    path = Path(path)
    reading = _Reading(path)
    kind = kind_of_file(reading.files["study"].values)
    if kind is not None and kind != "study":
        others = sorted(other.name for other in path.parent.glob("*.toml") if _is_study(other))
        hint = f"such as {others[0]} in the same folder" if others else "`roomsim new` writes one"
        raise DocumentError(
            f"{path.name}: this is {_article(kind)} file, but a study file, which names it, is needed; {hint}"
        )
    for role in ("venue", "elements", "sources", "materials"):
        reading.open(role, reading.files["study"].values.get(role))
    if "venue" in reading.models:
        reading.add_file("venue", ("mesh", "file"), reading.models["venue"].mesh.file)
    if "sources" in reading.models:
        for i, source in enumerate(reading.models["sources"].source):
            reading.add_directivity(("source", i, "directivity", "file"), source.directivity)
        for name, box in reading.models["sources"].loudspeaker.items():
            reading.add_directivity(("loudspeaker", name, "directivity", "file"), box.directivity)
    documents = Documents(**reading.models)
    reading.faults += [reading.files[role].fault(at, text) for role, at, text in reference_faults(documents)]
    if reading.faults:
        raise document_error(reading.faults)
    return Study(
        folder=reading.folder,
        document=reading.models.pop("study"),
        **reading.models,
        digests=reading.digests,
        warnings=tuple(str(reading.files[role].fault(at, text)) for role, at, text in probable_mistakes(documents)),
    )


def materials(study: str | Path | None = None) -> MaterialsDocument:
    """Built-in materials and fabrics, with those of a study's own file added.

    Parameters
    ----------
    study : path of the study file; by default only the built-in materials

    Raises
    ------
    DocumentError : the study cannot be read
    """
    return built_in_materials() if study is None else read_study(study).materials


def kind_of_file(values: Mapping[str, Any]) -> str | None:
    """The kind of a description file, from its top-level keys; None if they do not identify it."""
    keys = set(values) - {"schema", "name"}
    for kind, model in MODELS.items():
        fields = {field.alias or name: field.is_required() for name, field in model.model_fields.items()}
        required = {name for name, is_required in fields.items() if is_required} - {"schema", "name"}
        if keys and keys <= set(fields) and (required & keys if required else True):
            return kind
    return None


def _is_study(path: Path) -> bool:
    try:
        return kind_of_file(read_source(path, path.name).values) == "study"
    except DocumentError:
        return False


def _article(kind: str) -> str:
    return f"an {kind}" if kind[0] in "aeiou" else f"a {kind}"


def schema_for(kind: str) -> dict[str, Any]:
    """JSON Schema of a description file, for editors that complete and check TOML.

    Parameters
    ----------
    kind : "study", "venue", "elements", "sources" or "materials"

    Raises
    ------
    DocumentError : no such kind
    """
    if kind not in MODELS:
        raise DocumentError(f'there is no file of kind "{kind}". Known: {", ".join(MODELS)}.')
    schema = MODELS[kind].model_json_schema(by_alias=True)
    title = f"roomsim {kind} file"
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema, "title": title}


class _Reading:
    """The files of one study that have been read so far, and their faults."""

    def __init__(self, study: Path) -> None:
        self.folder = study.parent.resolve()
        self.files: dict[str, SourceFile] = {}
        self.models: dict[str, Any] = {"materials": built_in_materials()}
        """The valid documents by role; materials are the built-in ones and those of the user."""
        self.digests: dict[str, str] = {}
        self.faults: list[Fault] = []
        self.bases: dict[str, Path] = {}
        self.add_document("study", read_source(study, study.name), self.folder)

    def add_document(self, role: str, source: SourceFile, base: Path) -> None:
        self.files[role] = source
        self.bases[role] = base
        self.digests[source.name] = source.digest
        model, faults = validate(source, MODELS[role])
        kind = kind_of_file(source.values)
        if model is None and kind is not None and kind != role:
            text = f"this is {_article(kind)} file, but {_article(role)} file is needed here"
            faults = [source.fault((), text)]
        self.faults += faults
        if model is not None:
            self.models[role] = merged(built_in_materials(), model) if isinstance(model, MaterialsDocument) else model

    def find(self, role: str, key: KeyPath, written: str) -> Path | None:
        """The file that the document of a role names under a key; None and a fault if it does not exist."""
        try:
            return find_file(self.folder, self.bases[role], written)
        except ValueError as error:
            self.faults.append(self.files[role].fault(key, str(error)))
            return None

    def open(self, role: str, written: object) -> None:
        """Read a description file that the study names."""
        if written is not None:
            self.models.pop(role, None)
        path = self.find("study", (role,), written) if written and isinstance(written, str) else None
        if path is None:
            return
        try:
            self.add_document(role, read_source(path, self.relative_name(path)), path.parent)
        except DocumentError as error:
            self.faults.append(Fault("", None, (), error.fault))

    def add_file(self, role: str, key: KeyPath, written: str) -> Path | None:
        """Record the digest of a file that a document names."""
        path = self.find(role, key, written)
        if path is None:
            return None
        try:
            with path.open("rb") as file:
                self.digests[self.relative_name(path)] = hashlib.file_digest(file, "sha256").hexdigest()
        except OSError as error:
            self.faults.append(self.files[role].fault(key, f'"{written}" cannot be read: {error}'))
            return None
        return path

    def add_directivity(self, key: KeyPath, directivity: Directivity) -> None:
        if not isinstance(directivity, TabulatedPolar | MeasuredSphere):
            return
        path = self.add_file("sources", key, directivity.file)
        if path is not None:
            try:
                read_polar_file(path) if isinstance(directivity, TabulatedPolar) else read_sofa(path)
            except DocumentError as error:
                self.faults.append(Fault("", None, (), str(error)))

    def relative_name(self, path: Path) -> str:
        return path.relative_to(self.folder).as_posix()
