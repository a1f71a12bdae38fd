"""Models of the TOML files that the user writes: validated and frozen.

Lengths in metres, levels in dB, times in ms where a key says so, money in the study's currency. Unknown keys
are errors. `roomsim.venue.reading` turns files into these models and every fault into a message with file,
line and key.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import numpy as np
from pydantic import Field, PrivateAttr, field_validator, model_validator

from roomsim.errors import DocumentError, suggestion
from roomsim.physics.levels import level_sum
from roomsim.physics.noise import named_curve
from roomsim.venue.fields import (
    Coordinate,
    Decibel,
    Fraction,
    Fractions,
    Length,
    Levels,
    Model,
    Name,
    NoiseSpectrum,
    NotNegative,
    Path2,
    Point2,
    Point3,
    Polygon2,
    SeatDistance,
)
from roomsim.venue.loudspeakers import Directivity, Loudspeaker, Omnidirectional
from roomsim.venue.planning import Plan
from roomsim.venue.rigging import Hanging, Kilograms, RoofPoint, Truss
from roomsim.venue.systems import Hang, SubStack

if TYPE_CHECKING:
    from roomsim.venue.mesh import VenueMesh

# --- materials.toml -------------------------------------------------------------------------------------


class Material(Model):
    """A surface: random-incidence absorption and scattering per octave band."""

    description: str = ""
    absorption: Fractions
    """Random-incidence absorption coefficient (ISO 354). Where a laboratory gives more than 1, an effect of
    the edges of the sample, write 1."""
    scattering: Fractions
    """Random-incidence scattering coefficient (ISO 17497-1)."""
    source: Annotated[str, Field(min_length=1)]
    """Where the figures come from: publication and table, laboratory report, "estimate"."""
    uncertainty: Fraction = 0.1
    """Relative standard uncertainty of the absorption."""


class MeasuredDrape(Model):
    """Tabulated absorption of one layer of a fabric as hung; corrects the computed one at and near this fullness and
    stand-off."""

    fullness: Annotated[float, Field(ge=1.0, le=4.0)]
    """Width of cloth over width hung."""
    stand_off: Annotated[float, Field(ge=0.0, le=10.0)]
    """Gap to the wall behind, m."""
    absorption: Fractions
    """Random-incidence absorption coefficient of the area hung."""
    source: Annotated[str, Field(min_length=1)]
    """Where the figures come from."""


class Fabric(Model):
    """A cloth, by the properties that determine its absorption and transmission."""

    description: str = ""
    flow_resistance: Annotated[float, Field(ge=0.1, le=1e6)]
    """Specific flow resistance of one layer, Pa s/m (ISO 9053-1)."""
    surface_mass: Annotated[float, Field(ge=0.001, le=100.0)]
    """kg/m2 of cloth."""
    scattering: Fractions = (0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.5)
    """Random-incidence scattering coefficient as hung."""
    source: Annotated[str, Field(min_length=1)]
    """Where the figures come from."""
    uncertainty: Fraction = 0.1
    """Relative standard uncertainty of the absorption as hung; with `measured`, at the measured arrangements."""
    measured: tuple[MeasuredDrape, ...] = ()
    """Measured absorption."""


class MaterialsDocument(Model):
    schema_version: Literal[1] = Field(alias="schema", description="Version of this file format.")
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
    """An area of the audience: a plan polygon at a floor height, or a group of mesh faces."""

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


class VenueDocument(Model):
    schema_version: Literal[1] = Field(alias="schema", description="Version of this file format.")
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


class Element(Hanging):
    """What every treatment element has: a name, and what it takes to have it."""

    name: Name
    description: str = ""
    hire: NotNegative = 0.0
    """Hire, pipe and points together, in the study's currency."""
    rigging_hours: NotNegative = 0.0
    """Hours of work of one person, hanging and taking down together."""
    weight: NotNegative = 0.0
    """kg, all of it."""
    roof_points: Annotated[int, Field(ge=0, le=100_000)] = 0
    """Number of points in the roof that it hangs from; as many as `hang_from` names unless given."""
    point_load: NotNegative = 0.0
    """Largest load on one roof point, kg; never taken as less than the even share of its weight."""
    stock: dict[Name, NotNegative] = Field(default_factory=dict)
    """What it takes from stock: item -> quantity (m2 covered)."""

    @model_validator(mode="after")
    def _points_named(self) -> Element:
        self._count_named_points("roof_points")
        return self


