"""The check of a study or of a venue, from its file."""

from __future__ import annotations

from pathlib import Path

from ..venue.document import (
    ElementsDocument,
    MaterialsDocument,
    SourcesDocument,
    Study,
    StudyDocument,
    VenueDocument,
)
from ..venue.materials import built_in_materials, merged
from ..venue.parsing import document_error, find_file, read_source, validate
from ..venue.reading import read_study
from ..venue.references import Documents, reference_faults
from .checks import check_venue
from .findings import Finding


def check(study: str | Path) -> list[Finding]:
    """Find faults of a study, and what the user should know about it, before anything is computed.

    Parameters
    ----------
    study : path of the study file, or of a venue file, which is checked without a study: with a `materials.toml` beside
        it as the user's own materials, and with test rays from the seats only

    Raises
    ------
    DocumentError, MeshError, SceneError : a file cannot be read at all, or names something that does not exist
    """
    path = Path(study)
    if not {"mesh", "surfaces"} <= set(read_source(path, path.name).values):
        return check_venue(read_study(path))
    text = "Only the venue was checked. Elements, loudspeakers and scenarios are checked with the study that uses it."
    return [*check_venue(_study_of(path)), Finding("venue_only", "note", path.name, text, "")]


def _study_of(path: Path) -> Study:
    """A study of the bare venue without sources."""
    source = read_source(path, path.name)
    venue, faults = validate(source, VenueDocument)
    materials = built_in_materials()
    own = path.with_name("materials.toml")
    if own.is_file():
        document, more = validate(read_source(own, own.name), MaterialsDocument)
        faults += more
        materials = materials if document is None else merged(materials, document)
    unknown = reference_faults(Documents(venue=venue, materials=materials))
    faults += [source.fault(at, text) for _, at, text in unknown]
    if venue is not None:
        try:
            find_file(path.parent.resolve(), path.parent, venue.mesh.file)
        except ValueError as fault:
            faults.append(source.fault(("mesh", "file"), str(fault)))
    if venue is None or faults:
        raise document_error(faults)
    files = {"venue": path.name, "elements": "-", "sources": "-"}
    scenarios = {"noise": (0.0,) * 8, "scenario": ({"name": "bare"},)}
    # Not validated as a whole, because a complete study has sources.
    return Study.model_construct(
        folder=path.parent,
        document=StudyDocument.model_validate({"schema": 1, "title": venue.name, **files, **scenarios}),
        venue=venue,
        elements=ElementsDocument.model_validate({"schema": 1}),
        sources=SourcesDocument.model_construct(schema_version=1),
        materials=materials,
        digests={},
    )
