"""Models of the TOML files that the user writes: validated and frozen.

Lengths in metres, levels in dB, times in ms where a key says so, money in the study's currency. Unknown keys
are errors. `roomsim.venue.reading` turns files into these models and every fault into a message with file,
line and key.
"""

from __future__ import annotations

from collections.abc import Container, Iterator
from pathlib import Path
from types import GenericAlias
from typing import TYPE_CHECKING, Annotated, Any, Literal, TypeVar

import numpy as np
from pydantic import Field, PrivateAttr, create_model, field_validator, model_validator

from roomsim.elements.element import Element
from roomsim.elements.materials import Fabric, Material
from roomsim.elements.registry import KINDS
from roomsim.elements.roof import Hanging, Kilograms, RoofPoint, Truss
from roomsim.errors import DocumentError, suggestion
from roomsim.fields import (
    Coordinate,
    Decibel,
    Document,
    Fraction,
    Length,
    Levels,
    Model,
    Name,
    NoiseSpectrum,
    NotNegative,
    Point2,
    Point3,
    Polygon2,
    SeatDistance,
)
from roomsim.physics.levels import level_sum
from roomsim.physics.noise import named_curve
from roomsim.venue.loudspeakers import Directivity, Loudspeaker, Omnidirectional
from roomsim.venue.planning import Plan
from roomsim.venue.systems import Hang, SubStack

if TYPE_CHECKING:
    from roomsim.venue.mesh import VenueMesh

# --- materials.toml -------------------------------------------------------------------------------------


class MaterialsDocument(Document):
    """Materials and fabrics."""

    material: dict[Name, Material] = Field(default_factory=dict)
    fabric: dict[Name, Fabric] = Field(default_factory=dict)


# --- venue.toml -----------------------------------------------------------------------------------------


class MeshReference(Model):
    file: Annotated[str, Field(min_length=1)]
    """OBJ, glTF (.glb, .gltf), STL or PLY file, relative to the venue file."""
    unit: Literal["m", "cm", "mm", "in", "ft"]
    """Length of one unit of the mesh. No mesh format but glTF states it."""
    up: Literal["z", "y"]
    """Axis of the mesh that points up."""


class Air(Model):
    temperature: Annotated[float, Field(ge=-20.0, le=50.0)] = 20.0
    """degC."""
    humidity: Annotated[float, Field(ge=1.0, le=100.0)] = 50.0
    """Relative humidity, percent."""
    pressure: Annotated[float, Field(ge=50.0, le=110.0)] = 101.325
    """kPa."""


class AudienceArea(Model):
    """An area of the audience: a polygon in plan at a floor height, or a group of mesh faces."""

    name: Name
    polygon: Polygon2 | None = None
    """Plan outline, m."""
    group: Annotated[str, Field(min_length=1)] | None = None
    """Surface group of the mesh (or wildcard) whose upper side is the audience's floor."""
    floor: Coordinate = 0.0
    """Height of the floor under a polygon, m."""
    ear_height: Annotated[float, Field(ge=0.01, le=2.5)] = 1.2
    """Of the listeners above the floor, m."""
    seat_spacing: tuple[SeatDistance, SeatDistance] = (0.8, 0.9)
    """Between seats along x and along y of the area's own axes, 0.1 to 10 m."""
    rotation: Annotated[float, Field(ge=-360.0, le=360.0)] = 0.0
    """Of the seat rows against x, degrees anticlockwise."""

    @model_validator(mode="after")
    def _one_shape(self) -> AudienceArea:
        if (self.polygon is None) == (self.group is None):
            both = "both are given" if self.group is not None else "neither is given"
            raise ValueError(f"needs either polygon or group, exactly one of them; {both}")
        return self


class Zone(Model):
    """A zone to be kept clear of everything, loudspeakers included."""

    name: Name
    kind: Literal["exit", "escape_route", "plant", "safety_equipment", "other"]
    polygon: Polygon2
    """Plan outline, m."""
    bottom: Coordinate = 0.0
    """Lower end of the zone, m."""
    top: Coordinate = 100.0
    """Upper end of the zone, m."""

    @model_validator(mode="after")
    def _upright(self) -> Zone:
        if self.top <= self.bottom:
            raise ValueError(f"top ({self.top:g} m) must be above bottom ({self.bottom:g} m)")
        return self


class PlanMarks(Model):
    """Marks on plans: stage and north."""

    stage: Point2 | None = None
    """Middle of the stage front, m."""
    north: Annotated[float, Field(ge=-360.0, le=360.0)] | None = None
    """Direction of north, degrees anticlockwise from x."""


