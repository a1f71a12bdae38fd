"""Hangs and stacks of loudspeakers as the user describes them."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from roomsim.elements.roof import Hanging, Kilograms
from roomsim.fields import Coordinate, Model, Name, Point3
from roomsim.words import counted

Degrees = Annotated[float, Field(ge=-360.0, le=360.0)]
Gain = Annotated[float, Field(ge=-100.0, le=40.0)]
Delay = Annotated[float, Field(ge=-10_000.0, le=10_000.0)]
Count = Annotated[int, Field(ge=1, le=64)]
Spacing = Annotated[float, Field(ge=0.01, le=50.0)]


class Crossover(Model):
    """A Linkwitz-Riley filter: the two sides of a crossover add up to a flat response."""

    frequency: Annotated[float, Field(ge=10.0, le=20_000.0)]
    """Hz, where either side is 6 dB down."""
    order: Literal[2, 4, 8] = 4
    """4 falls by 24 dB an octave. With order 2 one side of the crossover needs inverted polarity."""


class Drive(Model):
    """Processing of the signal of a box."""

    gain: Gain = 0.0
    """dB."""
    delay: Delay = 0.0
    """ms."""
    polarity: Literal["normal", "inverted"] = "normal"
    """Inverted reverses the sign of the signal."""
    high_pass: Crossover | None = None
    low_pass: Crossover | None = None


class BoxDrive(Drive):
    """Processing of a single box in addition to that of the whole system."""

    number: Annotated[int, Field(ge=1)]
    """From the top of a hang, from the bottom of a stack, from the rear of an end-fire line, from the
    right of a row seen from its boxes."""


class System(Drive, Hanging):
    """Boxes that play one signal together."""

    name: Name
    role: Literal["main", "fill", "delay", "sub"] = "main"
    """Its purpose: fills and delays are timed to the mains."""
    loudspeaker: Name
    """Name of a box, own or built-in."""
    azimuth: Degrees = 0.0
    """Direction of the front in plan, degrees anticlockwise from x."""
    signal: Name = "programme"
    """Systems with the same signal add up in phase at low frequencies."""
    box: tuple[BoxDrive, ...] = ()
    """Single boxes with processing of their own."""

    def n_boxes(self) -> int:
        """Number of boxes."""
        raise NotImplementedError

    @model_validator(mode="after")
    def _boxes_there(self) -> System:
        numbers = [box.number for box in self.box]
        for number in numbers:
            if number > self.n_boxes():
                raise ValueError(f"box {number} has processing of its own, but there are only {self.n_boxes()} boxes")
            if numbers.count(number) > 1:
                raise ValueError(f"box {number} is listed twice")
        return self

    @model_validator(mode="after")
    def _points_named(self) -> System:
        self._count_named_points("points")
        return self


class Hang(System):
    """Boxes hung in a line, one below the other, their fronts touching."""

    top: Point3
    """Middle of the top edge of the top box's front, m."""
    tilt: Annotated[float, Field(ge=-90.0, le=90.0)] = 0.0
    """Angle of the top box's axis above the horizontal, degrees: 0 is level, negative is tilted down."""
    count: Count
    """Number of boxes."""
    frame_mass: Kilograms = 0.0
    """kg of the rigging frame, chain hoist and cables that hang with the boxes."""
    points: Annotated[int, Field(ge=1, le=8)] = 1
    """Number of points that it hangs from; by default as many as `hang_from` names."""
    splay: tuple[Annotated[float, Field(ge=-30.0, le=30.0)], ...] = ()
    """Angle between each box and the next below, degrees, from the top; each box is tilted further down by it."""

    def n_boxes(self) -> int:
        return self.count

    @model_validator(mode="after")
    def _splays_fit(self) -> Hang:
        if len(self.splay) != self.count - 1:
            raise ValueError(
                f"{counted(self.count, 'box', 'boxes')} have {counted(self.count - 1, 'angle')} between them; "
                f"splay has {len(self.splay)}"
            )
        return self


class Stack(Model):
    """Boxes on top of each other; reversed boxes make it a gradient stack."""

    kind: Literal["stack"]
    count: Count
    """Number of boxes."""
    reversed: tuple[Annotated[int, Field(ge=1)], ...] = ()
    """Numbers of the boxes that face backwards, from the bottom. They are inverted and delayed."""
    reversed_gain: Gain = 0.0
    """dB of the reversed boxes re the others."""
    reversed_delay: Delay | None = None
    """ms of the reversed boxes after the others; by default the travel time over the depth of a box."""

    @model_validator(mode="after")
    def _reversed_there(self) -> Stack:
        if len(set(self.reversed)) != len(self.reversed) or max(self.reversed, default=0) > self.count:
            raise ValueError(f"reversed must name boxes from 1 to {self.count}, each once")
        return self


class GradientPair(Model):
    """Two boxes one behind the other; the rear one is inverted and delayed by the travel time between them."""

    kind: Literal["gradient_pair"]
    spacing: Spacing
    """m between their fronts."""
    rear_gain: Gain = 0.0
    """dB of the rear box re the front one."""


class EndFire(Model):
    """Boxes in a line towards the audience, each delayed by its distance from the rearmost."""

    kind: Literal["end_fire"]
    count: Count
    """Number of boxes."""
    spacing: Spacing
    """m from front to front."""


class Row(Model):
    """Boxes side by side across the stage."""

    kind: Literal["row"]
    count: Count
    """Number of boxes."""
    spacing: Spacing
    """m from middle to middle."""
    arc: Annotated[float, Field(ge=0.0, lt=180.0)] = 0.0
    """Degrees: delays give the row the effect of an arc with this opening angle, which widens its pattern."""


Arrangement = Annotated[Stack | GradientPair | EndFire | Row, Field(discriminator="kind")]


class SubStack(System):
    """Bass boxes on the floor or flown."""

    role: Literal["main", "fill", "delay", "sub"] = "sub"
    """Its purpose: fills and delays are timed to the mains."""
    position: Point3
    """Foot of the stack: middle of the lower edge of the front, m. Of lines and pairs that of the foremost
    box, of rows that of the middle."""
    arrangement: Arrangement
    points: Annotated[int, Field(ge=0, le=8)] = 0
    """Number of points that it hangs from, if it is flown; by default as many as `hang_from` names."""
    frame_mass: Kilograms = 0.0
    """kg of the rigging frame, chain hoist and cables that hang with the boxes, if it is flown."""
    floor: Coordinate | None = None
    """Height of the hard floor under it, m, where it stands on or hangs near one: the image in the floor raises
    the power that it radiates. Without it the power is that of the free field."""

    def n_boxes(self) -> int:
        return 2 if isinstance(self.arrangement, GradientPair) else self.arrangement.count

    @model_validator(mode="after")
    def _above_floor(self) -> SubStack:
        if self.floor is not None and self.position[2] < self.floor - 1e-6:
            raise ValueError(
                f"its foot at {self.position[2]:g} m lies below its floor at {self.floor:g} m; "
                "correct position or floor"
            )
        return self
