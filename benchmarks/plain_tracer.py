"""A plain room-acoustic ray tracer, as a competent engineer would write it in a week: Embree through its
Python binding for the intersections, NumPy for everything else, one scenario at a time.

It has large batches of rays, each with the energies of eight bands; directions drawn with more rays where the source
radiates more (with the package's own sampling); events drawn with the mean of the bands and weighted for each, so that
one set of rays serves all bands without bias; direct sound computed rather than traced; spheres at the seats, found
through a grid in plan; and rays followed to -50 dB. It has no compiled kernels, no image sources and no paths shared by
scenarios.
"""

from __future__ import annotations

import numpy as np
from cases import triangles
from embreex import rtcore_scene
from embreex.mesh_construction import TriangleMesh

from roomsim.decay.response import MODULATION_FREQUENCIES, Arrivals, EnergyResponse
from roomsim.scene.scene import Scene, SurfaceArrays
from roomsim.tracing.emission import Emission, directivity_towards
from roomsim.tracing.replay import earliest_arrival, source_gain, time_bins

LEAST_ENERGY = 1e-5
"""Share of its energy at which a ray is given up: -50 dB, 15 dB below the lowest level of any figure."""
STEP = 1.0
"""m between the points at which the plan grid is asked for seats."""
OFF_SURFACE = np.float32(1e-4)
"""m that a ray starts off the surface it leaves."""
SPECULAR, DIFFUSE, PASSED = 0, 1, 2


