"""Looking up materials and fabrics."""

from __future__ import annotations

import pytest

from roomsim.errors import MaterialError
from roomsim.venue.document import MaterialsDocument
from roomsim.venue.materials import built_in_materials, find_fabric, merged

ROW = {"absorption": (0.1,) * 8, "scattering": (0.1,) * 8, "source": "invented for tests"}
OWN = MaterialsDocument.model_validate(
    {
        "schema": 1,
        "material": {"brick_bare": ROW, "brick_painted": ROW},
        "fabric": {"wool": {"flow_resistance": 600.0, "surface_mass": 0.5, "source": "invented for tests"}},
    }
)


def test_known_names() -> None:
    assert find_fabric(OWN, "wool") is OWN.fabric["wool"]


def test_unknown_names_bring_the_near_misses() -> None:
    with pytest.raises(MaterialError, match=r'^no fabric is called "velour"\. Known: wool\.$'):
        find_fabric(OWN, "velour")


def test_a_material_is_no_fabric() -> None:
    with pytest.raises(MaterialError, match=r'^"brick_bare" is a material, but a fabric is needed here\.'):
        find_fabric(OWN, "brick_bare")


def test_own_rows_add_to_the_built_in_ones_and_leave_them_as_they_are() -> None:
    both = merged(built_in_materials(), OWN)
    assert set(both.material) == set(built_in_materials().material) | {"brick_bare", "brick_painted"}
    assert both.material["brick_painted"] is OWN.material["brick_painted"]
    # What an opening becomes unless the user says otherwise.
    assert built_in_materials().material["open"].absorption == (1.0,) * 8
