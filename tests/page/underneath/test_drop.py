"""I check that pencil of one hue and stains go from under ink, and ink stays, on pages whose truth is known."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile

from stitchbed.core.errors import BadSettings
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.box import Box
from stitchbed.imaging.transfer import srgb_encode
from stitchbed.page.dust.sweep import ink_of
from stitchbed.page.ground import Ground, relative
from stitchbed.page.page import page_of_array
from stitchbed.page.sheet.white import PaperSettings, survey
from stitchbed.page.underneath.found import DropSettings, under_of
from stitchbed.page.underneath.pencil import HUES, apart, hue_of, left_by, pencil_of
from stitchbed.pipelines.clean import CleanSettings, clean

DPI, SIDE = 300, 34  # mm
K = DPI / MM_PER_INCH
INK = np.array([0.036, 0.034, 0.033], np.float32)
PAPER = np.array([0.86, 0.84, 0.78], np.float32)
BLUE, RED = (1.0, 0.5, 0.15), (0.1, 0.85, 0.75)  # density per channel of pencils invented here
VISIBLE = 3  # codes of 8 bits


def _ink(seed: int) -> np.ndarray:
    """(h, w) cover of ink: lines of .1 to .4 mm, dots, a solid."""
    rng = np.random.default_rng(seed)
    cover = np.zeros((round(SIDE * K) * 4,) * 2, np.uint8)
    for n in range(12):
        a, b = rng.uniform(2, SIDE - 2, (2, 2)) * K * 4
        cv2.line(cover, a.astype(int).tolist(), b.astype(int).tolist(), 1, round((0.1, 0.2, 0.4)[n % 3] * K * 4))
    for x, y in rng.uniform(2, SIDE - 2, (60, 2)) * K * 4:
        cv2.circle(cover, (int(x), int(y)), round(0.1 * K * 4), 1, -1)
    cv2.rectangle(cover, (100, 100), (400, 300), 1, -1)
    return cv2.resize(cover.astype(np.float32), None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)


def _pencil(shape: tuple[int, ...], seed: int, spectrum: tuple[float, ...]) -> tuple[np.ndarray, np.ndarray]:
    """(h, w, 3) light left by pencil on the tooth of paper, and (h, w) how firm it is."""
    rng = np.random.default_rng(seed)
    firm = np.zeros(shape, np.float32)
    for _ in range(14):
        a, b = rng.uniform(2, SIDE - 2, (2, 2)) * K
        cv2.line(firm, a.astype(int).tolist(), b.astype(int).tolist(), float(rng.uniform(0.3, 0.9)), 5, cv2.LINE_AA)
    firm = cv2.GaussianBlur(firm, (0, 0), 0.05 * K)
    tooth = cv2.GaussianBlur(rng.standard_normal(shape, dtype=np.float32), (0, 0), 0.1 * K)
    cover = np.clip(firm * (1 + 0.5 * tooth / tooth.std()), 0, 1)
    return 1 - cover[..., None] * (1 - np.exp(-0.8 * np.array(spectrum, np.float32))), firm


def _ring(shape: tuple[int, ...]) -> np.ndarray:
    """(h, w, 3) light left by a ring as a cup leaves it."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32) / K
    off = np.hypot(x - 16, y - 18) - 10
    depth = np.exp(-((off / 0.7) ** 2)) + 0.15 / (1 + np.exp(np.clip(off / 0.3, -50, 50)))
    return np.exp(-0.25 * depth[..., None] * np.array((0.25, 0.5, 1), np.float32))


