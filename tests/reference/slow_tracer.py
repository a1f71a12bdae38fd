"""A second ray tracer and a second evaluation of decays, slow and simple, which share no code with the package.

Its input is the description of a room: triangles and parallelograms with the shares that each reflects specularly,
scatters by Lambert's law and transmits, in one scenario; simple sources; seats as spheres; air. Everything else is
implemented separately:

- one octave band at a time, each with rays of its own, so that every event is drawn with its true probability and no
  weights are needed; a ray is followed until it has lost 90 dB, or the time is up. No roulette, no image sources,
  no branching, no sampling plan;
- every primitive is tried at every hit, in double precision;
- rays are drawn with ordinary random numbers; errors come from independent batches;
- the direct sound is computed. A ray that has only been reflected specularly belongs to an image of the source: where
  it meets the sphere of a seat, it contributes with the exact arrival time and spreading of that image at the middle of
  the seat. All other rays contribute by their path through the sphere, at the time of its middle;
- energy is recorded in bins of 1 ms from the time of the straight line on.

The quantities are implemented again after ISO 3382-1 and IEC 60268-16, from those bins. Imports numpy and numba only.
"""

# Numba compiles these random numbers and no others.
# ruff: noqa: NPY002

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit

STEP = 0.001
"""s, width of a bin."""
BANDS = np.array([63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0])
N_BATCHES = 20


@dataclass(frozen=True)
class Room:
    """A room in one scenario."""

    origin: np.ndarray
    """(n, 3) m; a point is origin + u edge_u + v edge_v."""
    edge_u: np.ndarray
    edge_v: np.ndarray
    is_triangle: np.ndarray
    events: np.ndarray
    """(n, 3, 8): shares that a primitive reflects specularly, scatters, transmits."""
    air: np.ndarray
    """(8,) 1/m."""
    speed_of_sound: float


@dataclass(frozen=True)
class Source:
    """Sounds from one point with the pressure of cos(angle / 2) to a power, even where it is 0."""

    position: np.ndarray
    axis: np.ndarray
    """(3,) unit."""
    level: np.ndarray
    """(8,) dB at 1 m on the axis."""
    power: np.ndarray
    """(8,) exponent of cos(angle / 2)."""
    rear_level: float
    """dB, lowest level off axis."""
    delay: float = 0.0
    """s."""


def exponent(coverage: float) -> float:
    """Of cos(angle / 2), so that the pressure is halved at half the coverage angle, degrees."""
    return 0.0 if coverage >= 360.0 else math.log(0.5) / math.log(math.cos(math.radians(coverage / 4.0)))


def air_attenuation(temperature: float, humidity: float, pressure: float = 101.325) -> np.ndarray:
    """(8,) 1/m of energy, ISO 9613-1:1993, (3) to (5), at the exact mid-bands; from memory."""
    kelvin, reference, relative = temperature + 273.15, 293.15, pressure / 101.325
    saturation = 10.0 ** (-6.8346 * (273.16 / kelvin) ** 1.261 + 4.6151)
    h = humidity * saturation / relative
    oxygen = relative * (24.0 + 4.04e4 * h * (0.02 + h) / (0.391 + h))
    ratio = kelvin / reference
    nitrogen = relative * ratio**-0.5 * (9.0 + 280.0 * h * np.exp(-4.17 * (ratio ** (-1.0 / 3.0) - 1.0)))
    f = 1000.0 * 10.0 ** (0.3 * np.arange(-4, 4))
    relaxing = 0.01275 * np.exp(-2239.1 / kelvin) / (oxygen + f**2 / oxygen)
    relaxing = relaxing + 0.1068 * np.exp(-3352.0 / kelvin) / (nitrogen + f**2 / nitrogen)
    amplitude = f**2 * (1.84e-11 / relative * math.sqrt(ratio) + ratio**-2.5 * relaxing)
    return 2.0 * amplitude


def speed_of_sound(temperature: float) -> float:
    """m/s, ISO 9613-1:1993, (A.5)."""
    return 343.2 * math.sqrt((temperature + 273.15) / 293.15)


# --- rays -----------------------------------------------------------------------------------------------


def _planes(room: Room) -> tuple[np.ndarray, np.ndarray]:
    """(n, 3) unit normals; (n, 8) rows to u and v and along the normal, with their offsets."""
    across = np.cross(room.edge_u, room.edge_v)
    square = (across**2).sum(axis=1)[:, None]
    to_u, to_v = np.cross(room.edge_v, across) / square, np.cross(across, room.edge_u) / square
    offset = [(row * room.origin).sum(axis=1)[:, None] for row in (to_u, to_v)]
    return across / np.sqrt(square), np.concatenate([to_u, offset[0], to_v, offset[1]], axis=1)


