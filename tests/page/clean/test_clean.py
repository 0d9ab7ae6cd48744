"""I check cleaning from file to file: every step alone and all together, its record, and that the original stays."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from click.testing import CliRunner
from ink_pages import INK, PAPER, blank, capsule, solid, stroke, wobbly
from PIL import Image, ImageCms

from stitchbed.cli.commands.clean import command
from stitchbed.core.errors import BadSettings, WouldTouchOriginal
from stitchbed.core.files import sha256_of
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.box import Box
from stitchbed.imaging.transfer import to_stored, transfer_of
from stitchbed.page.clean.pictures import Album
from stitchbed.page.clean.plan import clean_pixels
from stitchbed.page.clean.repair_places import RepairSettings
from stitchbed.page.page import page_of
from stitchbed.page.underneath.found import DropSettings
from stitchbed.pipelines.clean import STEPS, CleanSettings, clean, planned
from stitchbed.pipelines.texts.clean import summary as clean_summary
from stitchbed.reading.formats import open_windows

ICC = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
DPI = 300
SPECKS = [(20.0, 30.0), (52.0, 12.0), (60.0, 40.0), (33.0, 44.0), (70.0, 22.0)]  # mm on the sheet


def _sheet() -> np.ndarray:
    """(h, w) linear light of an 80 x 55 mm sheet: a solid, strokes, five gray specks."""
    sheet = blank(80, 55, DPI)
    rng = np.random.default_rng(1)
    solid(sheet, wobbly((15, 14), 7, rng))
    for n in range(8):
        stroke(sheet, [(30 + 4 * n, 28), (36 + 4 * n, 48)], 0.3)
    stroke(sheet, wobbly((62, 14), 9, rng).tolist(), 0.2)
    light = PAPER + (INK - PAPER) * sheet.ink
    for x, y in SPECKS:
        place, cover = capsule(sheet, (x, y), (x + 0.1, y), 0.25)
        light[place] += cover * (0.4 - light[place])
    return light


def _scan(path: Path, *, degrees: float = 1.2, dtype: str = "uint16", alpha: bool = False) -> np.ndarray:
    """The sheet askew on a dark lid under a lamp that falls off; returns the sheet's corners px."""
    light = np.repeat(_sheet()[..., None], 3, axis=2) * np.array([1.0, 0.97, 0.9], np.float32)
    h, w = light.shape[:2]
    turn = cv2.getRotationMatrix2D((w / 2, h / 2), -degrees, 1)
    turn[:, 2] += (90, 70)
    big = cv2.warpAffine(light, turn, (w + 190, h + 150), flags=cv2.INTER_CUBIC, borderValue=(0.1, 0.1, 0.1))
    big = cv2.GaussianBlur(np.clip(big, 0, 1), (0, 0), 0.6)
    x = np.arange(big.shape[1], dtype=np.float32)[None]
    big *= (1 - 0.12 * (2 * x / big.shape[1] - 1) ** 2)[..., None]
    big += 0.006 * np.random.default_rng(4).standard_normal(big.shape, dtype=np.float32)
    stored = to_stored(np.clip(big, 0, 1), dtype, transfer_of(ICC))
    if alpha:
        cover = np.full(stored.shape[:2], np.iinfo(dtype).max, dtype)
        cover[:, :20] = 0
        stored = np.dstack([stored, cover])
    extra = {"extrasamples": ["unassalpha"]} if alpha else {}
    tifffile.imwrite(path, stored, photometric="rgb", resolution=(DPI, DPI), resolutionunit=2, iccprofile=ICC, **extra)
    corners = np.array([[0, 0, 1], [w - 1, 0, 1], [w - 1, h - 1, 1], [0, h - 1, 1]])
    return corners @ turn.T


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, dict[str, object]]:
    folder = tmp_path_factory.mktemp("clean")
    source, target = folder / "map.tif", folder / "map_clean.tif"
    _scan(source)
    before = sha256_of(source)
    record = clean(source, target)
    text = clean_summary(record, target)
    assert sha256_of(source) == before
    assert "map_clean.tif" in text
    return source, target, record


def _steps(record: dict[str, object]) -> dict[str, dict[str, object]]:
    return {step["step"]: step for step in record["numbers"]["steps"]}  # type: ignore[index]


def test_file_keeps_depth_profile_and_dpi(done: tuple[Path, Path, dict[str, object]]) -> None:
    _, target, record = done
    with tifffile.TiffFile(target) as file:
        page = file.pages[0]
        assert page.dtype == np.uint16
        assert page.iccprofile == ICC
        assert page.tags[282].value == (DPI, 1)
        assert page.shape == (record["numbers"]["height"], record["numbers"]["width"], 3)  # type: ignore[index]


def test_sheet_is_cropped_paper_white_and_dust_gone(done: tuple[Path, Path, dict[str, object]]) -> None:
    _, target, record = done
    steps = _steps(record)
    # 80 x 55 mm less .1 mm inset on each side; the task's own bound of .3 mm per side
    assert steps["border"]["numbers"]["width_mm"] == pytest.approx(79.8, abs=0.4)  # type: ignore[index]
    assert steps["border"]["numbers"]["height_mm"] == pytest.approx(54.8, abs=0.4)  # type: ignore[index]
    assert steps["border"]["numbers"]["skew_deg"] == pytest.approx(1.2, abs=0.03)  # type: ignore[index]
    assert steps["paper"]["numbers"]["unevenness_after"] <= 0.01  # type: ignore[index]
    assert steps["dust"]["numbers"]["dust"] == len(SPECKS)  # type: ignore[index]
    assert abs(steps["tone"]["numbers"]["ink_lightness"] - 20.04) < 2  # type: ignore[index,operator]
    picture = tifffile.imread(target)
    k = DPI / MM_PER_INCH
    for x, y in SPECKS:
        part = picture[int((y - 0.6) * k) : int((y + 0.6) * k), int((x - 0.6) * k) : int((x + 0.6) * k)]
        assert part.min() > 0.93 * 65535
    # white paper is white, in all channels, out to the edges
    edge = np.concatenate([picture[:30].reshape(-1, 3), picture[-30:].reshape(-1, 3), picture[:, -30:].reshape(-1, 3)])
    assert (edge == 65535).mean() > 0.995


