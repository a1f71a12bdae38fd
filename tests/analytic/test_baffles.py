"""Absorption of rows of baffles, against single rays followed between two of them and against limits."""

from __future__ import annotations

import numpy as np
import pytest
from agreement import Disagreement, assert_agrees

from roomsim.elements.baffle_array import BaffleArray
from roomsim.elements.finishes import Finish, MaterialTable
from roomsim.elements.materials import Material
from roomsim.physics.air import Air

LENGTH, HEIGHT, THICKNESS = 1.2, 0.6, 0.05
N_RAYS = 40_000


def array(spacing: float, **more) -> BaffleArray:
    """Four rows of ten baffles that fill their area."""
    outline = [[0.0, 0.0], [12.0, 0.0], [12.0, 4.0 * spacing], [0.0, 4.0 * spacing]]
    given = {"name": "baffles", "polygon": outline, "top": 6.0, "material": "felt"}
    size = {"size": (LENGTH, HEIGHT), "thickness": THICKNESS}
    return BaffleArray.model_validate({**given, **size, "spacing": spacing, **more})


def layer(baffles: BaffleArray, absorption: float, scattering: float) -> tuple[float, float]:
    """Shares absorbed and reflected of what meets the array from below, alike in all bands."""
    felt = Material(absorption=(absorption,) * 8, scattering=(scattering,) * 8, source="invented for tests")
    made = baffles.finish(MaterialTable({"felt": felt}, {}, Air()))
    assert np.ptp(made.reflection) < 1e-12 and (made.scattering == 1.0).all()
    return 1.0 - made.reflection[0] - made.transmission[0], made.reflection[0]


def area_each(baffles: BaffleArray, absorption: float, scattering: float = 0.2) -> float:
    return float(baffles.absorption_area_each(Finish(np.full(8, absorption), np.full(8, scattering)))[0])


def followed(gap: float, absorption: float, scatters: bool, seed: int) -> np.ndarray:
    """Shares (absorbed, back out of the lower mouth, out of the upper mouth) of rays that enter the lower mouth of a
    channel without end, and their standard errors: (2, 3). Directions on entering and after a scattering face by
    Lambert's law. In the plane across the channel only; what goes along it changes nothing."""
    rng = np.random.default_rng(seed)

    def lambert(n):
        """Components along the normal and across it of directions in space, projected onto the plane."""
        cosine, turn = np.sqrt(rng.random(n)), 2.0 * np.pi * rng.random(n)
        return cosine, np.sqrt(1.0 - cosine**2) * np.cos(turn)

    x, z = gap * rng.random(N_RAYS), np.zeros(N_RAYS)
    vz, vx = lambert(N_RAYS)
    weight = np.ones(N_RAYS)
    shares = np.zeros((N_RAYS, 3))
    alive = np.ones(N_RAYS, bool)
    for _ in range(2000):
        i = np.flatnonzero(alive)
        if not len(i):
            break
        with np.errstate(divide="ignore"):
            to_face = np.where(vx[i] > 0, (gap - x[i]) / vx[i], -x[i] / vx[i])
            to_mouth = np.where(vz[i] > 0, (HEIGHT - z[i]) / vz[i], -z[i] / vz[i])
        leaves = to_mouth <= to_face
        out = i[leaves]
        shares[out, np.where(vz[out] > 0, 2, 1)] = weight[out]
        alive[out] = False
        i, step = i[~leaves], to_face[~leaves]
        z[i] += step * vz[i]
        x[i] = np.where(vx[i] > 0, gap, 0.0)
        shares[i, 0] += absorption * weight[i]
        weight[i] *= 1.0 - absorption
        if scatters:
            normal, along = lambert(len(i))
            vx[i], vz[i] = np.where(x[i] > 0, -normal, normal), along
        else:
            vx[i] = -vx[i]
        alive[i[weight[i] < 1e-5]] = False
    return np.array([shares.mean(axis=0), shares.std(axis=0, ddof=1) / np.sqrt(N_RAYS)])


@pytest.mark.parametrize("gap", [0.1, 0.25, 0.55, 1.15])
@pytest.mark.parametrize("absorption", [0.1, 0.5, 0.9])
@pytest.mark.parametrize("scatters", [False, True], ids=["mirrors", "scatterers"])
def test_layer_absorbs_and_reflects_what_single_rays_lose_between_two_baffles(gap, absorption, scatters):
    spacing = gap + THICKNESS
    absorbed, reflected = layer(array(spacing), absorption, float(scatters))
    values, errors = followed(gap, absorption, scatters, seed=3)
    edge = np.array([absorption, 1.0 - absorption])
    expected, error = (gap * values[:2] + THICKNESS * edge) / spacing, gap * errors[:2] / spacing
    # Mirrors send nothing back: the error of that is none, and so is the difference. A hundred strips are good to
    # 2e-4. Joint false-alarm rate 1e-6 over 24 channels and two shares each.
    assert_agrees([absorbed, reflected], error, expected, n_checks=48, slack=2e-4)
    if gap > 1.0:
        return  # Baffles so far apart that they hardly hide each other.
    alone = absorption * (HEIGHT + THICKNESS) / spacing
    with pytest.raises(Disagreement):  # control: no baffle hides another
        assert_agrees(alone, error[0], expected[0], n_checks=48, slack=2e-4)


@pytest.mark.parametrize("scattering", [0.0, 0.3, 1.0])
def test_baffles_far_apart_absorb_with_both_faces_and_both_edges(scattering):
    """The objects of ISO 12354-6: what one absorbs by itself is its absorption times all its surface."""
    absorption = 0.8
    alone = absorption * (2.0 * LENGTH * HEIGHT + 2.0 * LENGTH * THICKNESS)
    spacings = (0.1, 0.3, 0.6, 1.2, 2.4, 4.8, 19.0)
    each = [area_each(array(spacing), absorption, scattering) for spacing in spacings]
    # The nearer the rows, the less does one absorb; and never less than its share of an open window, 2 L spacing.
    assert np.all(np.diff(each) > 0.0) and each[-1] < alone
    assert all(area < 2.0 * LENGTH * spacing for area, spacing in zip(each, spacings))
    # The first reflection is met by 1 - F = h - h^2 / 2 ... of what enters: half of h is missing to the lone baffle.
    assert each[-1] == pytest.approx(alone, rel=0.5 * HEIGHT / (19.0 - THICKNESS))


def test_layer_absorbs_as_all_baffles_together():
    baffles = array(0.6)
    absorbed, _ = layer(baffles, 0.7, 0.2)
    area = 12.0 * 4.0 * 0.6
    assert 2.0 * area * absorbed == pytest.approx(baffles.number * area_each(baffles, 0.7), rel=1e-12)
    # Half the baffles over the same area absorb half as much.
    fewer = array(0.6, size=(2.0 * LENGTH, HEIGHT), polygon=[[0, 0], [4.7, 0], [4.7, 2.4], [0, 2.4]])
    assert fewer.number == 4
    half, _ = layer(fewer, 0.7, 0.2)
    assert half == pytest.approx(absorbed * 2.0 * LENGTH / 4.7, rel=1e-12)