@njit(cache=True)
def _nearest(x, y, z, dx, dy, dz, skip, normals, rows, along, is_triangle):
    """Distance and number of the first primitive on a ray; infinity and -1 where there is none."""
    best, which = np.inf, -1
    for k in range(len(normals)):
        slope = normals[k, 0] * dx + normals[k, 1] * dy + normals[k, 2] * dz
        if k == skip or abs(slope) < 1e-12:
            continue
        t = (along[k] - normals[k, 0] * x - normals[k, 1] * y - normals[k, 2] * z) / slope
        if t <= 1e-9 or t >= best:
            continue
        px, py, pz = x + t * dx, y + t * dy, z + t * dz
        u = rows[k, 0] * px + rows[k, 1] * py + rows[k, 2] * pz - rows[k, 3]
        if u < -1e-9 or u > 1.0 + 1e-9:
            continue
        v = rows[k, 4] * px + rows[k, 5] * py + rows[k, 6] * pz - rows[k, 7]
        if v < -1e-9 or v > 1.0 + 1e-9 or (is_triangle[k] and u + v > 1.0 + 1e-9):
            continue
        best, which = t, k
    return best, which


@njit(cache=True)
def _towards(cosine, power, rear):
    """Squared pressure off the axis re on it."""
    if power == 0.0:
        return 1.0
    half = math.sqrt(max(0.0, 0.5 * (1.0 + cosine)))
    return max(half ** (2.0 * power), rear)


@njit(cache=True)
def _trace(
    seed, n_rays, position, axis, power, rear, delay, normals, rows, along, is_triangle, events, air, speed,
    seats, radius, start, histogram,
):  # fmt: skip
    """Add the rays of one band to `histogram` (n_seats, n_bins), re the squared pressure at 1 m on the axis.

    Returns how many rays left the room.
    """
    np.random.seed(seed)
    n_seats, n_bins = histogram.shape
    end = (n_bins * STEP + start.max()) * speed
    volume = 4.0 / 3.0 * math.pi * radius**3
    n_lost = 0
    for _ in range(n_rays):
        dz = 2.0 * np.random.random() - 1.0
        turn = 2.0 * math.pi * np.random.random()
        level = math.sqrt(1.0 - dz * dz)
        dx, dy = level * math.cos(turn), level * math.sin(turn)
        emitted = _towards(dx * axis[0] + dy * axis[1] + dz * axis[2], power, rear)
        x, y, z = position[0], position[1], position[2]
        weight, travelled, skip, only_mirrors, reflected = emitted / n_rays, 0.0, -1, True, False
        while True:
            length, hit = _nearest(x, y, z, dx, dy, dz, skip, normals, rows, along, is_triangle)
            if hit < 0:
                n_lost += 1
                break
            for r in range(n_seats):
                ax, ay, az = seats[r, 0] - x, seats[r, 1] - y, seats[r, 2] - z
                middle = ax * dx + ay * dy + az * dz
                half = radius**2 - (ax * ax + ay * ay + az * az - middle * middle)
                if half <= 0.0:
                    continue
                half = math.sqrt(half)
                if only_mirrors:
                    # The image of the source lies straight back along the ray; the seat counts once, where its middle
                    # is passed. The direct sound is left out.
                    if not reflected or middle < 0.0 or middle > length:
                        continue
                    square = half * half
                    along_all = travelled + middle
                    distance = math.sqrt(along_all * along_all + radius**2 - square)
                    if distance <= radius:
                        continue
                    share = 0.5 * (1.0 - math.sqrt(1.0 - (radius / distance) ** 2))
                    energy, way = weight / (share * distance**2), distance
                else:
                    low, high = max(middle - half, 0.0), min(middle + half, length)
                    if high <= low:
                        continue
                    energy = weight * 4.0 * math.pi * (high - low) / volume
                    way = travelled + 0.5 * (low + high)
                # The straight line is the shortest path: anything earlier is due to rounding or to the sphere.
                k = max(0, int((way / speed + delay - start[r]) / STEP))
                if k < n_bins:
                    histogram[r, k] += energy * math.exp(-air * way)
            travelled += length
            kept = events[hit, 0] + events[hit, 1] + events[hit, 2]
            weight *= kept
            if travelled > end or weight * math.exp(-air * travelled) < 1e-9 * emitted / n_rays:
                break
            x, y, z = x + length * dx, y + length * dy, z + length * dz
            skip = hit
            drawn = kept * np.random.random()
            nx, ny, nz = normals[hit, 0], normals[hit, 1], normals[hit, 2]
            towards = dx * nx + dy * ny + dz * nz
            if drawn < events[hit, 0]:
                dx, dy, dz = dx - 2.0 * towards * nx, dy - 2.0 * towards * ny, dz - 2.0 * towards * nz
                reflected = True
            elif drawn < events[hit, 0] + events[hit, 1]:
                only_mirrors = False
                if towards > 0.0:
                    nx, ny, nz = -nx, -ny, -nz
                # A point on the unit sphere, added to the normal, points by the cosine (Lambert).
                sz = 2.0 * np.random.random() - 1.0
                turn = 2.0 * math.pi * np.random.random()
                level = math.sqrt(1.0 - sz * sz)
                dx, dy, dz = nx + level * math.cos(turn), ny + level * math.sin(turn), nz + sz
                length = math.sqrt(dx * dx + dy * dy + dz * dz)
                dx, dy, dz = dx / length, dy / length, dz / length
    return n_lost


