"""JSON Schemas for editors: complete, and of one mind with the reader."""

from __future__ import annotations

import json
from typing import Any

import pytest

from roomsim.errors import DocumentError
from roomsim.venue.reading import MODELS, schema_for

KINDS = ("study", "venue", "elements", "sources", "materials")


@pytest.mark.parametrize("kind", KINDS)
def test_schema_of_a_file(kind: Any) -> None:
    schema = json.loads(json.dumps(schema_for(kind)))
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert schema["title"] == f"roomsim {kind} file"
    assert schema["type"] == "object"
    assert "schema" in schema["required"]
    # No key that the reader would refuse, in any table.
    tables = [schema, *schema.get("$defs", {}).values()]
    assert all(table["additionalProperties"] is False for table in tables)


def test_every_key_is_described() -> None:
    """Save those whose name says all, and tables, which have a description of their own."""
    speaking = {"name", "title", "description", "kind"}
    for kind in KINDS:
        schema = schema_for(kind)  # type: ignore[arg-type]
        for table in [schema, *schema.get("$defs", {}).values()]:
            for key, entry in table["properties"].items():
                if key not in speaking and "#/$defs/" not in json.dumps(entry):
                    assert entry.get("description"), (kind, table["title"], key)


def test_descriptions_are_those_of_the_models() -> None:
    drape = schema_for("elements")["$defs"]["Drape"]["properties"]
    assert drape["fullness"]["description"] == 'Width of cloth over width hung: 2.0 is "100 % fullness".'
    assert drape["fullness"]["minimum"] == 1.0


def test_unknown_kind() -> None:
    with pytest.raises(DocumentError, match=r'no file of kind "scene"\. Known: study, venue'):
        schema_for("scene")  # type: ignore[arg-type]
    assert set(KINDS) == set(MODELS)
