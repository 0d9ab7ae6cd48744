"""I check windows found to parts of a pixel: shifts made in Fourier space, normal equations, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from stitchbed.matching.subpixel import FLAT, Found, Sought, aimed, information, lanczos, locate

SIDE, REACH, LEAST = 40, 6, 0.7
N = 128  # px a side of the first picture


def texture(seed: int = 1) -> np.ndarray:
    """(N, N) gray: smooth blots that go on round the edge, so that a Fourier shift is exact."""
    noise = np.random.default_rng(seed).normal(0, 1, (N, N))
    return 128 + 900 * ndimage.gaussian_filter(noise, 2.0, mode="wrap")


def moved_by(picture: np.ndarray, x: float, y: float) -> np.ndarray:
    """What stood at p stands at p + (x, y)."""
    return np.fft.ifft2(ndimage.fourier_shift(np.fft.fft2(picture), (y, x))).real


def found(a: np.ndarray, b: np.ndarray, *, at: tuple[float, float] = (40, 44), reach: int = REACH) -> Found:
    """One window of a at (x, y), sought in b where a is thought to lie."""
    x, y = (int(v) for v in at)
    template = a[y : y + SIDE, x : x + SIDE].astype(np.float32)
    sought = Sought(np.array([at], float), np.array([[[1.0, 0, 0], [0, 1.0, 0]]]))
    return locate([template], [b.astype(np.float32)], sought, reach=reach, least=LEAST)


@pytest.mark.parametrize("shift", [(0.0, 0.0), (0.5, -0.5), (2.3, -1.7), (-3.21, 4.4)])
def test_a_fourier_shift_is_found(shift: tuple[float, float]) -> None:
    a = texture()
    here = found(a, 0.7 * moved_by(a, *shift) + 20)  # another gain and offset
    assert here.kept.all()
    assert np.abs(here.shift[0] - shift).max() < 0.01
    assert here.score[0] > 0.9999


def test_a_turn_in_the_affine_is_taken_off() -> None:
    a, angle = texture(2), np.deg2rad(5)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    middle = np.array([63.5, 63.5])
    # b(q) = a(turn^-1 (q - middle) + middle): SciPy's spline, in (row, column)
    inverse = np.linalg.inv(turn)[::-1, ::-1]
    b = ndimage.affine_transform(a, inverse, offset=middle - inverse @ middle, order=5, mode="nearest")
    to_picture = np.column_stack([turn, middle - turn @ middle + (0.4, -0.3)])  # thought 0.4, -0.3 px off
    template = a[44 : 44 + SIDE, 40 : 40 + SIDE].astype(np.float32)
    sought = Sought(np.array([[40.0, 44.0]]), to_picture[None])
    got = locate([template], [b.astype(np.float32)], sought, reach=REACH, least=LEAST)
    assert np.abs(turn @ got.shift[0] + (0.4, -0.3)).max() < 0.03


def test_rows_answer_the_windows_asked_for_and_nothing_is_made_up() -> None:
    a = texture(3)
    flat = np.full((N, N), 200.0) + np.random.default_rng(0).normal(0, FLAT / 20, (N, N))
    templates = [p[44 : 44 + SIDE, 40 : 40 + SIDE].astype(np.float32) for p in (flat, a, a, a)]
    pictures = [p.astype(np.float32) for p in (flat, a, texture(99), moved_by(a, REACH + 3, 0))]
    sought = Sought(np.tile([40.0, 44.0], (4, 1)), np.tile([[[1.0, 0, 0], [0, 1.0, 0]]], (4, 1, 1)))
    got = locate(templates, pictures, sought, reach=REACH, least=LEAST)
    assert got.kept.tolist() == [False, True, False, False]  # flat, the place itself, another picture, out of reach
    assert not locate(templates[:1], pictures[:1], Sought(sought.corner[:1], sought.to_picture[:1]), reach=REACH,
                      least=LEAST).kept.any()  # fmt: skip


def test_windows_known_to_half_a_pixel_are_found_alike_and_others_looked_for() -> None:
    a = texture(5)
    shifts = [(0.0, 0.0), (0.4, -0.45), (-0.1, 0.3), (3.3, -2.1), (-0.2, 5.4), (REACH + 3, 0)]
    templates = [a[44 : 44 + SIDE, 40 : 40 + SIDE].astype(np.float32)] * (len(shifts) + 1)
    pictures = [moved_by(a, *shift).astype(np.float32) for shift in shifts] + [texture(98).astype(np.float32)]
    sought = Sought(np.tile([40.0, 44.0], (7, 1)), np.tile([[[1.0, 0, 0], [0, 1.0, 0]]], (7, 1, 1)))
    far, near = (locate(templates, pictures, sought, reach=REACH, least=LEAST, near=near) for near in (False, True))
    assert near.kept.tolist() == far.kept.tolist() == [True] * 5 + [False] * 2
    for name in ("shift", "normal", "variance", "score"):
        assert np.array_equal(getattr(near, name)[:5], getattr(far, name)[:5])
    assert np.abs(near.shift[:5] - shifts[:5]).max() < 0.01


def test_noise_is_as_sure_as_stated() -> None:
    a, noise = texture(4), 3.0
    rng = np.random.default_rng(5)
    off, stated = [], []
    for _ in range(60):
        one, two = (p + rng.normal(0, noise, a.shape) for p in (a, moved_by(a, 0.3, 0.2)))
        got = found(one, two)
        off.append(got.shift[0] - (0.3, 0.2))
        stated.append(np.diag(np.linalg.inv(information(got, SIDE, noise=0.0, floor_px=0.0)[0])))
    # a spread of 60 draws is known to 1 / sqrt(2 * 60) = 9 %
    assert np.std(off, axis=0) == pytest.approx(np.sqrt(np.mean(stated, axis=0)), rel=0.28)


def test_along_a_straight_edge_nothing_is_known() -> None:
    edge = np.tile(200 / (1 + np.exp(-(np.arange(N) - 60.0) / 1.5)), (N, 1))
    rng, seen = np.random.default_rng(6), 0
    for _ in range(6):
        got = found(edge + rng.normal(0, 2, edge.shape), edge + rng.normal(0, 2, edge.shape))
        if got.kept[0]:  # the best may lie at the rim
            across, along = np.diag(information(got, SIDE, noise=1.0, floor_px=0.01)[0])
            seen += 1
            assert abs(got.shift[0, 0]) < 4 / np.sqrt(across)
            assert along**-0.5 > 1.0 and along**-0.5 > abs(got.shift[0, 1]) / 4
            assert across <= 0.01**-2  # nothing is believed better than the floor
    assert seen > 2


def test_information_is_the_inverse_of_variance_over_squared_slopes() -> None:
    normal = np.array([[[5e4, 1e4], [1e4, 2e4]]])
    got = Found(np.ones(1, bool), np.zeros((1, 2)), normal, np.zeros(1), np.ones(1))
    want = normal[0] / 2.0**2  # no variance left over: the noise assumed counts
    assert np.allclose(information(got, SIDE, noise=2.0, floor_px=0.0)[0], want)
    blurred = np.linalg.inv(np.linalg.inv(want) + 0.05**2 * np.eye(2))
    assert np.allclose(information(got, SIDE, noise=2.0, floor_px=0.05)[0], blurred)


def test_aimed_at_a_step_of_opencv_that_stands_for_the_same_place() -> None:
    rng = np.random.default_rng(7)
    to_picture = np.concatenate([np.eye(2) + rng.normal(0, 0.1, (5, 2, 2)), rng.normal(0, 99, (5, 2, 1))], axis=2)
    origin = rng.uniform(0, 500, (5, 2))
    matrices, truly = aimed(to_picture, origin)
    steps = 32 * matrices[:, :, 2]
    assert np.allclose(steps, np.rint(steps), atol=1e-6)
    assert np.allclose(np.einsum("nij,nj->ni", to_picture[:, :, :2], truly) + to_picture[:, :, 2], matrices[:, :, 2])
    assert np.abs(np.einsum("nij,nj->ni", to_picture[:, :, :2], truly - origin)).max() <= 1 / 64 + 1e-9


def test_the_filter_keeps_constants_and_slow_waves() -> None:
    part = np.linspace(0, 1, 17, endpoint=False)
    weights = lanczos(part)
    assert np.allclose(weights.sum(1), 1)
    assert np.allclose(weights[0], np.eye(8)[3])
    assert np.allclose(weights[1:], weights[1:][::-1, ::-1])  # a place seen from the other side
    wave = np.cos(0.4 * np.arange(-3, 5) + 1)
    assert np.abs(weights @ wave - np.cos(0.4 * part + 1)).max() < 0.01
