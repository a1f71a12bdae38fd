"""All kinds of element."""

from __future__ import annotations

from .baffle_array import BaffleArray
from .banner import Banner
from .ceiling_drape import CeilingDrape
from .crowd import Crowd
from .drape import Drape
from .element import Element
from .floor_covering import FloorCovering
from .opening import Opening
from .system_change import SystemChange

KINDS: tuple[type[Element], ...] = (
    *(Opening, FloorCovering, Crowd),
    *(BaffleArray, CeilingDrape, Banner, Drape),
    SystemChange,
)
"""In the order in which they cover each other, the lowest first."""