class PlainTracer:
    """One scenario of a scene.

    Parameters
    ----------
    scene : Scene
    scenario : int
    duration : float, s
    """

    def __init__(self, scene: Scene, scenario: int, duration: float):
        self.scene, self.scenario = scene, scenario
        self.edges = time_bins(duration)
        factors = scene.factors[:, :, scenario]
        # What lets everything through is not hung in this scenario: it is left out of the mesh.
        there = ~(factors[scene.surfaces.patch, PASSED] >= 1.0).all(axis=1)
        s = scene.surfaces
        kept = SurfaceArrays(
            *(getattr(s, f)[there] for f in ("origin", "edge_u", "edge_v", "is_triangle", "patch", "mirror"))
        )
        mesh = triangles(kept)
        self._patch = np.concatenate([kept.patch, kept.patch[~kept.is_triangle]])
        normal = np.cross(mesh[:, 1] - mesh[:, 0], mesh[:, 2] - mesh[:, 0])
        self._normal = normal / np.linalg.norm(normal, axis=1)[:, None]
        self._embree = rtcore_scene.EmbreeScene()
        self._mesh = TriangleMesh(self._embree, mesh)
        total = factors.sum(axis=1)
        share = np.divide(factors, total[:, None], out=np.zeros_like(factors), where=total[:, None] > 0).mean(
            axis=2
        )
        share[share.sum(axis=1) == 0, DIFFUSE] = 1.0
        self._share = share / share.sum(axis=1)[:, None]
        weighted = np.divide(
            factors, self._share[..., None], out=np.zeros_like(factors), where=self._share[..., None] > 0
        )
        self._weight = weighted.astype(np.float32)
        self._emission = [Emission(scene.sources, i) for i in range(len(scene.sources.names))]
        self._seats_near_points()

    def _seats_near_points(self) -> None:
        """A table from plan cell to the seats that a segment may meet within `STEP` of the cell."""
        position, radius = self.scene.receivers.position, self.scene.receivers.radius
        self._seat, self._radius = position.astype(np.float32), np.float32(radius)
        self._low = (position - radius).min(axis=0)
        self._high = (position + radius).max(axis=0)
        cell = 0.5
        shape = np.ceil((self._high - self._low)[:2] / cell).astype(int) + 1
        centres = (
            np.stack(np.meshgrid(*(np.arange(n) + 0.5 for n in shape), indexing="ij"), axis=-1) * cell
            + self._low[:2]
        )
        reach = np.hypot(radius, STEP / 2) + cell / np.sqrt(2)
        near = np.linalg.norm(centres.reshape(-1, 1, 2) - position[None, :, :2], axis=2) <= reach
        most = near.sum(axis=1).max()
        self._near = np.full((len(near), most), -1, np.int32)
        for row, members in zip(self._near, near):
            found = np.flatnonzero(members)
            row[: len(found)] = found
        self._cell, self._shape = cell, shape

    def _passes(
        self, origin: np.ndarray, direction: np.ndarray, length: np.ndarray
    ) -> tuple[np.ndarray, ...]:
        """Ray, seat, distance to the middle of the chord, and chord over volume, of each seat sphere
        passed."""
        with np.errstate(divide="ignore", invalid="ignore"):
            a, b = (self._low - origin) / direction, (self._high - origin) / direction
        begin = np.maximum(np.fmin(a, b).max(axis=1), 0.0)
        end = np.minimum(np.fmax(a, b).min(axis=1), length)
        ray = np.flatnonzero(begin < end)
        if len(ray) == 0:
            return ray, ray, np.empty(0), np.empty(0)
        count = np.ceil((end[ray] - begin[ray]) / STEP).astype(int)
        which = np.repeat(np.arange(len(ray)), count)
        number = np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count)
        at = begin[ray][which] + (number + 0.5) * STEP
        point = origin[ray][which, :2] + at[:, None] * direction[ray][which, :2]
        index = np.clip(((point - self._low[:2]) / self._cell).astype(int), 0, self._shape - 1)
        seats = self._near[index[:, 0] * self._shape[1] + index[:, 1]]
        which_point, column = np.nonzero(seats >= 0)
        seat, pair = seats[which_point, column], which[which_point]
        to_seat = self._seat[seat] - origin[ray][pair]
        along = np.einsum("ij,ij->i", to_seat, direction[ray][pair])
        half = self._radius**2 - (np.einsum("ij,ij->i", to_seat, to_seat) - along**2)
        # A seat is found from several points: the one nearest to it counts.
        foot = np.floor((np.clip(along, begin[ray][pair], end[ray][pair]) - begin[ray][pair]) / STEP)
        met = (half > 0) & (np.minimum(foot, count[pair] - 1) == number[which_point])
        pair, seat, along, half = pair[met], seat[met], along[met], np.sqrt(half[met])
        enter, leave = np.maximum(along - half, 0.0), np.minimum(along + half, length[ray][pair])
        met = leave > enter
        chord = (leave - enter)[met] / (4.0 / 3.0 * np.pi * self._radius**3)
        return ray[pair[met]], seat[met], 0.5 * (enter + leave)[met], chord

    def trace(self, source: int, n_replicates: int, n_rays: int, rng: np.random.Generator) -> np.ndarray:
        """(n_replicates, n_receivers, n_bins, 8): energy of all reflections, `n_rays` each, in one large
        batch."""
        scene = self.scene
        n_seats, n_bins = scene.receivers.n_receivers, len(self.edges) - 1
        zero = earliest_arrival(scene, self.scenario).min(axis=1)
        gain = source_gain(scene.sources, source)[self.scenario]
        shape = (n_replicates, n_seats, n_bins)
        if not gain.any():
            return np.zeros((*shape, 8), np.float32)
        seed = int(rng.integers(2**31))
        drawn = [self._emission[source].draw(seed, source, i, n_rays) for i in range(n_replicates)]
        direction, weight = (np.concatenate(x) for x in zip(*drawn))
        replicate = np.repeat(np.arange(n_replicates), n_rays)
        n_rays = len(direction)
        energy = weight * gain.astype(np.float32)
        started_with = energy.mean(axis=1)
        origin = np.repeat(scene.sources.position[source][None], n_rays, axis=0).astype(np.float32)
        travelled = np.zeros(n_rays, np.float32)
        longest = (self.edges[-1] + zero.max() - scene.sources.delay[source]) * scene.speed_of_sound
        # Direct sound is worked out, also what comes through cloths: a ray counts from its first reflection
        # on.
        reflected = np.zeros(n_rays, bool)
        places, arrivals = [], []
        while len(origin):
            hit = self._embree.run(origin, direction, output=True)
            length, face = hit["tfar"], hit["primID"]
            if reflected.any():
                some = np.flatnonzero(reflected)
                ray, seat, middle, chord = self._passes(origin[some], direction[some], length[some])
                ray = some[ray]
                path = travelled[ray] + middle
                time = path / scene.speed_of_sound + scene.sources.delay[source] - zero[seat]
                bins = np.searchsorted(self.edges, time, side="right") - 1
                good = bins < n_bins
                ray, path, chord = ray[good], path[good], chord[good]
                places.append((replicate[ray] * n_seats + seat[good]) * n_bins + np.maximum(bins[good], 0))
                arrivals.append(
                    energy[ray] * (chord[:, None] * np.exp(-path[:, None] * scene.air_attenuation))
                )
            patch = self._patch[face]
            travelled = travelled + length
            draw = rng.random(len(face), np.float32)
            event = (draw >= self._share[patch, 0]).astype(int) + (draw >= self._share[patch, :2].sum(axis=1))
            energy = energy * self._weight[patch, event]
            alive = (face >= 0) & (travelled < longest) & (energy.mean(axis=1) > LEAST_ENERGY * started_with)
            normal = self._normal[face[alive]]
            old = direction[alive]
            towards = np.einsum("ij,ij->i", normal, old)
            normal = np.where(towards[:, None] > 0, -normal, normal)
            new = old + 2.0 * np.abs(towards)[:, None] * normal
            event = event[alive]
            scattered = np.flatnonzero(event == DIFFUSE)
            any_way = rng.standard_normal((len(scattered), 3), np.float32)
            any_way /= np.linalg.norm(any_way, axis=1)[:, None]
            new[scattered] = normal[scattered] + np.float32(0.9999) * any_way
            new[scattered] /= np.linalg.norm(new[scattered], axis=1)[:, None]
            new[event == PASSED] = old[event == PASSED]
            origin = origin[alive] + length[alive][:, None] * old
            direction = np.ascontiguousarray(new, np.float32)
            origin = np.ascontiguousarray(origin + OFF_SURFACE * direction, np.float32)
            energy, travelled, started_with = energy[alive], travelled[alive], started_with[alive]
            reflected, replicate = reflected[alive] | (event != PASSED), replicate[alive]
        place, arriving = np.concatenate(places), np.concatenate(arrivals)
        late = np.empty((*shape, 8), np.float32)
        for band in range(8):
            late[..., band] = np.bincount(place, arriving[:, band], np.prod(shape)).reshape(shape)
        return late

    def response(self, n_replicates: int, n_rays: int, seed: int) -> EnergyResponse:
        """Energies of one scenario, `n_rays` of each source in each replicate."""
        rng = np.random.default_rng(seed)
        n_sources = len(self.scene.sources.names)
        late = sum(self.trace(source, n_replicates, n_rays, rng) for source in range(n_sources))
        return EnergyResponse(self.edges, late[:, :, :, None], *self._direct())

    def _direct(self) -> tuple[Arrivals, np.ndarray, np.ndarray]:
        """Direct sound where no surface is between: arrivals, direct and modulation, as the response has them."""
        scene = self.scene
        seats = scene.receivers.position
        zero = earliest_arrival(scene, self.scenario).min(axis=1)
        n_sources = len(scene.sources.names)
        times, energies = np.empty((len(seats), n_sources)), np.empty((len(seats), n_sources, 1, 8))
        direct, modulation = np.zeros((len(seats), 1, 8)), np.zeros((len(seats), 14, 1, 8), complex)
        for source, position in enumerate(scene.sources.position):
            distance = np.linalg.norm(seats - position, axis=1)
            towards = (seats - position) / distance[:, None]
            energy = source_gain(scene.sources, source)[self.scenario] * directivity_towards(
                scene.sources, source, towards
            )
            energy = energy * (np.exp(-distance[:, None] * scene.air_attenuation) / distance[:, None] ** 2)
            energy *= self._passed(position, towards, distance)
            time = distance / scene.speed_of_sound + scene.sources.delay[source] - zero
            times[:, source], energies[:, source, 0] = time, energy
            direct[:, 0] += energy
            turn = np.exp(-2j * np.pi * MODULATION_FREQUENCIES * time[:, None])
            modulation[:, :, 0] += turn[:, :, None] * energy[:, None]
        order = times.argsort(axis=1)
        times = np.take_along_axis(times, order, axis=1)
        energies = np.take_along_axis(energies, order[:, :, None, None], axis=1)
        arrivals = Arrivals(
            n_sources * np.arange(len(seats) + 1),
            np.repeat(times.reshape(-1, 1), 8, axis=1),
            energies.reshape(-1, 1, 8),
        )
        return arrivals, direct, modulation

    def _passed(self, position: np.ndarray, towards: np.ndarray, distance: np.ndarray) -> np.ndarray:
        """(n_receivers, 8) share of the direct sound that comes through what hangs in between."""
        share = np.ones((len(towards), 8))
        origin = np.repeat(position[None], len(towards), axis=0).astype(np.float32)
        direction, gone = towards.astype(np.float32), np.zeros(len(towards))
        for _ in range(8):
            hit = self._embree.run(origin, direction, output=True)
            blocked = gone + hit["tfar"] < distance - 1e-3
            if not blocked.any():
                break
            through = self.scene.factors[self._patch[hit["primID"]], PASSED, self.scenario]
            share[blocked] *= through[blocked]
            step = np.where(blocked, hit["tfar"] + 1e-3, 0.0).astype(np.float32)
            gone += step
            origin += step[:, None] * direction
        return share
