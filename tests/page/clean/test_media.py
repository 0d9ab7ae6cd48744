"""I check that pencil and paint keep every tone, that no page without dust loses a speck, and what is told of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from ink_pages import INK, PAPER, blank, dot, hatch, seen, solid, stroke, wobbly
from skimage import data

from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.page.sheet.tone import ToneSettings
from stitchbed.pipelines.clean import CleanSettings, clean

DPI = 300
K = DPI / MM_PER_INCH
WASHES = (0.01, 0.02, 0.03, 0.05, 0.08, 0.12, 0.2, 0.4, 0.8)  # density


def _written(path: Path, light: np.ndarray, seed: int) -> None:
    """The page under a lamp that falls off by 6 %, as a 16-bit RGB scan."""
    h, w = light.shape[:2]
    lamp = 1 - 0.06 * np.linspace(-1, 1, w, dtype=np.float32)[None] ** 2 - 0.02 * np.linspace(-1, 1, h)[:, None] ** 2
    rng = np.random.default_rng(seed)
    codes = [seen((light[..., c] * lamp * PAPER).astype(np.float32), DPI, rng, dtype="uint16") for c in range(3)]
    tifffile.imwrite(path, np.dstack(codes), photometric="rgb", resolution=(DPI, DPI), resolutionunit=2)


def _grain(shape: tuple[int, ...], rng: np.random.Generator) -> np.ndarray:
    grain = cv2.GaussianBlur(rng.standard_normal(shape, dtype=np.float32), (0, 0), 0.12 * K)
    return np.asarray(grain / grain.std(), np.float32)


def _washes(seed: int) -> np.ndarray:
    """(h, w, 3) light relative to paper: nine washes of known density in a grid of 60 mm, colored spatter."""
    rng = np.random.default_rng(seed)
    shape = (round(60 * K), round(60 * K))
    density = np.zeros((*shape, 3), np.float32)
    for n, depth in enumerate(WASHES):
        mask = np.zeros(shape, np.float32)
        outline = wobbly((10 + 20 * (n % 3), 10 + 20 * (n // 3)), 6.5, rng) * K
        cv2.fillPoly(mask, [np.rint(outline * 16).astype(np.int32)], 1.0, cv2.LINE_AA, 4)
        hue = np.array(((1, 0.55, 0.2), (0.2, 0.6, 1), (0.3, 1, 0.5))[n % 3])
        density += (depth * mask * (1 + 0.1 * _grain(shape, rng)))[..., None] * (hue / hue.mean()).astype(np.float32)
    return np.asarray(cv2.GaussianBlur(10**-density, (0, 0), 0.7), np.float32)


def _pencil(seed: int) -> np.ndarray:
    """(h, w, 3) soft shading on the tooth of the paper, strokes, and short ticks among them."""
    rng = np.random.default_rng(seed)
    shape = (round(45 * K), round(45 * K))
    tooth = _grain(shape, rng)
    tone = np.zeros(shape, np.float32)
    for x, y in ((12, 12), (32, 14), (14, 33), (31, 32)):
        mask = np.zeros(shape, np.float32)
        cv2.fillPoly(mask, [np.rint(wobbly((x, y), 7, rng) * K).astype(np.int32)], 1.0)
        soft = cv2.GaussianBlur(mask, (0, 0), float(rng.uniform(0.3, 2.5)) * K) * np.float32(rng.uniform(0.06, 0.5))
        tone = np.maximum(tone, soft)
    tone = tone * np.clip(1 + 0.45 * tooth, 0, 2)
    for _ in range(90):
        a = rng.uniform(3, 42, 2) * K
        b = a + rng.normal(0, 2, 2) * K
        cv2.line(tone, tuple(a.astype(int).tolist()), tuple(b.astype(int).tolist()), float(rng.uniform(0.2, 0.7)), 3)
    tone = cv2.GaussianBlur(tone * np.clip(1 + 0.3 * tooth, 0.2, 1.5), (0, 0), 0.7)
    return np.asarray(np.repeat((1 - 0.88 * np.clip(tone, 0, 1))[..., None], 3, axis=2), np.float32)


def _light(path: Path) -> np.ndarray:
    codes = tifffile.imread(path).astype(np.float32) / 65535
    return np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4)


def test_pale_washes_keep_their_difference(tmp_path: Path) -> None:
    source, target = tmp_path / "a.tif", tmp_path / "b.tif"
    light = _washes(3)
    _written(source, light, 3)
    record = clean(source, target, CleanSettings(steps=("paper", "dust", "tone"), pictures=False))
    assert record["numbers"]["medium"]["name"] == "paint"
    got = _light(target)
    for n, depth in enumerate(WASHES):
        row, col = (round((10 + 20 * at) * K) for at in (n // 3, n % 3))
        place = (slice(row - 25, row + 25), slice(col - 25, col + 25))
        wanted, seen_ = (1 - m[place].mean(axis=(0, 1)) for m in (light, got))
        # what a wash takes off the paper's light stays within a tenth of it, or .3 % of the paper
        assert np.abs(seen_ - wanted).max() <= max(0.1 * float(wanted.max()), 0.003), depth
    bare = cv2.erode((light.min(axis=2) > 0.9999).astype(np.uint8), np.ones((31, 31), np.uint8)) > 0
    assert (got[bare].min(axis=1) == 1).mean() > 0.9


@pytest.mark.parametrize("draw", [_pencil, _washes])
@pytest.mark.parametrize("seed", [1, 2])
def test_soft_pages_without_dust_stay(tmp_path: Path, draw: object, seed: int) -> None:
    source, target = tmp_path / "a.tif", tmp_path / "b.tif"
    _written(source, draw(seed), seed)  # type: ignore[operator]
    record = clean(source, target, CleanSettings(steps=("dust",), pictures=False))
    assert record["numbers"]["medium"]["name"] != "ink"
    changed = np.abs(tifffile.imread(target).astype(int) - tifffile.imread(source)).max(axis=2)
    assert (changed > 2 * 257).sum() == 0


def _gray_lines() -> np.ndarray:
    """(h, w, 3) hair lines, nowhere as dark as ink, and gray dots far from them."""
    rng = np.random.default_rng(8)
    gray = np.zeros((round(50 * K), round(60 * K)), np.float32)
    for row in range(12):
        points = np.array([(x, 3 + 2 * row + rng.normal(0, 0.1)) for x in np.linspace(3, 57, 40)]) * K
        cv2.polylines(gray, [np.rint(points * 16).astype(np.int32)], False, 1.0, 1, cv2.LINE_AA, 4)
    for n in range(10):
        at = np.array([6 + 10 * (n % 5), 36 + 8 * (n // 5)]) * K
        cv2.circle(gray, np.rint(at * 16).astype(int).tolist(), round(0.12 * K * 16), 1.0, -1, cv2.LINE_AA, 4)
    return np.asarray(np.repeat((1 - 0.62 * cv2.GaussianBlur(gray, (0, 0), 0.6))[..., None], 3, axis=2), np.float32)


def test_where_nothing_is_as_dark_as_ink_no_speck_goes_unless_it_is_said_to_be_ink(tmp_path: Path) -> None:
    _written(tmp_path / "page.tif", _gray_lines(), 1)
    taken, told = [], []
    for medium in ("found", "ink"):
        settings = CleanSettings(steps=("dust",), pictures=False, workers=1, medium=medium)
        record = clean(tmp_path / "page.tif", tmp_path / f"{medium}.tif", settings)
        (step,) = record["numbers"]["steps"]
        taken.append(step["numbers"]["dust"])
        told.append("; ".join(step["warnings"]))
    assert taken == [0, 10]
    assert "--medium ink" in told[0]
    assert "--medium ink" not in told[1]


def test_pencil_is_not_stretched(tmp_path: Path) -> None:
    source, target = tmp_path / "a.tif", tmp_path / "b.tif"
    light = _pencil(4)
    _written(source, light, 4)
    record = clean(source, target, CleanSettings(steps=("paper", "tone"), pictures=False))
    assert record["numbers"]["medium"]["name"] == "pencil"
    # in double precision: a line through so many points in single has a slope of one half, whatever they are
    wanted, got = (cv2.GaussianBlur(m[..., 1], (0, 0), K).astype(np.float64) for m in (light, _light(target)))
    toned = wanted < 0.98
    assert np.polyfit(wanted[toned], got[toned], 1)[0] == pytest.approx(1, abs=0.03)


def _inked(path: Path) -> None:
    """Ink with three gray specks, at (20, 30), (35, 30) and (35, 10) mm."""
    rng = np.random.default_rng(2)
    sheet, specks = blank(45, 40, DPI), blank(45, 40, DPI)
    solid(sheet, wobbly((10, 10), 6, rng))
    hatch(sheet, (4, 22, 14, 36), 0.8, 0.3, 0.1, rng)
    stroke(sheet, wobbly((28, 10), 4, rng).tolist(), 0.3)
    for x, y in ((20, 30), (35, 30), (35, 10)):
        dot(specks, x, y, 0.35)
    light = (PAPER + (INK - PAPER) * sheet.ink) * (1 - specks.ink) + 0.4 * specks.ink
    light = cv2.GaussianBlur(light, (0, 0), 0.55)
    _written(path, np.repeat((light / PAPER)[..., None], 3, axis=2), 5)


@pytest.mark.parametrize(
    ("more", "left"), [({}, 0), ({"keep": ((20.3, 29.8),)}, 1), ({"spare": ((30.0, 5.0, 10.0, 30.0),)}, 2)]
)
def test_exceptions_stay_and_all_is_told(tmp_path: Path, more: dict[str, object], left: int) -> None:
    from stitchbed.page.dust.classify import DustSettings

    source, target = tmp_path / "a.tif", tmp_path / "b.tif"
    _inked(source)
    dust = DustSettings(**more)  # type: ignore[arg-type]
    record = clean(source, target, CleanSettings(steps=("dust",), dust=dust))
    (step,) = record["numbers"]["steps"]
    told = step["numbers"]
    assert record["numbers"]["medium"]["name"] == "ink"
    assert told["dust"] == 3 - left
    assert told["largest_mm"] == pytest.approx(0.4, abs=0.15)
    assert f"{3 - left} speck{'s' * (left < 2)} taken" in told["words"]
    places = {(round(p["x_mm"]), round(p["y_mm"])) for p in told["taken_places"]}
    assert places <= {(20, 30), (35, 30), (35, 10)}
    assert (tmp_path / "b_steps" / "dust_places.png").is_file()


def test_a_place_to_repair_is_said_in_mm_of_the_clean_page(tmp_path: Path) -> None:
    from stitchbed.page.clean.repair_places import RepairSettings
    from stitchbed.page.sheet.border import BorderSettings

    source, target = tmp_path / "a.tif", tmp_path / "b.tif"
    _inked(source)
    # turned by a quarter clockwise the speck at (20, 30) of 45 x 40 mm lies at (10, 20)
    settings = CleanSettings(
        steps=("border", "repair"), border=BorderSettings(turn=90, crop=False, straighten=False),
        repair=RepairSettings(rects=((9.4, 19.4, 1.2, 1.2),)), pictures=False,
    )  # fmt: skip
    clean(source, target, settings)
    before, after = np.rot90(tifffile.imread(source), -1), tifffile.imread(target)
    changed = np.argwhere((before != after).any(axis=2))
    middle = (changed.min(axis=0) + changed.max(axis=0)) / 2 / K
    assert middle == pytest.approx((20, 10), abs=0.15)
    assert after[round(20 * K), round(10 * K)].min() > 0.8 * np.median(before)


def _picture() -> np.ndarray:
    """A picture in colors up to its edges: a photograph of a cup, of the open data of scikit-image."""
    return np.asarray(data.coffee(), np.uint8)


def test_a_picture_painted_to_its_edges_keeps_every_color(tmp_path: Path) -> None:
    source, target = tmp_path / "painted.tif", tmp_path / "page.tif"
    tifffile.imwrite(source, _picture(), photometric="rgb", resolution=(150, 150), resolutionunit=2)
    record = clean(source, target, CleanSettings(steps=("paper", "dust", "tone"), pictures=False))
    assert record["numbers"]["medium"]["name"] == "paint"
    assert np.array_equal(tifffile.imread(target), _picture())
    assert sum("no bare paper was found" in warning for warning in record["warnings"]) == 1


def test_paper_above_a_wash_that_runs_to_the_edges_is_told_as_doubted(tmp_path: Path) -> None:
    source, target = tmp_path / "shore.tif", tmp_path / "page.tif"
    page = np.full((450, 600, 3), (242, 239, 231), np.uint8)  # L* 94.5
    page[270:] = (150, 190, 200)
    page[268:271] = page[100:240, 200:203] = (40, 40, 45)
    tifffile.imwrite(source, page, photometric="rgb", resolution=(150, 150), resolutionunit=2)
    settings = CleanSettings(steps=("paper", "tone"), pictures=False)
    record = clean(source, target, settings)
    (told,) = [warning for warning in record["warnings"] if "does not go all round" in warning]
    assert "60% of the page" in told
    assert any("--white 94 lifts what may be paper to white" in warning for warning in record["warnings"])
    assert np.array_equal(tifffile.imread(target), page)
    assert not any("no bare paper" in warning for warning in record["warnings"])
    record = clean(source, target, replace(settings, tone=ToneSettings(white=94.0), replace=True))
    assert not any("--white" in warning for warning in record["warnings"])  # it was done
    assert tifffile.imread(target)[:200, :180, 0].min() == 255


def test_the_same_picture_on_paper_gets_its_white(tmp_path: Path) -> None:
    source, target, margin = tmp_path / "painted.tif", tmp_path / "page.tif", 60
    paper = np.full((520, 720, 3), (236, 228, 214), np.uint8)
    paper[margin:-margin, margin:-margin] = _picture()[:400, :600]
    tifffile.imwrite(source, paper, photometric="rgb", resolution=(150, 150), resolutionunit=2)
    record = clean(source, target, CleanSettings(steps=("paper", "dust", "tone"), pictures=False))
    assert record["numbers"]["medium"]["name"] == "paint"
    assert not any("no bare paper" in warning for warning in record["warnings"])
    page = tifffile.imread(target)
    assert page[: margin // 2].min() >= 254 and page[-margin // 2 :].min() >= 254
    assert any("--white keep keeps them apart" in warning for warning in record["warnings"])  # the cup's highlights


def test_light_strokes_on_dark_paper_are_told_and_kept_where_asked(tmp_path: Path) -> None:
    source, target = tmp_path / "night.tif", tmp_path / "page.tif"
    rng = np.random.default_rng(5)
    night = np.full((600, 800, 3), (28, 27, 30), np.uint8) + rng.integers(0, 3, (600, 800, 3), np.uint8)
    for n in range(14):
        cv2.line(night, (60 + 50 * n, 80), (90 + 45 * n, 500), (226, 222, 214), 4, cv2.LINE_AA)
    tifffile.imwrite(source, night, photometric="rgb", resolution=(DPI, DPI), resolutionunit=2)
    asked = CleanSettings(steps=("paper", "dust", "tone"), pictures=False)
    told = clean(source, target, asked)["warnings"]
    assert any("dark" in warning and "--medium paint" in warning for warning in told)
    clean(source, target, replace(asked, medium="paint"))
    assert np.array_equal(tifffile.imread(target), night)
    clean(source, target, replace(asked, medium="paint", tone=ToneSettings(white=80.0)))
    assert tifffile.imread(target).max() == 255


@pytest.mark.parametrize("medium", ["ink", "pencil", "paint"])
def test_colored_paper_keeps_its_color_where_asked_and_is_told_where_not(tmp_path: Path, medium: str) -> None:
    source, target, pink = tmp_path / "pink.tif", tmp_path / "page.tif", (244, 200, 198)
    page = np.full((500, 700, 3), pink, np.uint8)
    for n in range(8):
        cv2.line(page, (80 + 60 * n, 100), (120 + 55 * n, 400), (30, 28, 31), 4, cv2.LINE_AA)
    tifffile.imwrite(source, page, photometric="rgb", resolution=(DPI, DPI), resolutionunit=2)
    asked = CleanSettings(medium=medium, steps=("paper", "dust", "tone"), pictures=False)
    told = clean(source, target, asked)["warnings"]
    assert any("--white keep" in warning for warning in told)
    assert tuple(tifffile.imread(target)[10, 10]) == (255, 255, 255)
    told = clean(source, target, replace(asked, tone=ToneSettings(white="keep")))["warnings"]
    assert not any("--white keep" in warning for warning in told)
    assert np.abs(tifffile.imread(target)[10, 10].astype(int) - pink).max() <= (3 if medium == "ink" else 1)


@pytest.mark.parametrize("askew", [0.8, -1.5])
def test_a_lid_beside_a_sheet_laid_askew_makes_ink_no_paint(tmp_path: Path, askew: float) -> None:
    source, target = tmp_path / "a.tif", tmp_path / "b.tif"
    _inked(source)
    sheet = tifffile.imread(source)
    lid = np.full((sheet.shape[0] + 160, sheet.shape[1] + 160, 3), 0.83 * 65535, np.uint16)
    lid[80:-80, 80:-80] = sheet
    middle = (lid.shape[1] / 2, lid.shape[0] / 2)
    turn = cv2.getRotationMatrix2D(middle, askew, 1)
    turned = cv2.warpAffine(lid, turn, lid.shape[1::-1], borderValue=(0.83 * 65535,) * 3)
    tifffile.imwrite(source, turned, photometric="rgb", resolution=(DPI, DPI), resolutionunit=2)
    record = clean(source, target, CleanSettings(steps=("border", "paper"), pictures=False))
    assert record["numbers"]["steps"][0]["numbers"]["skew_deg"] == pytest.approx(-askew, abs=0.1)
    assert record["numbers"]["medium"]["name"] == "ink"
