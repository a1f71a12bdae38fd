"""The check of a venue by itself, before there are elements, loudspeakers and scenarios."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from ..venue.document import (
    ElementsDocument,
    MaterialsDocument,
    Source,
    SourcesDocument,
    Study,
    StudyDocument,
    VenueDocument,
)
from ..venue.materials import built_in_materials, merged
from ..venue.parsing import document_error, find_file, read_source, validate
from ..venue.references import Documents, reference_faults
from .checks import check_venue
from .findings import Finding
from .receivers import compile_receivers
from .scale_checks import scale_findings

_STAND_IN = "a loudspeaker that is not there yet"


def is_venue_file(path: Path) -> bool:
    """Whether a description file is one of a venue, by what it holds.

    Raises
    ------
    DocumentError : it cannot be read
    """
    return {"mesh", "surfaces"} <= set(read_source(path, path.name).values)


def check_venue_file(path: Path) -> list[Finding]:
    """What `check_venue` finds in a venue that no study names yet.

    A `materials.toml` beside the venue file counts as the user's own materials. Test rays start from the seats.

    Raises
    ------
    DocumentError, MeshError, SceneError : as for a study
    """
    study = _study_of(path)
    about = (
        "Checked by itself: elements, loudspeakers and scenarios are checked with the study that names it."
    )
    note = Finding("venue_alone", "note", path.name, about, "")
    scale = scale_findings(study, np.empty((0, 3)))
    if any(finding.severity == "error" for finding in scale):
        return [*scale, note]
    seat = compile_receivers(study).position[0]
    # The check wants a source: one just above the first seat adds no question of its own.
    study = study.model_copy(update={"sources": _sources(seat + np.array([0.0, 0.0, 0.1]))})
    findings = [finding for finding in check_venue(study) if _STAND_IN not in finding.place]
    return [*findings, note]


def _study_of(path: Path) -> Study:
    """A study of the bare venue, as far as a check needs it."""
    source = read_source(path, path.name)
    venue, faults = validate(source, VenueDocument)
    materials = built_in_materials()
    own = path.with_name("materials.toml")
    if own.is_file():
        document, more = validate(read_source(own, own.name), MaterialsDocument)
        faults += more
        materials = materials if document is None else merged(materials, document)
    faults += [
        source.fault(at, text)
        for _, at, text in reference_faults(Documents(venue=venue, materials=materials))
    ]
    if venue is not None:
        try:
            find_file(path.parent.resolve(), path.parent, venue.mesh.file)
        except ValueError as fault:
            faults.append(source.fault(("mesh", "file"), str(fault)))
    if venue is None or faults:
        raise document_error(faults)
    described = {"schema": 1, "title": venue.name, "venue": path.name, "elements": "-", "sources": "-"}
    return Study(
        folder=path.parent,
        document=StudyDocument.model_validate(
            {**described, "noise": (0.0,) * 8, "scenario": ({"name": "bare"},)}
        ),
        venue=venue,
        elements=ElementsDocument.model_validate({"schema": 1}),
        sources=_sources(np.zeros(3)),
        materials=materials,
        digests={},
    )


def _sources(position: np.ndarray) -> SourcesDocument:
    x, y, z = (float(value) for value in position)
    source = Source(name=_STAND_IN, position=(x, y, z), level=(0.0,) * 8)
    return SourcesDocument.model_validate({"schema": 1, "source": (source,)})