def test_record_and_pictures_lie_beside(done: tuple[Path, Path, dict[str, object]]) -> None:
    source, target, record = done
    assert json.loads(target.with_suffix(".json").read_text())["outputs"] == record["outputs"]
    folder = target.with_name("map_clean_steps")
    assert {p.name for p in folder.iterdir()} == {
        "border.png", "paper.png", "dust.png", "dust_places.png", "tone.png", "dust_mask.tif"
    }  # fmt: skip
    mask = tifffile.imread(folder / "dust_mask.tif")
    assert mask.shape == tifffile.imread(target).shape[:2]
    assert set(np.unique(mask)) == {0, 255}
    assert cv2.connectedComponents((mask > 0).astype(np.uint8))[0] - 1 == len(SPECKS)
    for name in ("border", "paper", "dust", "tone"):
        left, right = np.array_split(np.asarray(Image.open(folder / f"{name}.png")).astype(int), 2, axis=1)
        width = min(left.shape[1], right.shape[1])
        assert np.abs(left[:, :width] - right[:, :width]).max() > 20, name
    assert record["inputs"] == {"map.tif": sha256_of(source)}


@pytest.mark.parametrize("step", STEPS)
def test_each_step_alone(tmp_path: Path, step: str) -> None:
    source, target = tmp_path / "a.tif", tmp_path / "b.tif"
    _scan(source, degrees=0.0, dtype="uint8")
    repair = RepairSettings(rects=((25.4, 25.4, 1.016, 0.762),))
    settings = CleanSettings(steps=(step,), repair=repair, drop=DropSettings(stains=10))
    record = clean(source, target, settings)
    assert list(_steps(record)) == [step]
    before, after = tifffile.imread(source), tifffile.imread(target)
    if step == "border":
        # nothing is askew: pixels are handed on as they are
        row, col = _place(before, after)
        assert np.array_equal(before[row : row + after.shape[0], col : col + after.shape[1]], after)
        return
    assert after.shape == before.shape
    changed = (before != after).any(axis=2)
    if step == "drop":
        assert not changed.any(), "nothing is stained"
        return
    share = {"repair": 108 / changed.size, "dust": 0.01}.get(step, 1.0)
    assert 0 < changed.mean() <= share


def _place(whole: np.ndarray, part: np.ndarray) -> tuple[int, int]:
    found = cv2.matchTemplate(whole[..., 1], part[200:400, 200:400, 1], cv2.TM_SQDIFF)
    _, _, (x, y), _ = cv2.minMaxLoc(found)
    return y - 200, x - 200


def test_blocks_do_not_show(tmp_path: Path) -> None:
    source = tmp_path / "a.tif"
    _scan(source, alpha=True)
    with open_windows(source) as windows:
        page = page_of(windows)
        plan, _ = planned(page, source, CleanSettings(), Album(None, source), workers=1)
        whole = clean_pixels(page, plan, plan.frame.box)
        assert whole.shape[2] == 4
        for box in (Box(0, 0, 97, 211), Box(130, 301, 259, 64), Box(plan.frame.height - 50, 600, 50, 300)):
            assert np.array_equal(clean_pixels(page, plan, box), whole[box.slices])


def test_a_mask_picture_is_repaired(tmp_path: Path) -> None:
    source, mask = tmp_path / "a.tif", tmp_path / "mask.png"
    _scan(source, degrees=0.0, dtype="uint8")
    before = tifffile.imread(source)
    painted = np.zeros(before.shape[:2], np.uint8)
    cv2.circle(painted, (600, 400), 11, 255, -1)
    cv2.imwrite(str(mask), painted)
    settings = CleanSettings(steps=("repair",), repair=RepairSettings(mask=mask), pictures=False)
    clean(source, tmp_path / "b.tif", settings)
    changed = (tifffile.imread(tmp_path / "b.tif") != before).any(axis=2)
    assert not changed[painted == 0].any()
    assert changed[painted > 0].mean() > 0.8
    assert not (tmp_path / "b_steps").exists()


def test_the_original_is_never_the_output(tmp_path: Path) -> None:
    source = tmp_path / "a.tif"
    _scan(source)
    for wrong, error in ((CleanSettings(), WouldTouchOriginal), (CleanSettings(steps=("scrub",)), BadSettings)):
        with pytest.raises(error):
            clean(source, source, wrong)


def test_command_prints_the_record(tmp_path: Path) -> None:
    source, target = tmp_path / "a.tif", tmp_path / "b.tif"
    _scan(source, dtype="uint8")
    words = [str(source), "-o", str(target), "--turn", "90", "--dust", "careful", "--no-pictures", "--json"]
    result = CliRunner().invoke(command, words, catch_exceptions=False)
    record = json.loads(result.output)
    assert record["numbers"]["height"] > record["numbers"]["width"]
    assert record["settings"]["dust"]["strength"] == "careful"
    assert tifffile.imread(target).shape[:2] == (record["numbers"]["height"], record["numbers"]["width"])