class RoomParts(Model):
    """Surface groups (or wildcards) by the part of the room that they are, for `roomsim system`.

    Other surfaces are classified by their slope: steep faces are walls, level ones above a ray are roof.
    """

    stage: tuple[str, ...] = ("stage", "stage_*")
    """The stage, its front and its decks."""
    walls: tuple[str, ...] = ()
    """Walls that their slope does not identify."""
    roof: tuple[str, ...] = ()
    """Roof and its parts, such as trusses."""


class VenueDocument(Document):
    """A venue: its mesh, materials, seats, zones to be kept clear and points to hang from."""

    name: Name
    mesh: MeshReference
    air: Air = Air()
    surfaces: dict[str, Name]
    """Surface group (exact or wildcard) -> material. An exact name takes precedence over a wildcard, and a longer
    wildcard over a shorter one."""
    two_sided: tuple[str, ...] = ()
    """Surface groups (or wildcards) that are open sheets: their open edges are no holes."""
    audience: Annotated[tuple[AudienceArea, ...], Field(min_length=1)]
    zone: tuple[Zone, ...] = ()
    roof_point: tuple[RoofPoint, ...] = ()
    truss: tuple[Truss, ...] = ()
    plan: PlanMarks = PlanMarks()
    parts: RoomParts = RoomParts()


# --- elements.toml --------------------------------------------------------------------------------------

Kind = TypeVar("Kind", bound=Element)


def _with_a_table_for_each_kind(document: type[Model]) -> Any:
    tables: dict[str, Any] = {kind.table(): (GenericAlias(tuple, (kind, ...)), ()) for kind in KINDS}
    return create_model(
        document.__name__, __base__=document, __module__=__name__, __doc__=document.__doc__, **tables
    )


@_with_a_table_for_each_kind
class ElementsDocument(Document):
    """All that can be hung, laid, opened or seated: a table for each kind of the registry."""

    def of(self, kind: type[Kind]) -> tuple[Kind, ...]:
        """The elements of one kind."""
        return getattr(self, kind.table())

    def entries(self) -> Iterator[tuple[tuple[str | int, ...], Element]]:
        """All elements with the key path of each in the file, in the order of `all`."""
        for kind in KINDS:
            for i, element in enumerate(self.of(kind)):
                yield (kind.table(), i), element

    def all(self) -> tuple[Element, ...]:
        """All elements; where they overlap on a surface, the later covers the earlier."""
        return tuple(element for kind in KINDS for element in self.of(kind))

    def named(self, names: Container[str]) -> tuple[Element, ...]:
        """The elements with these names, in the order of `all`."""
        return tuple(element for element in self.all() if element.name in names)


# --- sources.toml ---------------------------------------------------------------------------------------


class Source(Hanging):
    """A loudspeaker, a talker or any other source at one point."""

    name: Name
    role: Literal["main", "fill", "delay", "sub", "noise"] = "main"
    """Its purpose. Fills and delays are timed to the mains. The direct and reverberant sound of a noise source, such as
    backline, monitors or a generator, is noise that masks the sound of all others."""
    position: Point3
    """Acoustic centre, m."""
    aim_at: Point3 | None = None
    """Point on the axis, m."""
    aim: Point2 = (0.0, 0.0)
    """Azimuth (anticlockwise from x) and elevation of the axis, degrees; ignored where `aim_at` is given."""
    level: Levels
    """Sound pressure level at 1 m on axis in the free field, dB per octave, with the programme running."""
    directivity: Directivity = Omnidirectional(kind="omnidirectional")
    delay: Annotated[float, Field(ge=-10_000.0, le=10_000.0)] = 0.0
    """ms."""
    maximum_level: Decibel | None = None
    """Highest peak level at 1 m on axis, dB, all bands together."""
    mounting: Literal["hung", "stand", "wall"] | None = None
    """How it is mounted. By default a source with a `mass` or with `hang_from` is hung, and any other within
    2.5 m of the floor under it is on a stand."""
    mass: Kilograms | None = None
    """kg, of the box and what hangs with it, where it hangs."""
    size: tuple[Length, Length, Length] | None = None
    """Width, depth and height of the box, m, for the check of zones to be kept clear; 0.6 m each by default."""
    signal: Name | None = None
    """Sources and systems with the same signal add in phase at low frequencies; all others add in energy."""

    @property
    def is_hung(self) -> bool:
        """Whether it hangs from the roof."""
        if self.mounting is None:
            return self.mass is not None or bool(self.hang_from)
        return self.mounting == "hung"

    @model_validator(mode="after")
    def _hung_from_points(self) -> Source:
        if self.hang_from and not self.is_hung:
            raise ValueError(f'hang_from names roof points, but mounting says "{self.mounting}"')
        return self