def _scan(light: np.ndarray, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    grain = 1 + 0.01 * rng.standard_normal(light.shape[:2], dtype=np.float32)
    soft = cv2.GaussianBlur(light, (0, 0), 0.45) * grain[..., None] * PAPER
    code = srgb_encode(np.clip(soft, 0, 1).astype(np.float64)) * 255 + 0.9 * rng.standard_normal(light.shape)
    return np.rint(np.clip(code, 0, 255)).astype(np.uint8)


def _under(cover: np.ndarray, below: np.ndarray) -> np.ndarray:
    return (1 - cover[..., None]) * below + cover[..., None] * INK


def _cleaned(folder: Path, light: np.ndarray, drop: DropSettings, name: str) -> tuple[np.ndarray, dict[str, object]]:
    source, target = folder / f"{name}.tif", folder / f"{name}_clean.tif"
    tifffile.imwrite(source, _scan(light, 5), photometric="rgb", resolution=(DPI, DPI), resolutionunit=2)
    settings = CleanSettings(steps=("paper", "drop", "tone"), medium="ink", drop=drop, pictures=False, workers=1)
    record = clean(source, target, settings)
    return tifffile.imread(target).astype(int), record  # type: ignore[return-value]


@pytest.mark.parametrize(("color", "spectrum"), [("blue", BLUE), ("red", RED)])
def test_pencil_goes_and_ink_over_it_stays(tmp_path: Path, color: str, spectrum: tuple[float, ...]) -> None:
    cover = _ink(1)
    below, firm = _pencil(cover.shape, 2, spectrum)
    bare, _ = _cleaned(tmp_path, _under(cover, np.ones_like(below)), DropSettings(), "bare")
    kept, _ = _cleaned(tmp_path, _under(cover, below), DropSettings(), "kept")
    got, record = _cleaned(tmp_path, _under(cover, below), DropSettings(color), "got")
    clear = cv2.dilate(cover, np.ones((5, 5), np.uint8)) < 0.01
    drawn, ink = (firm > 0.1) & clear, cover > 0.5
    assert (got[drawn] == 255).all(axis=1).mean() >= 0.99
    assert (kept[drawn] == 255).all(axis=1).mean() < 0.3
    off = np.abs(got - bare).max(axis=2)
    assert (off[ink & (firm < 0.005)] <= VISIBLE).mean() >= 0.999
    # an edge over pencil shows the tooth below it only through the noise: 15 codes are seen beside no line
    assert (off[ink] <= 15).mean() >= 0.999
    # lines of .1 mm stay whole: no pixel that is mostly ink turns lighter by a sixth
    assert not (got.mean(axis=2) - bare.mean(axis=2) > 40)[ink].any()
    assert [s["step"] for s in record["numbers"]["steps"]] == ["paper", "drop", "tone"]  # type: ignore[index]


def test_the_other_color_and_a_page_without_it_stay(tmp_path: Path) -> None:
    cover = _ink(3)
    below, _ = _pencil(cover.shape, 4, RED)
    plain, _ = _cleaned(tmp_path, _under(cover, below), DropSettings(), "plain")
    got, record = _cleaned(tmp_path, _under(cover, below), DropSettings("blue"), "got")
    assert np.array_equal(plain, got)
    assert any("no pencil was found" in warning for warning in record["warnings"])  # type: ignore[attr-defined]


def test_a_point_names_the_color(tmp_path: Path) -> None:
    cover = _ink(1)
    below, firm = _pencil(cover.shape, 2, (0.4, 0.1, 0.9))  # a green
    clear = cv2.dilate(cover, np.ones((5, 5), np.uint8)) < 0.01
    row, col = np.unravel_index(int(np.argmax(cv2.GaussianBlur(firm * clear, (0, 0), 2))), firm.shape)
    place = f"{(col + 0.5) / K:.2f},{(row + 0.5) / K:.2f}"
    got, _ = _cleaned(tmp_path, _under(cover, below), DropSettings(place), "got")
    assert (got[(firm > 0.1) & clear] == 255).all(axis=1).mean() >= 0.98
    with pytest.raises(BadSettings, match="to drop a color from"):
        _cleaned(tmp_path, _under(cover, np.ones_like(below)), DropSettings("1,1"), "white")
    with pytest.raises(BadSettings, match="blue, red"):
        _cleaned(tmp_path, _under(cover, below), DropSettings("mauve"), "mauve")


def test_a_stain_is_evened_up_to_its_strength(tmp_path: Path) -> None:
    cover = _ink(5)
    ring = _ring(cover.shape)
    bare, _ = _cleaned(tmp_path, _under(cover, np.ones_like(ring)), DropSettings(), "bare")
    got, _ = _cleaned(tmp_path, _under(cover, ring), DropSettings(stains=30), "got")
    weak, record = _cleaned(tmp_path, _under(cover, ring), DropSettings(stains=5), "weak")
    stained = (ring[..., 2] < 0.9) & (cv2.dilate(cover, np.ones((5, 5), np.uint8)) < 0.01)
    assert (got[stained] == 255).all(axis=1).mean() >= 0.99
    assert (weak[stained] == 255).all(axis=1).mean() < 0.6
    assert any("of that 5 %" in warning for warning in record["warnings"])  # type: ignore[attr-defined]
    assert (np.abs(got - bare).max(axis=2)[cover > 0.5] <= VISIBLE).mean() >= 0.95


def test_blocks_change_nothing() -> None:
    cover = _ink(1)
    page = page_of_array(_scan(_under(cover, _pencil(cover.shape, 2, BLUE)[0]), 5), DPI)
    white = survey(page, page.box, PaperSettings())
    ground = Ground(page, white)
    samples = [relative(ground, page.box)]
    traits = ink_of(ground, [page.box], 1)
    under, told = under_of(page, white, page.box, DropSettings("blue", 20), traits, samples=samples, hue="blue")
    assert len(told.pencils) >= 1
    whole = relative(Ground(page, white, under), page.box)
    part = Box(60, 90, 120, 77)
    assert np.abs(relative(Ground(page, white, under), part) - whole[part.slices]).max() < 1e-6


def test_a_gray_page_has_no_color_to_drop(tmp_path: Path) -> None:
    source = tmp_path / "gray.tif"
    gray = _scan(_under(_ink(1), np.ones((*_ink(1).shape, 3), np.float32)), 5)[..., 0]
    tifffile.imwrite(source, gray, photometric="minisblack", resolution=(DPI, DPI), resolutionunit=2)
    with pytest.raises(BadSettings, match="gray page"):
        clean(source, tmp_path / "out.tif", CleanSettings(drop=DropSettings("blue"), pictures=False))


def test_a_pencil_is_the_curve_of_its_pixels() -> None:
    """Beer-Lambert: a pigment of density d leaves exp(-d k) of a channel's light, whatever d."""
    rng = np.random.default_rng(0)
    depth = rng.uniform(0.2, 1.2, (60, 60, 1))
    light = np.exp(-depth * np.array(BLUE)).astype(np.float32)
    pencil = pencil_of([light], np.zeros(3, np.float32), "blue")
    assert pencil is not None
    assert pencil.channels == (0, 1, 2)
    q = np.array([-0.2, -0.6], np.float32)
    wanted = np.exp(q[:, None] / (BLUE[0] - BLUE[2]) * np.array(BLUE))
    assert np.allclose(left_by(pencil, q), wanted, atol=0.01)
    assert float(apart(np.float32(pencil.hue), float(hue_of(light).__getitem__(0).mean()))) < 3


def test_hues_are_the_light_they_lack() -> None:
    for name, light in (("blue", (0.4, 0.7, 0.9)), ("red", (0.9, 0.4, 0.45))):
        hue = float(hue_of(np.array(light, np.float32))[0])
        low, high = HUES[name]
        assert low < hue % 360 < high
    coffee = float(hue_of(np.array((0.9, 0.82, 0.68), np.float32))[0]) % 360
    assert not HUES["red"][0] < coffee < HUES["red"][1]