class Drape(Element):
    """A line of cloth hanging from a pipe."""

    runs: Annotated[tuple[Path2, ...], Field(min_length=1)]
    """Plan polylines; more than one where the line leaves gaps."""
    top: Coordinate
    """Height of the top edge, m."""
    drop: Length
    """Height of the cloth as hung, m."""
    fabric: Name
    """Name of a fabric."""
    fullness: Annotated[float, Field(ge=1.0, le=4.0)] = 1.0
    """Width of cloth over width hung: 2.0 is "100 % fullness"."""
    stand_off: Annotated[float, Field(ge=1e-6, le=1.5)] | None = None
    """Gap to the wall behind, m. Without it the line hangs free in the room."""
    layers: Literal[1, 2] = 1
    """Cloths hung against each other."""


class Banner(Element):
    """Flat sheets hanging free, upright or level."""

    centres: Annotated[tuple[Point3, ...], Field(min_length=1)]
    """Middle of each sheet, m."""
    size: tuple[Length, Length]
    """Length along `direction` and width (or drop), m."""
    direction: Annotated[float, Field(ge=-360.0, le=360.0)] = 0.0
    """Of the length, degrees anticlockwise from x in plan."""
    orientation: Literal["upright", "level"] = "upright"
    """Upright sheets hang down by their width; level ones lie under the roof."""
    fabric: Name
    """Name of a fabric."""
    layers: Literal[1, 2] = 1
    """Cloths hung against each other."""


class CeilingDrape(Element):
    """Cloth spread level under the roof."""

    polygon: Polygon2
    """Plan outline, m."""
    height: Coordinate
    """Of the cloth above zero level, m."""
    fabric: Name
    """Name of a fabric."""
    fullness: Annotated[float, Field(ge=1.0, le=4.0)] = 1.0
    """Area of cloth over area covered."""
    layers: Literal[1, 2] = 1
    """Cloths hung against each other."""


class FloorCovering(Element):
    """Carpet, matting or staging laid on a floor."""

    polygon: Polygon2
    """Plan outline, m."""
    floor: Coordinate = 0.0
    """Height of the floor that it covers, m."""
    material: Name
    """What the floor becomes."""


class Opening(Element):
    """Doors, shutters or vents, shut in the bare venue, that are opened (or the other way round)."""

    groups: Annotated[tuple[str, ...], Field(min_length=1)]
    """Surface groups (or wildcards) that change."""
    material: Name = "open"
    """What the surfaces become."""


class Crowd(Element):
    """People in audience areas; without it they are empty."""

    areas: Annotated[tuple[Name, ...], Field(min_length=1)]
    """Names of audience areas of the venue."""
    material: Name
    """What the areas become when full."""


class SystemChange(Element):
    """Sources, hangs or stacks that play only with it, or not with it.

    Its weight and points include those of the boxes that it switches on.
    """

    switch_on: tuple[Name, ...] = ()
    """Names from the sources file. They are silent in all scenarios without an element that switches them
    on."""
    switch_off: tuple[Name, ...] = ()
    """Names from the sources file that are silent with it."""
    power: NotNegative = 0.0
    """Electric power that it takes, kW."""

    @model_validator(mode="after")
    def _changes_something(self) -> SystemChange:
        if not self.switch_on and not self.switch_off:
            raise ValueError("changes nothing; name sources under switch_on or switch_off")
        return self