@dataclass(frozen=True)
class Response:
    """Energy at the seats, (20 uPa)^2, in independent batches."""

    traced: np.ndarray
    """(n_batches, n_seats, n_bins, 8)."""
    direct: np.ndarray
    """(n_seats, n_sources, 8)."""
    direct_time: np.ndarray
    """(n_seats, n_sources) s after the beginning of the bins."""


def starts(room: Room, sources: list[Source], seats: np.ndarray) -> np.ndarray:
    """(n_seats,) s: the straight line from the first source."""
    ways = np.linalg.norm(seats[:, None] - np.array([s.position for s in sources]), axis=2)
    return (ways / room.speed_of_sound + np.array([s.delay for s in sources])).min(axis=1)


def trace_band(
    room: Room, sources: list[Source], seats: np.ndarray, radius: float, duration: float, band: int, n_rays: int,
    seed: int,
) -> tuple[np.ndarray, int]:  # fmt: skip
    """One batch of one band: energy (n_seats, n_bins), and the number of rays lost. `n_rays` of each source."""
    normals, rows = _planes(room)
    along = (normals * room.origin).sum(axis=1)
    start = starts(room, sources, seats)
    total = np.zeros((len(seats), math.ceil(duration / STEP)))
    n_lost = 0
    for i, source in enumerate(sources):
        own = np.zeros_like(total)
        n_lost += _trace(
            (seed * 8 + band) * 16 + i, n_rays, source.position, source.axis, source.power[band],
            10.0 ** (source.rear_level / 10.0), source.delay, normals, rows, along, room.is_triangle,
            np.ascontiguousarray(room.events[:, :, band]), room.air[band], room.speed_of_sound, seats, radius, start,
            own,
        )  # fmt: skip
        total += own * 10.0 ** (source.level[band] / 10.0)
    return total, n_lost


