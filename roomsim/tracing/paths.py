"""The record of traced paths: all that any scenario needs to be worked out, with no geometry.

A path does not depend on how much its surfaces absorb. So the tracer writes down, per ray, which surface event
followed which, and which seats it passed; weights, scenarios, bands and time bins come later, in `replay`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class PathLog:
    """The paths of one batch of rays from one source.

    Rays follow each other; within a ray segments follow each other. Segment i of a ray ends in `event[i]`; the
    deposits made along a segment come before its event.
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
    """(n_segments,) uint16, 3 * patch + event (specular, diffuse, transmitted); 65535 where the ray ended there."""
    n_deposits: np.ndarray
    """(n_segments,) uint16, number of deposits along the segment."""
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

    It belongs to the paths: whatever they are weighed for later, it is the plan that they were traced by which counts.

    A ray draws from one of a few components; in the replay its weight is divided by the mean over components of
    the probability of its path (balance heuristic: Veach, Robust Monte Carlo Methods (1997), section 9.2.2), so
    no weight exceeds one over the share of a component times that of a trace made for one scenario alone.
    """

    probability: np.ndarray
    """(n_components, n_patches, 3) float64, sums to 1 over events."""
    share: np.ndarray
    """(n_components,) float64, share of rays that draw from each; sums to 1."""
    names: tuple[str, ...]
    """What each component stands for."""
    staying: np.ndarray
    """(n_patches,) float32, share of energy that a ray is taken to keep at a hit; its product over the hits so far
    says when the roulette begins."""
    keeping: np.ndarray
    """(n_patches,) float32, probability of going on at a hit once the roulette has begun."""
    loss: float = 1.0
    """How many times the rays of a trace of its own the scenario and band served worst is expected to need."""

    @property
    def n_components(self) -> int:
        return len(self.probability)