class ElementsDocument(Model):
    """All that can be hung, laid, opened or seated."""

    schema_version: Literal[1] = Field(alias="schema", description="Version of this file format.")
    drape: tuple[Drape, ...] = ()
    banner: tuple[Banner, ...] = ()
    ceiling_drape: tuple[CeilingDrape, ...] = ()
    floor_covering: tuple[FloorCovering, ...] = ()
    opening: tuple[Opening, ...] = ()
    crowd: tuple[Crowd, ...] = ()
    system_change: tuple[SystemChange, ...] = ()

    def all(self) -> tuple[Element, ...]:
        """All elements; where they overlap on a surface, the later covers the earlier."""
        return (
            *self.opening,
            *self.floor_covering,
            *self.crowd,
            *self.ceiling_drape,
            *self.banner,
            *self.drape,
            *self.system_change,
        )


# --- sources.toml ---------------------------------------------------------------------------------------


class Source(Hanging):
    """A loudspeaker, a talker or any other source at one point."""

    name: Name
    role: Literal["main", "fill", "delay", "sub", "noise"] = "main"
    """Its purpose. Fills and delays are timed to the mains. The sound of a noise source, direct and reverberant, is
    noise against that of all others: backline, monitors, a generator."""
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
    """How it is mounted. Unless given, a source with a `mass` or with `hang_from` is hung, and any other within
    2.5 m of the floor under it is on a stand."""
    mass: Kilograms | None = None
    """kg, of the box and what hangs with it, where it hangs."""
    size: tuple[Length, Length, Length] | None = None
    """Width, depth and height of the box, m, for the check of zones to be kept clear; 0.6 m each unless given."""
    signal: Name | None = None
    """Sources and systems with the same signal add in phase at low frequencies; those without one add in energy."""

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


class SourcesDocument(Model):
    """All sources, and the loudspeakers that they consist of."""

    schema_version: Literal[1] = Field(alias="schema", description="Version of this file format.")
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
    """Standard error of the A-weighted level, dB, in the same share of the seats; not considered unless given."""
    clarity: Annotated[float, Field(ge=1e-3, le=100.0)] | None = None
    """Standard error of the clarity C50, dB, in each band from 125 Hz to 4 kHz; not considered unless given."""
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
    """A difference from the bare venue: the elements switched in."""

    name: Name
    description: str = ""
    elements: tuple[Name, ...] = ()
    """Names of the elements."""
    compare_with: Name | None = None
    """Scenario that this one is compared with; the bare venue unless given."""
    noise: NoiseSpectrum | None = None
    """Noise at the seats in this scenario, in place of the study's."""


class Costs(Model):
    currency: Annotated[str, Field(min_length=1, max_length=12)] = "EUR"
    """As tables show it."""
    labour_rate: NotNegative = 0.0
    """Per rigging hour."""
    fixed: NotNegative = 0.0
    """Paid once if anything is hung."""
    budget: NotNegative | None = None
    """For all treatment of a scenario."""
    hours_available: NotNegative | None = None
    """Rigging hours for which there are time and crew."""
    roof_points_available: Annotated[int, Field(ge=0, le=100_000)] | None = None
    """Roof points for cloth and loudspeakers together, besides those that the venue lists."""
    point_load_limit: NotNegative | None = None
    """Largest load allowed on a roof point, kg, of cloth or loudspeakers; a point that the venue lists
    may have a limit of its own."""
    power_available: NotNegative | None = None
    """Electric power for system changes, kW."""
    stock: dict[Name, NotNegative] = Field(default_factory=dict)
    """Available stock: item -> quantity (m2 covered)."""


class StudyDocument(Model):
    """Which scenarios are compared, how exactly, and against which limits."""

    schema_version: Literal[1] = Field(alias="schema", description="Version of this file format.")
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
    """What is allowed but probably a mistake, each with file, line and key."""

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
