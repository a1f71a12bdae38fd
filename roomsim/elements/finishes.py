"""Acoustic properties of materials and elements: absorption, reflection, transmission and scattering."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from ..bands import N_BANDS
from ..physics.absorption import (
    FORMULA_UNCERTAINTY,
    MeasuredRow,
    corrected_by_rows,
    drape_on_wall,
    free_sheet,
    over_wall,
)
from ..physics.air import Air
from .materials import Fabric, Material

LARGEST_ABSORPTION = 0.99
"""Of all surfaces except openings: measured values of 1 and more are due to the edge effect."""


@dataclass(frozen=True)
class Finish:
    """An opaque surface: absorption and scattering, (8,) each."""

    absorption: np.ndarray
    scattering: np.ndarray

    @property
    def reflection(self) -> np.ndarray:
        """(8,)."""
        return 1.0 - self.absorption

    @property
    def transmission(self) -> np.ndarray:
        """(8,) none."""
        return np.zeros(N_BANDS)

    def over(self, surface: Finish) -> Finish:
        """The surface with this one on it, which replaces it."""
        return self


Variation = Callable[[Literal["material", "fabric"], str, np.ndarray, float], np.ndarray]
"""Function that varies absorption (8,): kind, name, stated absorption and its relative standard uncertainty."""


@dataclass(frozen=True)
class Cloth:
    """Cloth as it hangs, (8,) each."""

    absorption_on_wall: np.ndarray | None
    """On a rigid wall; None for cloth that hangs free."""
    reflection: np.ndarray
    transmission: np.ndarray
    scattering: np.ndarray
    uncertainty: float
    """Relative standard uncertainty of the absorption."""

    def over(self, surface: Finish) -> Finish:
        """The surface with the cloth in front of it, which adds to its absorption."""
        assert self.absorption_on_wall is not None
        return Finish(over_wall(self.absorption_on_wall, surface.absorption), self.scattering)


def finish_of(material: Material) -> Finish:
    """The surface of a material.

    A material that absorbs everything in every band is an opening and reflects nothing. Any other value is
    limited to 0 .. `LARGEST_ABSORPTION`.
    """
    absorption = np.array(material.absorption)
    is_open = (absorption >= 1.0).all()
    absorption = np.ones(N_BANDS) if is_open else np.clip(absorption, 0.0, LARGEST_ABSORPTION)
    return Finish(absorption, np.clip(np.array(material.scattering), 0.0, 1.0))


def cloth_as_hung(
    fabric: Fabric, air: Air, layers: int = 1, fullness: float = 1.0, stand_off: float | None = None
) -> Cloth:
    """Cloth as it hangs; measured rows of the fabric correct the formula on a wall.

    The stated uncertainty of a fabric is that of its measured rows, to which the uncertainty of the formula is added as
    far as no row applies to the way it hangs; for a fabric without rows it is used as stated.

    Parameters
    ----------
    stand_off : gap to the wall behind, m; None for cloth that hangs free
    """
    hung = (fabric.flow_resistance, fabric.surface_mass)
    reflection, transmission = free_sheet(*hung, fullness=fullness, layers=layers, air=air)
    on_wall, weight_of_rows = None, 0.0
    if stand_off is not None:
        if layers == 1:
            rows = tuple(MeasuredRow(row.stand_off, row.fullness, row.absorption) for row in fabric.measured)
            on_wall, weight_of_rows = corrected_by_rows(*hung, stand_off, fullness, rows, air)
        else:
            on_wall = drape_on_wall(*hung, stand_off, fullness, layers, air)
        on_wall = np.clip(on_wall, 0.0, LARGEST_ABSORPTION)
    unknown = (1.0 - weight_of_rows) * FORMULA_UNCERTAINTY if fabric.measured else 0.0
    uncertainty = float(np.hypot(fabric.uncertainty, unknown))
    return Cloth(on_wall, reflection, transmission, np.array(fabric.scattering), uncertainty)


class MaterialTable:
    """The materials and fabrics of a study, with stated or varied absorption."""

    def __init__(
        self,
        materials: Mapping[str, Material],
        fabrics: Mapping[str, Fabric],
        air: Air,
        variation: Variation | None = None,
    ) -> None:
        self.fabrics, self.air, self._variation = fabrics, air, variation
        self.surfaces = {name: finish_of(material) for name, material in materials.items()}
        """Material -> surface."""
        if variation is not None:
            for name, finish in self.surfaces.items():
                varied = variation("material", name, finish.absorption, materials[name].uncertainty)
                # Only openings absorb all sound.
                limited = np.where(finish.absorption >= 1.0, 1.0, np.clip(varied, 0.0, LARGEST_ABSORPTION))
                self.surfaces[name] = replace(finish, absorption=limited)

    def varied_cloth(self, cloth: Cloth, fabric: str) -> Cloth:
        """Cloth with the varied absorption of its fabric."""
        if self._variation is None:
            return cloth
        on_wall = cloth.absorption_on_wall
        if on_wall is not None:
            varied = self._variation("fabric", fabric, on_wall, cloth.uncertainty)
            on_wall = np.clip(varied, 0.0, LARGEST_ABSORPTION)
        # Additional absorption of free cloth reduces reflection and transmission in the same proportion.
        remaining = cloth.reflection + cloth.transmission
        share = np.divide(
            1.0 - self._variation("fabric", fabric, 1.0 - remaining, cloth.uncertainty),
            remaining,
            out=np.ones(N_BANDS),
            where=remaining > 0.0,
        )
        return replace(
            cloth,
            absorption_on_wall=on_wall,
            reflection=cloth.reflection * share,
            transmission=cloth.transmission * share,
        )
