"""The record of traced paths, from which any scenario can be evaluated without the geometry.

A path does not depend on how much its surfaces absorb. So the tracer records, for each ray, the sequence of surface
events and the seats that it passed; weights, scenarios, bands and time bins follow later, in `replay`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..scene.scene import TRANSMITTED

END_OF_RAY = 65535
"""Event where a ray, or a branch of it, ended."""
BRANCHED = 32768
"""Added to the event of a ray that was transmitted through a sheet where another branch, reflected there, follows."""
MAX_BRANCHES = 128
"""Branches of a ray that can wait at a time. When all places are taken, a ray follows only one of its two branches."""


@dataclass(frozen=True)
class PathLog:
    """The paths of one batch of rays from one source.

    Rays follow each other; within a ray segments follow each other. Segment i of a ray ends in `event[i]`; the
    deposits made along a segment come before its event.

    At a free-hanging sheet a ray may branch. The transmitted branch comes first, its event marked by the highest
    bit; where it ends, the next segment has no length and no deposits, and its event is the reflection at the latest
    sheet whose other branch still waits.
    """

    source: int
    """Index of the source."""
    batch: int
    """Number of the batch: with the study's seed it is the address of all its random numbers."""
    n_rays: int
    ray_end: np.ndarray
    """(n_rays,) int64, end of each ray's segments in the segment arrays."""
    component: np.ndarray
    """(n_rays,) uint8, sampling component that drew the ray's events."""
    emission: np.ndarray
    """(n_rays, 8) float32, squared directivity over the density of the direction drawn, divided by the number of
    rays: their sum over rays estimates the integral of the squared directivity over the sphere, sr."""
    event: np.ndarray
    """(n_segments,) uint16, 3 * patch + event (specular, diffuse, transmitted), `BRANCHED` more where another branch
    waits; `END_OF_RAY` where the ray or its branch ended."""
    n_deposits: np.ndarray
    """(n_segments,) uint16, number of deposits along the segment."""
    share: np.ndarray
    """(number of events at free-hanging sheets,) float32: mean number of branches that continue as in this event,
    through the sheet or back from it, for a ray that reaches it."""
    receiver: np.ndarray
    """(n_deposits,) uint32."""
    path_length: np.ndarray
    """(n_deposits,) float32, m from the source to the middle of the chord."""
    chord: np.ndarray
    """(n_deposits,) float32, 1/m2, chord length over the sphere's volume."""
    n_lost: int
    """Rays that left through a gap in the mesh."""
    lost_energy: float
    """Share of the emitted energy (bare venue, mean over bands, without air) that they carried."""
    lost_positions: np.ndarray
    """(n, 3) float32, where the first of them left from."""
    lost_directions: np.ndarray
    """(n, 3) float32."""

    @property
    def n_segments(self) -> int:
        return len(self.event)


@dataclass(frozen=True)
class SamplingPlan:
    """How the events of a ray are drawn and when it ends, so that one set of paths serves many scenarios and bands.

    It belongs to the paths: whichever scenarios they are weighed for later, the plan they were traced with applies.

    A ray draws from one of a few components; in the replay its weight is divided by the mean over components of
    the probability of its path (balance heuristic: Veach, Robust Monte Carlo Methods (1997), section 9.2.2), so
    no weight exceeds one over the share of a component times that of a trace made for one scenario.

    At a free-hanging sheet a ray passes through, is reflected, or branches and does both. The decision rests on states:
    each is one scenario in one band, with the energy that it sends on. Paths are followed at the density required by
    the most demanding state, so no state's weights diverge at a sheet, however many scenarios hang it or omit it.
    (It is splitting and Russian roulette, with the largest weight among the states as importance: Lux and Koblinger,
    Monte Carlo Particle Transport Methods (1991), chapter 5, from memory.)
    """

    probability: np.ndarray
    """(n_components, n_patches, 3) float64, sums to 1 over events; at a sheet over the two reflections, and 1 for what
    goes through."""
    share: np.ndarray
    """(n_components,) float64, share of rays that draw from each; sums to 1."""
    sheet: np.ndarray
    """(n_patches,) int32, number of the free-hanging sheet, -1 where a patch is none."""
    sent_energy: np.ndarray
    """(n_sheets, 2, n_states) float32: energy that each state sends through and back, relative to the largest total
    that any state sends on there. The number of states is padded with zeros to a multiple of eight."""
    initial_state: np.ndarray
    """(n_states,) float32: 1, or less for states that are sampled less densely."""
    energy_kept: np.ndarray
    """(n_patches,) float32, share of energy that a lost ray is assumed to have kept at each earlier hit."""
    initial_density: np.ndarray
    """(16,) float32: required density of paths, for the mean over bands and for each band; unused places hold 0."""
    density_kept: np.ndarray
    """(n_patches, 16) float32: the share of each that a hit leaves. The largest of them, but one at most, is the share
    of rays that are still followed (Russian roulette); in the replay weights are divided by it."""
    loss: float
    """Number of rays that the worst-sampled scenario and band is expected to need, relative to a trace made for it
    only."""

    @property
    def possible(self) -> np.ndarray:
        """(n_patches, 3) bool: events that paths can have taken."""
        possible: np.ndarray = np.any(self.probability > 0.0, axis=0)
        is_sheet = self.sheet >= 0
        through, back = np.any(self.sent_energy > 0.0, axis=2).T
        possible[is_sheet, TRANSMITTED] = through
        possible[is_sheet] &= np.stack([back, back, through], axis=1)
        return possible

    @property
    def n_components(self) -> int:
        return len(self.probability)