def direct_sound(room: Room, sources: list[Source], seats: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """`Response.direct` and `Response.direct_time`: the direct sound, with the losses in cloth and air."""
    normals, rows = _planes(room)
    along = (normals * room.origin).sum(axis=1)
    start = starts(room, sources, seats)
    energy = np.zeros((len(seats), len(sources), 8))
    time = np.zeros((len(seats), len(sources)))
    for r, seat in enumerate(seats):
        for i, source in enumerate(sources):
            way = np.linalg.norm(seat - source.position)
            unit = (seat - source.position) / way
            passed, place, skip, travelled = np.ones(8), source.position.copy(), -1, 0.0
            while True:
                length, hit = _nearest(*place, *unit, skip, normals, rows, along, room.is_triangle)
                if hit < 0 or travelled + length >= way:
                    break
                passed = passed * room.events[hit, 2]
                place, travelled, skip = place + length * unit, travelled + length, hit
            cosine = float(unit @ source.axis)
            pattern = [_towards(cosine, p, 10.0 ** (source.rear_level / 10.0)) for p in source.power]
            energy[r, i] = passed * pattern * 10.0 ** (source.level / 10.0) * np.exp(-room.air * way) / way**2
            time[r, i] = way / room.speed_of_sound + source.delay - start[r]
    return energy, time


# --- quantities -----------------------------------------------------------------------------------------


WINDOWS = (0.0, 0.05, 0.08, 0.2, 0.5, 1.0, 2.0)
"""s after the straight line, edges of the windows whose energy is compared; the last one is open."""


def time_zero(traced: np.ndarray, direct: np.ndarray, direct_time: np.ndarray) -> np.ndarray:
    """(n_seats, 8) s after the start of the bins: first arrival within 20 dB of the strongest (ISO 3382-1, 5.3.2).

    An arrival is a direct sound, or the energy of 5 ms of the traced rest. Within these it is the first millisecond
    that comes within 20 dB by itself, as a mirror reflection does; if none does, their beginning. For the traced rest
    the mean is taken over 18 to 22 dB in steps of 0.5 dB, as the package does.
    """
    n_seats, n_bins, _ = traced.shape
    width = 5
    n_fives = n_bins // width
    fives = traced[:, : n_fives * width].reshape(n_seats, n_fives, width, 8)
    zero = np.zeros((n_seats, 8))
    for r in range(n_seats):
        for b in range(8):
            sums = fives[r, :, :, b].sum(axis=1)
            strongest = max(sums.max(), direct[r, :, b].max())
            known = [t for t, e in zip(direct_time[r], direct[r, :, b]) if e > 0.0 and e >= 0.01 * strongest]
            found = []
            for below in (18.0, 18.5, 19.0, 19.5, 20.0, 20.5, 21.0, 21.5, 22.0):
                least = 10.0 ** (-below / 10.0) * strongest
                times, heard = list(known), np.flatnonzero(sums >= least)
                if len(heard):
                    alone = np.flatnonzero(fives[r, heard[0], :, b] >= least)
                    times.append((width * heard[0] + (alone[0] if len(alone) else 0)) * STEP)
                found.append(min(times))
            zero[r, b] = np.mean(found)
    return zero


def figures(
    traced: np.ndarray, direct: np.ndarray, direct_time: np.ndarray, zero: np.ndarray, noise: np.ndarray
) -> dict:
    """All figures of one sum over batches.

    Parameters
    ----------
    traced : (n_seats, n_bins, 8)
    direct, direct_time : as in `Response`
    zero : (n_seats, 8) s
    noise : (8,) dB

    Returns
    -------
    dict of (n_seats, 8) arrays: level, C50, EDT, T20, zero (s), windows (n_windows in front); STI (n_seats,)
    """
    n_seats, n_bins, _ = traced.shape
    middle = (np.arange(n_bins) + 0.5) * STEP
    found = {name: np.full((n_seats, 8), np.nan) for name in ("level", "C50", "EDT", "T20")}
    found["windows"], found["zero"] = np.zeros((len(WINDOWS), n_seats, 8)), zero
    transfer = np.zeros((n_seats, 8, len(MODULATION)))
    wave = np.exp(-2j * np.pi * MODULATION[:, None] * middle)
    for r in range(n_seats):
        for b in range(8):
            energy, own, at = traced[r, :, b], direct[r, :, b], direct_time[r] - zero[r, b]
            time = middle - zero[r, b]
            total = energy.sum() + own.sum()
            found["level"][r, b] = 10.0 * math.log10(total)
            for w, low in enumerate(WINDOWS):
                high = WINDOWS[w + 1] if w + 1 < len(WINDOWS) else np.inf
                inside = (middle >= low) & (middle < high)
                heard = (direct_time[r] >= low - 1e-9) & (direct_time[r] < high)
                found["windows"][w, r, b] = energy[inside].sum() + own[heard].sum()
            # From time zero on: sound that arrives earlier is left out.
            early, late = (
                energy[part(time)].sum() + own[part(at + 1e-9)].sum()
                for part in (lambda t: (t >= 0.0) & (t < 0.05), lambda t: t >= 0.05)
            )
            found["C50"][r, b] = 10.0 * math.log10(early / late) if early > 0.0 and late > 0.0 else math.nan
            curve_time, curve = decay_curve(energy, own, at, zero[r, b])
            found["EDT"][r, b] = regression(curve_time, curve, 0.0, -10.0)
            found["T20"][r, b] = regression(curve_time, curve, -5.0, -25.0)
            # Only the magnitude is used, so the start of the time axis has no effect.
            turn = wave @ energy + np.exp(-2j * np.pi * MODULATION[:, None] * direct_time[r]) @ own
            transfer[r, b] = np.abs(turn) / total
    found["STI"] = np.array([speech_index(transfer[r], found["level"][r], noise) for r in range(n_seats)])
    return found


def decay_curve(energy: np.ndarray, own: np.ndarray, at: np.ndarray, zero: float) -> tuple[np.ndarray, np.ndarray]:
    """Times, s, and levels, dB re the beginning, of the backward integral; steps at the direct sounds are steep."""
    edges = np.arange(len(energy) + 1) * STEP - zero
    remaining = np.append(energy[::-1].cumsum()[::-1], 0.0)
    times, left = edges, remaining + sum(np.where(edges <= t, e, 0.0) for t, e in zip(at, own))
    total = left[0]
    for t in at:
        # The curve just before and just after a direct sound.
        after = np.interp(t, edges, remaining) + sum(e for u, e in zip(at, own) if u > t)
        before = after + sum(e for u, e in zip(at, own) if u == t)
        times, left = np.append(times, [t - 1e-9, t + 1e-9]), np.append(left, [before, after])
    order = np.argsort(times, kind="stable")
    times, left = times[order], left[order]
    keep = (times >= -1e-8) & (left > 0.0)
    return times[keep], 10.0 * np.log10(left[keep] / total)


def regression(time: np.ndarray, level: np.ndarray, upper: float, lower: float) -> float:
    """Time for 60 dB of the least-squares line, weighted evenly in time; NaN where the decay is too short."""
    if len(level) == 0 or level.min() > lower:
        return math.nan
    begin, end = max(0, int(np.argmax(level < upper)) - 1), int(np.argmax(level <= lower))
    # A thousand samples between the two crossings.
    first, last = max(time[begin], 0.0), time[end]
    fine = first + (last - first) * (np.arange(1000) + 0.5) / 1000
    sampled = np.interp(fine, time, level)
    inside = (sampled <= upper) & (sampled >= lower)
    if inside.sum() < 100:
        return math.nan
    slope = np.polyfit(fine[inside], sampled[inside], 1)[0]
    return -60.0 / slope


MODULATION = np.array([0.63, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0, 10.0, 12.5])
_THRESHOLD = np.array([46.0, 27.0, 12.0, 6.5, 7.5, 8.0, 12.0])
_WEIGHT = np.array([0.085, 0.127, 0.230, 0.233, 0.309, 0.224, 0.173])
_REDUNDANCY = np.array([0.085, 0.078, 0.065, 0.011, 0.047, 0.095])


def speech_index(transfer: np.ndarray, level: np.ndarray, noise: np.ndarray) -> float:
    """IEC 60268-16:2011 and 2020, clauses A.2 to A.5, male speech; tables from memory.

    Parameters
    ----------
    transfer : (8, 14); level, noise : (8,) dB. The band of 63 Hz is not used.
    """
    index = np.zeros(7)
    for k in range(7):
        speech, other = 10.0 ** (level[k + 1] / 10.0), 10.0 ** (noise[k + 1] / 10.0)
        masking = 0.0
        if k > 0:
            below = 10.0 * math.log10(10.0 ** (level[k] / 10.0) + 10.0 ** (noise[k] / 10.0))
            masking = 10.0 ** ((below + _masking_level(below)) / 10.0)
        threshold = 10.0 ** (_THRESHOLD[k] / 10.0)
        m = transfer[k + 1] * speech / (speech + other + masking + threshold)
        m = np.clip(m, 1e-12, 1.0 - 1e-12)
        snr = np.clip(10.0 * np.log10(m / (1.0 - m)), -15.0, 15.0)
        index[k] = ((snr + 15.0) / 30.0).mean()
    return float(min(1.0, _WEIGHT @ index - _REDUNDANCY @ np.sqrt(index[:-1] * index[1:])))


def _masking_level(below: float) -> float:
    if below < 63.0:
        return 0.5 * below - 65.0
    if below < 67.0:
        return 1.8 * below - 146.9
    if below < 100.0:
        return 0.5 * below - 59.8
    return -10.0


def estimates(
    response: Response, noise: np.ndarray, over_seats: bool = False
) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Value and standard error of every quantity, by leaving out one batch at a time (delete-one jackknife).

    Time zero is determined once, from all batches. With `over_seats` the results are means over the seats.
    """
    batches = response.traced
    n = len(batches)
    mean = batches.mean(axis=0, dtype=np.float64)
    zero = time_zero(mean, response.direct, response.direct_time)

    def made(traced: np.ndarray) -> dict:
        found = figures(traced, response.direct, response.direct_time, zero, noise)
        if not over_seats:
            return found
        return {name: value.mean(axis=-1 if name == "STI" else -2) for name, value in found.items()}

    whole = made(mean)
    parts = [made((n * mean - one) / (n - 1)) for one in batches]
    found = {}
    for name, value in whole.items():
        left_out = np.stack([part[name] for part in parts])
        error = np.sqrt((n - 1) / n * ((left_out - left_out.mean(axis=0)) ** 2).sum(axis=0))
        found[name] = (value, error)
    return found