class SourcesDocument(Document):
    """All sources, and the loudspeakers that they consist of."""

    source: tuple[Source, ...] = ()
    hang: tuple[Hang, ...] = ()
    sub_stack: tuple[SubStack, ...] = ()
    loudspeaker: dict[Name, Loudspeaker] = Field(default_factory=dict)
    """Loudspeakers of the user, which add to the built-in ones and override them."""
    crest_factor: Annotated[float, Field(ge=0.0, le=40.0)] = 12.0
    """Peak over mean level of the programme, dB: some 12 for speech, 15 to 20 for music (common practice)."""

    @model_validator(mode="after")
    def _something_sounds(self) -> SourcesDocument:
        if not self.all():
            raise ValueError(
                "there is no source; write [[source]], [[hang]] or [[sub_stack]]"
            )
        return self

    def all(self) -> tuple[Source | Hang | SubStack, ...]:
        """All sources in the order of every source axis."""
        return (*self.source, *self.hang, *self.sub_stack)


# --- study.toml -----------------------------------------------------------------------------------------


class Precision(Model):
    """The precision at which a run stops."""

    sti: Annotated[float, Field(ge=1e-6, le=1.0)] = 0.01
    """Standard error of the speech transmission index ..."""
    share_of_seats: Fraction = 0.95
    """... in this share of the seats, for every scenario."""
    level: Annotated[float, Field(ge=1e-3, le=100.0)] | None = None
    """Standard error of the A-weighted level, dB, in the same share of the seats; by default not a criterion."""
    clarity: Annotated[float, Field(ge=1e-3, le=100.0)] | None = None
    """Standard error of the clarity C50, dB, in each band from 125 Hz to 4 kHz; by default not a criterion."""
    max_minutes: Annotated[float, Field(ge=1e-3, le=1e5)] = 30.0
    """A run stops after this time at the latest ..."""
    max_rays: Annotated[int, Field(ge=1000, le=10**12)] = 100_000_000
    """... or after this many rays, and reports it."""


class Targets(Model):
    sti: Fraction = 0.5
    """A seat counts as served at or above this speech transmission index."""
    share_of_seats: Fraction = 0.95
    """Share of the seats that should be served."""


class Uncertainty(Model):
    """Uncertainty of the results from that of the absorption."""

    draws: Annotated[int, Field(ge=0, le=1000)] = 32
    """Number of sets of absorption coefficients, each material drawn within its uncertainty; 0 for none.
    With 32 the relative standard error of the input uncertainty is one eighth."""

    @field_validator("draws")
    @classmethod
    def _enough_for_a_spread(cls, draws: int) -> int:
        if 0 < draws < 8:
            raise ValueError("fewer than 8 draws do not show the spread; write 0 for none")
        return draws


class Scenario(Model):
    """A scenario: the elements that are added to the bare venue."""

    name: Name
    description: str = ""
    elements: tuple[Name, ...] = ()
    """Names of the elements."""
    compare_with: Name | None = None
    """Scenario that this one is compared with; by default the bare venue."""
    noise: NoiseSpectrum | None = None
    """Noise at the seats in this scenario, in place of the study's."""


class Costs(Model):
    currency: Annotated[str, Field(min_length=1, max_length=12)] = "EUR"
    """Currency, as shown in tables."""
    labour_rate: NotNegative = 0.0
    """Per rigging hour."""
    fixed: NotNegative = 0.0
    """Paid once if anything is hung."""
    budget: NotNegative | None = None
    """For all treatment of a scenario."""
    hours_available: NotNegative | None = None
    """Rigging hours for which time and crew are available."""
    roof_points_available: Annotated[int, Field(ge=0, le=100_000)] | None = None
    """Roof points for cloth and loudspeakers together, besides those that the venue lists."""
    point_load_limit: NotNegative | None = None
    """Largest load allowed on a roof point, kg, of cloth or loudspeakers; a point that the venue lists
    may have a limit of its own."""
    power_available: NotNegative | None = None
    """Electric power for system changes, kW."""
    stock: dict[Name, NotNegative] = Field(default_factory=dict)
    """Available stock: item -> quantity (m2 covered)."""


