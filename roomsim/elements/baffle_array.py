"""Rows of vertical baffles: an absorbing layer that transmits and reflects part of the sound.

The baffles of a row hang end to end, and rows are parallel and equally spaced. Between two rows is a channel, open
below and above. Diffuse sound that enters its mouth passes straight through with the probability
F = sqrt(1 + h^2) - h, h the depth of the channel over its width: the view factor between infinite opposite strips
(Howell, A Catalog of Radiation Heat Transfer Configuration Factors, C-1; from memory). The remainder meets faces.
Specular faces reflect it to the opposite face and finally to the other mouth. Between two mirrors the mouth has an
infinite row of images, so that the k-th reflection is reached with the probability
q_k = 1 - sqrt((k + 1)^2 + h^2) + sqrt(k^2 + h^2), which is 1 - F for the first, and the share
a sum_k (1 - a)^k q_k is absorbed, a being the absorption coefficient of a face. Faces that scatter by Lambert's law
exchange sound with each other and with the mouths; the distribution of incident sound follows from the integral
equation of radiosity (Kuttruff, Room Acoustics, on the diffusely reflecting enclosure; from memory), here of strips
along the channel, with the view factors of crossed strings (Hottel, from memory). For scattering coefficients between
0 and 1 the two results are weighted. The series is derived here; the tests trace single rays between two baffles.

The equivalent absorption area of one baffle of an array, in the sense of ISO 354:2003, 6.2.2 and of the objects of
ISO 12354-6:2003 (both from memory), follows from both sides of the layer: it decreases with the spacing of
the rows, and for large spacings tends to the absorption of both faces and of the lower and upper edges.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property
from typing import Annotated

import numpy as np
import shapely
from pydantic import Field, model_validator

from ..bands import N_BANDS
from ..fields import Coordinate, Length, Name, NotNegative, Polygon2
from .element import Element, Lines, PlanView
from .finishes import Cloth, Finish, MaterialTable
from .roof import Load, Roof
from .sheets import Sheet, axes_in_plan, level, upright

MOST_BAFFLES = 10_000
LEAST_GAP = 0.01
"""m between the faces of two rows."""
N_REFLECTIONS = 2000
"""Number of reflections between two faces in the series."""
N_STRIPS = 100
"""Strips into which a scattering face is divided."""


class BaffleArray(Element):
    """Vertical absorbing panels that hang in parallel rows over an area."""

    kind = "baffle array"
    is_searched = True

    polygon: Polygon2
    """Outline of the area in plan, m; it is filled with as many whole baffles as it can hold."""
    top: Coordinate
    """Height of the upper edges, m."""
    size: tuple[Length, Length]
    """Length along the row and height of one baffle, m."""
    thickness: Annotated[float, Field(ge=1e-3, le=0.5)] = 0.05
    """Of a baffle, m."""
    spacing: Annotated[float, Field(ge=0.02, le=20.0)]
    """From row to row, centre to centre, m."""
    direction: Annotated[float, Field(ge=-360.0, le=360.0)] = 0.0
    """Of the rows, degrees anticlockwise from x in plan."""
    material: Name
    """Material of a baffle; its absorption is that of one face."""
    mass: NotNegative = 0.0
    """kg, of one baffle; `weight` is by default that of all of them."""
    points_each: Annotated[int, Field(ge=0, le=100)] = 2
    """Roof points from which one baffle hangs; `roof_points` is by default the number for all of them. Give it where
    rows hang from wires or battens."""

    @model_validator(mode="after")
    def _all_together(self) -> BaffleArray:
        if self.spacing - self.thickness < LEAST_GAP:
            raise ValueError(
                f"spacing ({self.spacing:g} m) must exceed thickness ({self.thickness:g} m) by {LEAST_GAP:g} m or more"
            )
        corners = np.array(self.polygon)
        across = float(np.hypot(*np.ptp(corners, axis=0)))
        estimate = max(across, shapely.Polygon(corners).area / self.size[0]) / self.spacing
        if estimate > MOST_BAFFLES:
            raise ValueError(f"the polygon could hold {estimate:,.0f} baffles; {MOST_BAFFLES:,} is the limit")
        if not self.number:
            raise ValueError("no baffle fits into the polygon; check its corners, size and direction")
        # The model is still under construction.
        if "weight" not in self.model_fields_set:
            object.__setattr__(self, "weight", self.number * self.mass)
        if "roof_points" not in self.model_fields_set and not self.hang_from:
            object.__setattr__(self, "roof_points", self.number * self.points_each)
        return self

    @cached_property
    def rows(self) -> tuple[tuple[np.ndarray, int], ...]:
        """Ends in plan (2, 2), m, of each unbroken row of baffles, and the number of its baffles."""
        axes = axes_in_plan(self.direction)
        area = shapely.Polygon(np.array(self.polygon) @ axes.T)
        low_u, low_v, high_u, high_v = area.bounds
        width = high_v - low_v - self.thickness
        n_rows = int(width / self.spacing + 1e-6) + 1 if width >= 0.0 else 0
        first = 0.5 * (low_v + high_v - (n_rows - 1) * self.spacing)
        rows = []
        for v in first + self.spacing * np.arange(n_rows):
            for part in shapely.get_parts(area.intersection(shapely.LineString([(low_u, v), (high_u, v)]))):
                number = int(part.length / self.size[0] + 1e-6)
                if number:
                    middle, half = 0.5 * (part.bounds[0] + part.bounds[2]), 0.5 * number * self.size[0]
                    rows.append((np.array([[middle - half, v], [middle + half, v]]) @ axes, number))
        return tuple(rows)

    @property
    def number(self) -> int:
        """Of baffles."""
        return sum(number for _, number in self.rows)

    # --- acoustics ----------------------------------------------------------------------------------------

    def absorption_area_each(self, face: Finish) -> np.ndarray:
        """(8,) m2, equivalent absorption area of one baffle of the array, from the surface of a face."""
        return 2.0 * self.size[0] * self._layer(face)[0]

    def _layer(self, face: Finish) -> tuple[np.ndarray, np.ndarray]:
        """Absorbed and reflected share of the sound incident on one side, times the row spacing: (8,) m each."""
        gap = self.spacing - self.thickness
        h = self.size[1] / gap
        a, scattering = face.absorption, face.scattering
        reached = 1.0 - np.diff(np.sqrt(np.arange(N_REFLECTIONS + 1.0) ** 2 + h**2))
        by_mirrors = a * ((1.0 - a)[:, None] ** np.arange(N_REFLECTIONS) @ reached)
        by_scatter, back = _scattered(a, h)
        absorbed = (1.0 - scattering) * by_mirrors + scattering * by_scatter
        reflected = scattering * back
        return gap * absorbed + self.thickness * a, gap * reflected + self.thickness * (1.0 - a)

    def free_sheets(self) -> list[Sheet]:
        """The layer, at half the height of the baffles."""
        return [level(self.name, "layer", np.array(self.polygon), self.top - 0.5 * self.size[1])]

    def finish(self, materials: MaterialTable) -> Cloth:
        """The layer: the absorption of all baffles, spread over the area."""
        face, area = materials.surfaces[self.material], shapely.Polygon(self.polygon).area
        absorbed = self.number * self.absorption_area_each(face) / (2.0 * area)
        reflected = self.number * self.size[0] * self._layer(face)[1] / area
        # Rows at the edge also absorb sound from outside the outline; with few rows, more than the layer receives.
        excess = np.maximum(absorbed + reflected, 1.0)
        reflected, transmitted = reflected / excess, 1.0 - (absorbed + reflected) / excess
        return Cloth(None, reflected, transmitted, np.ones(N_BANDS), uncertainty=0.0)

    # --- geometry -------------------------------------------------------------------------------------

    def hung_sheets(self) -> list[Sheet]:
        """The space that the baffles occupy: its lower and upper face and its sides."""
        outline, bottom = np.array(self.polygon), self.top - self.size[1]
        faces = [level(self.name, "lower edges", outline, bottom), level(self.name, "upper edges", outline, self.top)]
        for i, (start, end) in enumerate(zip(outline, np.roll(outline, -1, axis=0)), start=1):
            faces.append(upright(self.name, f"side {i}", start, end, bottom, self.top))
        return faces

    def place_in_plan(self) -> tuple[shapely.Geometry, float]:
        """The area, and the upper edges."""
        return shapely.Polygon(self.polygon), self.top

    def load(self, roof: Roof) -> Load | None:
        """The load of all baffles."""
        load = super().load(roof)
        what = f"{self.number} baffles, {self.description}".rstrip(", ")
        return None if load is None else replace(load, what=what)

    def plan_lines(self, view: PlanView) -> dict[int | None, Lines]:
        """The rows."""
        return {None: tuple(ends for ends, _ in self.rows)}


def _scattered(absorption: np.ndarray, depth: float) -> tuple[np.ndarray, np.ndarray]:
    """Shares (8,) of the sound from one mouth that scattering faces absorb and return to it; depth over width."""
    edges = np.linspace(0.0, depth, N_STRIPS + 1)
    middle = 0.5 * (edges[1:] + edges[:-1])
    sines = _sine(edges - middle[:, None])
    from_strip_to_strip = 0.5 * np.diff(sines, axis=1)
    to_mouth = 0.5 * (1.0 - _sine(middle))
    from_mouth = np.diff(edges - np.sqrt(1.0 + edges**2))
    reflection = (1.0 - absorption)[:, None, None]
    met = np.linalg.solve(np.eye(N_STRIPS) - reflection * from_strip_to_strip.T, from_mouth[:, None])[..., 0]
    return absorption * met.sum(axis=1), (1.0 - absorption) * (met @ to_mouth)


def _sine(along: np.ndarray) -> np.ndarray:
    """Sine of the angle of a line to a point at this distance along the opposite face."""
    return along / np.sqrt(1.0 + along**2)
