"""Kernels: time zero, and the energies that are counted from it."""

from __future__ import annotations

import numpy as np

from .._jit import KERNEL_OPTIONS, njit
from ..bands import N_BANDS

ROUNDING = 1e-9
"""s, tolerance for rounding of times: sound travels less than a micrometre in it."""


@njit(**KERNEL_OPTIONS)
def _first_arrivals(
    edges: np.ndarray,
    traced: np.ndarray,
    first: np.ndarray,
    time: np.ndarray,
    known: np.ndarray,
    window: float,
    shares: np.ndarray,
    zero: np.ndarray,
) -> None:
    """Time of the first arrival whose energy is at least a certain share of that of the strongest.

    edges (n_bins + 1,); traced (n_receivers, n_bins, m), m counts scenarios and bands; first (n_receivers + 1,), time
    (n_arrivals, 8) and known (n_arrivals, m) as in `Arrivals`. The energy of a known arrival is compared with the
    middle one of `shares` (n_shares,), which ascend; the traced energy within `window` s is compared with each of
    them, and the times are averaged. Out: zero (n_receivers, m), s from the first edge; 0 where nothing arrives.
    """
    n_receivers, n_bins, m = traced.shape
    n_shares = len(shares)
    strongest = np.empty(m)
    for r in range(n_receivers):
        strongest[:] = 0.0
        for p in range(first[r], first[r + 1]):
            for c in range(m):
                strongest[c] = max(strongest[c], known[p, c])
        for j in range(n_bins):
            part = min(1.0, window / (edges[j + 1] - edges[j]))
            for c in range(m):
                strongest[c] = max(strongest[c], part * traced[r, j, c])
        for c in range(m):
            zero[r, c] = 0.0
            if not strongest[c] > 0.0:
                continue
            # An arrival with exactly this share counts, whatever the rounding.
            whole = strongest[c] * (1.0 - 1e-9)
            exact = np.inf
            for p in range(first[r], first[r + 1]):
                if known[p, c] >= shares[n_shares // 2] * whole:
                    exact = time[p, c % N_BANDS]
                    break
            passed, total, before = 0, 0.0, 0.0
            for j in range(n_bins):
                if edges[j + 1] > exact + ROUNDING:
                    # A known arrival in the bin is more precise in time than any traced energy there.
                    if passed == 0:
                        zero[r, c] = exact if abs(exact) > ROUNDING else 0.0
                    else:
                        zero[r, c] = (total + (n_shares - passed) * exact) / n_shares
                    break
                width = edges[j + 1] - edges[j]
                here = min(1.0, window / width) * traced[r, j, c]
                while passed < n_shares and here >= shares[passed] * whole:
                    # The start of the bin if the strongest begins there, its end if the energy only just suffices: a
                    # continuous function of the energies, so that a small random change moves time zero slightly.
                    share = shares[passed]
                    since = width * ((share * whole - before) / (here - before) - share) / (1.0 - share)
                    # Rounding must not put a known arrival at the very start of the bin before time zero.
                    total += edges[j] + (since if since > ROUNDING else 0.0)
                    passed += 1
                if passed == n_shares:
                    zero[r, c] = total / n_shares
                    break
                before = here


@njit(**KERNEL_OPTIONS)
def _sum_known(
    first: np.ndarray,
    time: np.ndarray,
    known: np.ndarray,
    zero: np.ndarray,
    limits: np.ndarray,
    sums: np.ndarray,
    moment: np.ndarray,
) -> None:
    """Energies of known arrivals, by their exact times.

    limits (n_limits,) s after zero (n_receivers, m). Out: sums (n_limits + 2, n_receivers, m), from time zero up to
    each limit, from time zero on, and of all; moment (n_receivers, m) about time zero.
    """
    n_limits, m = len(limits), known.shape[1]
    sums[:] = 0.0
    moment[:] = 0.0
    for r in range(len(first) - 1):
        for p in range(first[r], first[r + 1]):
            for c in range(m):
                energy, since = known[p, c], time[p, c % N_BANDS] - zero[r, c]
                sums[n_limits + 1, r, c] += energy
                if since > -ROUNDING:
                    sums[n_limits, r, c] += energy
                    moment[r, c] += energy * since
                    for i in range(n_limits):
                        # An arrival exactly at the limit counts as after it.
                        if since + ROUNDING < limits[i]:
                            sums[i, r, c] += energy


@njit(**KERNEL_OPTIONS)
def _sum_traced(
    edges: np.ndarray,
    traced: np.ndarray,
    zero: np.ndarray,
    limits: np.ndarray,
    sums: np.ndarray,
    moment: np.ndarray,
) -> None:
    """Energies of traced sound, uniform within each bin.

    Out: sums (n_limits + 1, n_receivers, m), from time zero up to each limit, and from time zero on; moment
    (n_receivers, m) about time zero.
    """
    n_receivers, n_bins, m = traced.shape
    n_limits = len(limits)
    last_limit = limits.max() if n_limits else 0.0
    sums[:] = 0.0
    moment[:] = 0.0
    for r in range(n_receivers):
        latest = zero[r, 0]
        for c in range(m):
            latest = max(latest, zero[r, c])
        for j in range(n_bins):
            start, stop = edges[j], edges[j + 1]
            if start >= latest + last_limit:
                middle = 0.5 * (start + stop)
                for c in range(m):
                    energy = traced[r, j, c]
                    sums[n_limits, r, c] += energy
                    moment[r, c] += energy * (middle - zero[r, c])
                continue
            for c in range(m):
                z = zero[r, c]
                if stop <= z:
                    continue
                begin = max(start, z)
                power = traced[r, j, c] / (stop - start)
                energy = power * (stop - begin)
                sums[n_limits, r, c] += energy
                moment[r, c] += energy * (0.5 * (begin + stop) - z)
                for i in range(n_limits):
                    end = min(stop, z + limits[i])
                    if end > begin:
                        sums[i, r, c] += power * (end - begin)


@njit(**KERNEL_OPTIONS)
def _still_to_come(first: np.ndarray, known: np.ndarray, coming: np.ndarray) -> None:
    """Energy of known arrivals that is still to come at each of them, its own included, and after the last: 0.

    Out: coming (m, n_arrivals + n_receivers); that of receiver r begins at place first[r] + r.
    """
    m = known.shape[1]
    for r in range(len(first) - 1):
        for c in range(m):
            coming[c, first[r + 1] + r] = 0.0
        for p in range(first[r + 1] - 1, first[r] - 1, -1):
            for c in range(m):
                coming[c, p + r] = coming[c, p + r + 1] + known[p, c]