class StudyDocument(Document):
    """The scenarios to compare, the precision, and the limits."""

    title: Name
    venue: Annotated[str, Field(min_length=1)]
    """Venue file, relative to this file, as all files named here."""
    elements: Annotated[str, Field(min_length=1)]
    """Treatment elements file."""
    sources: Annotated[str, Field(min_length=1)]
    """Sources file."""
    materials: Annotated[str, Field(min_length=1)] | None = None
    """Further materials; they add to the built-in ones and override them."""
    seed: Annotated[int, Field(ge=0, lt=2**31)] = 1
    """Of the random numbers; the same seed gives the same results."""
    image_order: Annotated[int, Field(ge=0, le=3)] = 2
    """Reflections up to this order come from image sources, the rest from rays."""
    receiver_radius: Annotated[float, Field(gt=0.05, le=1.0)] = 0.5
    """Of the spheres that detect rays at the seats, m."""
    noise: NoiseSpectrum
    """Noise at the seats: dB per octave, or a curve such as "NR 35" or "NC 30", or the name of a spectrum, or
    a list of these that add up in energy."""
    noise_spectra: dict[Name, Levels] = Field(default_factory=dict)
    """Spectra for use in `noise`, dB per octave: crowd, plant, rain on the roof."""
    precision: Precision = Precision()
    uncertainty: Uncertainty = Uncertainty()
    targets: Targets = Targets()
    costs: Costs = Costs()
    bare: Name = "bare"
    """Name of the bare venue in tables; it need not be listed among the scenarios."""
    plan: Plan = Plan()
    scenario: Annotated[tuple[Scenario, ...], Field(min_length=1)]

    def scenarios_in_order(self) -> tuple[Scenario, ...]:
        """The bare venue first, listed or not, then the others as listed: the order of scenario axes."""
        listed = {scenario.name: scenario for scenario in self.scenario}
        return (listed.pop(self.bare, Scenario(name=self.bare)), *listed.values())

    def elements_used(self) -> set[str]:
        """Names of the elements that some scenario switches in."""
        return {name for scenario in self.scenario for name in scenario.elements}

    def noise_of(self, scenario: Scenario) -> np.ndarray:
        """(8,) dB: the noise of a scenario, its parts added up in energy.

        Raises
        ------
        DocumentError : a name that is neither a curve nor a spectrum of this study
        PhysicalRangeError : a curve beyond those that exist
        """
        noise = self.noise if scenario.noise is None else scenario.noise
        if isinstance(noise, str):
            noise = (noise,)
        if not isinstance(noise[0], str):
            return np.array(noise, dtype=float)
        return level_sum([self._spectrum(str(name)) for name in noise], axis=0)

    def _spectrum(self, name: str) -> np.ndarray:
        if name in self.noise_spectra:
            return np.array(self.noise_spectra[name])
        levels = named_curve(name)
        if levels is None:
            known = suggestion(name, self.noise_spectra) if self.noise_spectra else ""
            raise DocumentError(
                f'no noise is called "{name}"; write a curve such as "NR 35" or "NC 30", or the levels under '
                f"[noise_spectra]. {known}".rstrip()
            )
        return levels

    def compared_with(self) -> tuple[int, ...]:
        """For each of `scenarios_in_order` the index of the one that it is compared with."""
        scenarios = self.scenarios_in_order()
        index = {scenario.name: i for i, scenario in enumerate(scenarios)}
        return tuple(index[scenario.compare_with or self.bare] for scenario in scenarios)


class Study(Model):
    """All files of a study, valid in themselves and in their references to each other."""

    folder: Path
    document: StudyDocument
    venue: VenueDocument
    elements: ElementsDocument
    sources: SourcesDocument
    materials: MaterialsDocument
    """Built-in and own materials merged."""
    digests: dict[str, str]
    """File name -> SHA-256 of its bytes, the mesh included. Names are relative to `folder`, with `/`."""
    warnings: tuple[str, ...] = ()
    """Entries that are allowed but probably mistakes, each with file, line and key."""

    _meshes: dict[tuple[MeshReference, Path], VenueMesh] = PrivateAttr(default_factory=dict)
    """Meshes that have been read; copies of a study share them."""

    @property
    def mesh(self) -> VenueMesh:
        """The venue's mesh; read from its file when it is first used.

        Raises
        ------
        MeshError : the file cannot be read, or its mesh cannot be used
        """
        # Reading a mesh needs this module, and takes long to import.
        from roomsim.venue.mesh import read_mesh

        reference = self.venue.mesh, self.venue_folder
        if reference not in self._meshes:
            self._meshes[reference] = read_mesh(*reference)
        return self._meshes[reference]

    def with_mesh(self, mesh: VenueMesh) -> Study:
        """The same study with another mesh, such as the inner surfaces of the one in the file."""
        study = self.model_copy()
        study._meshes = {(self.venue.mesh, self.venue_folder): mesh}
        return study

    @property
    def venue_folder(self) -> Path:
        """Folder of the venue file, to which the path of its mesh is relative."""
        return (self.folder / self.document.venue).parent

    @property
    def sources_folder(self) -> Path:
        """Folder of the sources file, to which the paths of directivity files are relative."""
        return (self.folder / self.document.sources).parent
