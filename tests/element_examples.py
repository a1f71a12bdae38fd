"""An example of every kind of element, for a box of 10 x 6 x 4 m with an audience area called "seats"."""

from __future__ import annotations

from typing import Any

WHERE = [[1.0, 1.0], [4.0, 1.0], [4.0, 4.0], [1.0, 4.0]]
EVERY_KIND: dict[str, list[dict[str, Any]]] = {
    "drape": [
        {"name": "free drape", "runs": [[[7, 1], [7, 4]]], "top": 3.0, "drop": 2.0, "fabric": "test_wool"},
        {"name": "drape on a wall", "runs": [[[1, 0.2], [4, 0.2]]], "top": 3.0, "drop": 2.0}
        | {"fabric": "test_wool", "stand_off": 0.2},
    ],
    "banner": [
        {"name": "upright banner", "centres": [[5, 3, 2.5]], "size": [2, 1], "fabric": "test_wool"},
        {"name": "level banner", "centres": [[5, 3, 3.5]], "size": [2, 1], "fabric": "test_wool"}
        | {"orientation": "level"},
    ],
    "baffle_array": [
        {"name": "baffles", "polygon": WHERE, "top": 3.5, "size": [1.0, 0.5], "spacing": 0.75, "material": "crowd"}
    ],
    "ceiling_drape": [{"name": "ceiling", "polygon": WHERE, "height": 3.5, "fabric": "test_wool"}],
    "floor_covering": [{"name": "carpet", "polygon": WHERE, "material": "crowd"}],
    "opening": [{"name": "shutter", "groups": ["wall_east"], "material": "crowd"}],
    "crowd": [{"name": "people", "areas": ["seats"], "material": "crowd"}],
    "system_change": [{"name": "other system", "switch_on": ["right"], "switch_off": ["left"]}],
}
"""At least one element of each kind that the elements file knows."""

SOURCES = [
    {"name": name, "position": [2.0, y, 3.0], "level": [80.0] * 8} for name, y in (("left", 5.0), ("right", 1.0))
]
"""What the system change of the examples switches."""
