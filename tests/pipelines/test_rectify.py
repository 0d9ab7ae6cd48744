"""I photograph a small work with cards round it and check that what comes out is true in shape, size and light.

Photos are of 3.8 megapixels and a work of 300 x 210 mm: two thirds of the px per mm of 24 megapixels on 600 x 420 mm. A
hundred scenes of that full size are measured by hand with bench_rectify.py.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from click.testing import CliRunner
from PIL import Image
from synthetic_camera import (
    Camera,
    Scene,
    aimed,
    find_dots,
    laid_beside,
    laid_round,
    painted,
    photo_from_scene,
    photograph,
    scene_with_cards,
)

from stitchbed.card.corners import corner_points, printed_lines
from stitchbed.card.detection import SeenCard, find_cards
from stitchbed.cli.commands.rectify import command
from stitchbed.color.profiles import profile_of, srgb_profile
from stitchbed.core.errors import BadSettings, CardNotFound, MixedTiles, StitchbedError, WouldTouchOriginal
from stitchbed.imaging.box import Box
from stitchbed.imaging.transfer import to_linear, transfer_of
from stitchbed.photos.compositing.render import FaceJob, FaceSource, render
from stitchbed.photos.geometry.lens import Lens
from stitchbed.photos.geometry.plane_pose import placed, plane_from_photo
from stitchbed.photos.geometry.print_size import print_size
from stitchbed.photos.plane.survey import survey_plane
from stitchbed.photos.survey.photo import opened
from stitchbed.photos.survey.plane_types import Asked, PlaneSurvey
from stitchbed.pipelines.rectify import RectifySettings, rectify
from stitchbed.pipelines.texts.rectify import _sure_line
from stitchbed.pipelines.texts.rectify import summary as rectify_summary

SIZE = (300.0, 210.0)
PHOTO = (2400, 1600)
DENSITY = 5.0
DPI = 127.0  # 5 px/mm
EXACT = Asked(printed_mm=(160.0, 160.0))
PICKED_PX = np.array([[2, -2], [-3, 1], [2, 2], [-1, -3]])  # how far off a hand picks corners
RMS_MM, WORST_MM, SCALE = 0.15, 0.4, 0.001  # promised for a work twice as long at the same px/mm


def aside(*_: object) -> None:
    """A progress function that draws nothing."""


def write(path: Path, photo: np.ndarray) -> Path:
    cv2.imwrite(str(path), photo[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 93])
    return path


@pytest.fixture(scope="module")
def taken(tmp_path_factory: pytest.TempPathFactory) -> tuple[Scene, Camera, np.ndarray, Path]:
    """Four corner cards, tilt, barrel, light 2:1 with fall-off, noise, JPEG."""
    rng = np.random.default_rng(21)
    work, dots = painted(SIZE, DENSITY, rng)
    scene = scene_with_cards(work, DENSITY, laid_round(SIZE, rng), margin=150, table=(0.33, 0.31, 0.28))
    camera = aimed(rng, size=PHOTO, field_mm=(520, 255), tilt_deg=22)
    camera = replace(camera, slope=2.0, azimuth=0.6, vignetting=0.15, exposure=1.0)
    path = tmp_path_factory.mktemp("photo") / "first.jpg"
    return scene, camera, dots, write(path, photograph(scene, camera, rng))


def errors_of(result: Path, dots: np.ndarray) -> tuple[np.ndarray, float]:
    """mm from the truth at each dot after shift and turn, and the relative error of scale."""
    light = to_linear(np.ascontiguousarray(tifffile.imread(result)), transfer_of(None)).mean(2)
    true = dots + np.array(SIZE) / 2
    found = (find_dots(light, true * (DPI / 25.4) - 0.5, DPI / 25.4) + 0.5) * 25.4 / DPI
    a, b = found - found.mean(0), true - true.mean(0)
    turn = np.arctan2(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]), np.sum(a * b))
    moved = placed(np.array([0, 0, turn]), a)
    return np.hypot(*(moved - b).T), float(np.sqrt((a**2).sum() / (b**2).sum())) - 1


@pytest.fixture(scope="module")
def rectified(taken: tuple[Scene, Camera, np.ndarray, Path]) -> tuple[Path, dict[str, object], str]:
    path = taken[3].with_name("result.tif")
    record = rectify([taken[3]], path, RectifySettings(DPI, EXACT, table="paintings"), progress=aside)
    text = rectify_summary(record, path)
    return path, record, text


def test_shape_and_size_are_true(
    taken: tuple[Scene, Camera, np.ndarray, Path], rectified: tuple[Path, dict[str, object], str]
) -> None:
    error, scale = errors_of(rectified[0], taken[2])
    assert np.sqrt(np.mean(error**2)) < RMS_MM and error.max() < WORST_MM and abs(scale) < SCALE
    numbers = rectified[1]["numbers"]
    assert numbers["width_mm"] == pytest.approx(SIZE[0], abs=0.4)  # type: ignore[index]
    assert numbers["height_mm"] == pytest.approx(SIZE[1], abs=0.4)  # type: ignore[index]
    assert error.max() < 3 * max(numbers["uncertainty_mm_95"])  # type: ignore[index]


def test_light_of_two_to_one_is_evened_to_one_percent(
    taken: tuple[Scene, Camera, np.ndarray, Path], rectified: tuple[Path, dict[str, object], str]
) -> None:
    """By the light rings round the dots, all of one tone; single rings scatter by noise, so their slope is judged."""
    light = to_linear(np.ascontiguousarray(tifffile.imread(rectified[0])), transfer_of(None)).mean(2)
    places = (taken[2] + np.array(SIZE) / 2) * (DPI / 25.4) - 0.5
    reach = round(3 * DPI / 25.4)
    rings = []
    for column, row in np.rint(places).astype(int):
        at = [(row + reach, column), (row - reach, column), (row, column + reach), (row, column - reach)]
        rings.append(np.mean([light[r - 1 : r + 2, c - 1 : c + 2].mean() for r, c in at]))
    rings_now = np.array(rings)
    x, y = ((taken[2] + np.array(SIZE) / 2) / SIZE).T
    design = np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])
    smooth = design @ np.linalg.lstsq(design, rings_now, rcond=None)[0]
    assert np.abs(smooth / smooth.mean() - 1).max() < 0.01
    (field,) = rectified[1]["numbers"]["light"]  # type: ignore[index]
    assert field["source"] == "board round the work" and 0.4 < field["uneven_before"] < 0.7


def test_the_file_says_what_it_is(rectified: tuple[Path, dict[str, object], str]) -> None:
    with tifffile.TiffFile(rectified[0]) as file:
        page = file.pages[0]
        assert page.dtype == np.uint16 and page.shape == (1050, 1500, 3)
        numerator, denominator = page.tags["XResolution"].value
        assert numerator / denominator == pytest.approx(DPI) and 34675 in page.tags
    record = json.loads(rectified[0].with_suffix(".json").read_text())
    assert record["numbers"]["dpi"] == DPI and record["inputs"] and record["outputs"]


def test_the_grade_names_its_table_and_only_what_was_measured(rectified: tuple[Path, dict[str, object], str]) -> None:
    grade = rectified[1]["numbers"]["grade"]  # type: ignore[index]
    assert grade["table"] == "FADGI 2016, Paintings and Other 2-D Art"
    figures = {one["figure"] for one in grade["figures"]}
    assert {"efficiency", "noise", "scale", "misregistration", "long_side"} <= figures
    assert not figures & {"tone", "white_balance", "color"}  # the print was not measured
    assert "FADGI 2016" in rectified[2] and "color: mean" not in rectified[2]


def test_blocks_do_not_matter(taken: tuple[Scene, Camera, np.ndarray, Path]) -> None:
    with opened([taken[3]]) as (photos, _):
        plane = survey_plane(photos, EXACT)
        photo = photos[0]
        source = FaceSource(photo.windows.window, photo.size, photo.transfer, 0, np.ones(3), None)
        job = FaceJob(plane.facing, plane.fit, DPI, 700, 900, 3, "uint16", (source,), None)
        whole = render(job, Box(0, 0, 512, 768))
        assert np.array_equal(render(job, Box(256, 512, 256, 256)), whole[256:512, 512:768])
        assert render(job, Box(512, 768, 256, 256)).shape == (188, 132, 3)


def test_a_blank_sheet_tells_the_light(taken: tuple[Scene, Camera, np.ndarray, Path], tmp_path: Path) -> None:
    scene, camera, _, path = taken
    sheet = np.full_like(scene.light, 0.8)
    blank = write(tmp_path / "blank.jpg", photograph(replace(scene, light=sheet), camera, np.random.default_rng(3)))
    settings = RectifySettings(50.0, EXACT, blank=blank, light="blank")
    record = rectify([path], tmp_path / "out.tif", settings, progress=aside)
    text = rectify_summary(record, tmp_path / "out.tif")
    (field,) = record["numbers"]["light"]
    assert field["source"] == "blank sheet" and field["left"] < 0.01 and "blank sheet" in text
    work = write(tmp_path / "not_blank.jpg", cv2.imread(str(path))[..., ::-1])
    with pytest.raises(BadSettings, match="does not show one even sheet"):
        rectify([path], tmp_path / "no.tif", replace(settings, blank=work), progress=aside)
    assert not (tmp_path / "no.tif").exists()


def test_shine_comes_from_the_other_photo(taken: tuple[Scene, Camera, np.ndarray, Path], tmp_path: Path) -> None:
    """The same cards, another place of the camera and of the shine."""
    scene, camera, dots, path = taken
    rng = np.random.default_rng(5)
    spot = np.zeros(scene.light.shape[:2], np.float32)
    middle = (np.array([40.0, -30.0]) - scene.origin) * DENSITY
    cv2.circle(spot, (int(middle[0]), int(middle[1])), round(12 * DENSITY), 1.0, -1)
    spot = cv2.GaussianBlur(spot, (0, 0), 3 * DENSITY)
    shining = replace(scene, light=scene.light + 3 * spot[..., None])
    first = write(tmp_path / "shining.jpg", photograph(shining, camera, rng))
    other = aimed(rng, size=PHOTO, field_mm=(520, 255), tilt_deg=12)
    second = tmp_path / "calm.jpg"
    seen = photograph(scene, replace(other, lens=camera.lens), rng)
    Image.fromarray(seen).save(second, quality=93, icc_profile=srgb_profile())
    alone = rectify([first], tmp_path / "alone.tif", RectifySettings(DPI, EXACT, light="none"), progress=aside)
    assert alone["numbers"]["burnt_out"] > 0.003 and alone["numbers"]["burnt_out_regions_mm"]
    region = alone["numbers"]["burnt_out_regions_mm"][0]
    place = (region["x"] + region["width"] / 2 - 150, region["y"] + region["height"] / 2 - 105)
    assert place == pytest.approx((40, -30), abs=3)
    both = rectify([first, second], tmp_path / "both.tif", RectifySettings(DPI, EXACT), progress=aside)
    text = rectify_summary(both, tmp_path / "both.tif")
    assert both["numbers"]["burnt_out"] == 0 and both["numbers"]["taken_from_other_photos"] > 0.005
    assert "without shine" in text
    assert "shining.jpg without a color profile counted as sRGB" in text
    error, _ = errors_of(tmp_path / "both.tif", dots)
    assert error.max() < WORST_MM  # a dot lies in the middle of the shine
    assert path.exists()


@pytest.fixture(scope="module")
def beside(tmp_path_factory: pytest.TempPathFactory) -> tuple[Camera, Path]:
    """A full card at the side of a work."""
    rng = np.random.default_rng(31)
    work, _ = painted(SIZE, DENSITY, rng)
    scene = scene_with_cards(work, DENSITY, laid_beside(SIZE, rng), margin=220, table=(0.2, 0.2, 0.2))
    camera = aimed(rng, size=PHOTO, field_mm=(720, 300), tilt_deg=20)
    return camera, write(tmp_path_factory.mktemp("beside") / "beside.jpg", photograph(scene, camera, rng))


def shape_error(plane: PlaneSurvey, camera: Camera) -> np.ndarray:
    """(4,) mm by which the work's corners lie elsewhere than in truth, shift and turn taken out."""
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array(SIZE) / 2
    got = plane_from_photo(plane.fit, 0, photo_from_scene(camera, corners))
    a = got - got.mean(0)
    turn = np.arctan2(np.sum(a[:, 0] * corners[:, 1] - a[:, 1] * corners[:, 0]), np.sum(a * corners))
    return np.hypot(*(placed(np.array([0, 0, turn]), a) - corners).T)


def test_one_card_at_the_side_states_what_it_cannot_know(beside: tuple[Camera, Path]) -> None:
    camera, path = beside
    with opened([path]) as (photos, _):
        plane = survey_plane(photos, EXACT)
        unmeasured = survey_plane(photos, Asked())
    assert np.all(shape_error(plane, camera) <= plane.uncertainty) and plane.uncertainty.max() < 2
    assert plane.own_edges and plane.facing.width == pytest.approx(SIZE[0], abs=1)
    assert unmeasured.uncertainty.max() > 1.5 * plane.uncertainty.max()


def test_a_size_beside_one_card_is_as_sure_as_it_was_read(beside: tuple[Camera, Path]) -> None:
    """Half a millimeter in width and height; as a measure of the print alone it leaves .84 mm."""
    camera, path = beside
    with opened([path]) as (photos, _):
        sized = survey_plane(photos, Asked(size_mm=(SIZE[0] + 0.4, SIZE[1] - 0.4)))
    assert np.all(shape_error(sized, camera) <= sized.uncertainty) and sized.uncertainty.max() < 0.75
    assert not sized.warnings


@pytest.fixture(scope="module")
def bare(tmp_path_factory: pytest.TempPathFactory) -> tuple[Camera, np.ndarray, Path]:
    """A work without any card."""
    rng = np.random.default_rng(41)
    work, dots = painted(SIZE, DENSITY, rng)
    scene = scene_with_cards(work, DENSITY, {}, margin=120, table=(0.1, 0.1, 0.12))
    camera = aimed(rng, size=PHOTO, field_mm=(340, 250), tilt_deg=15)
    path = tmp_path_factory.mktemp("bare") / "bare.jpg"
    return camera, dots, write(path, photograph(scene, camera, rng))


@pytest.mark.parametrize("picked", [False, True])
def test_the_size_of_the_work_serves_without_a_card(
    bare: tuple[Camera, np.ndarray, Path], tmp_path: Path, picked: bool
) -> None:
    camera, dots, path = bare
    corners = photo_from_scene(camera, np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array(SIZE) / 2)
    asked = Asked(size_mm=SIZE, corners=np.rint(corners) + PICKED_PX if picked else None)
    record = rectify([path], tmp_path / "out.tif", RectifySettings(DPI, asked), progress=aside)
    text = rectify_summary(record, tmp_path / "out.tif")
    error, scale = errors_of(tmp_path / "out.tif", dots)
    assert np.sqrt(np.mean(error**2)) < RMS_MM and error.max() < WORST_MM and abs(scale) < SCALE
    assert record["numbers"]["width_px"] == 1500 and "true rectangle" in text


def test_neither_card_nor_size(bare: tuple[Camera, np.ndarray, Path], tmp_path: Path) -> None:
    with pytest.raises(CardNotFound, match="shows no reference card"):
        rectify([bare[2]], tmp_path / "out.tif", RectifySettings(DPI), progress=aside)
    with pytest.raises(BadSettings, match="lies the other way"):
        rectify([bare[2]], tmp_path / "out.tif", RectifySettings(DPI, Asked(size_mm=SIZE[::-1])), progress=aside)


def test_a_scan_gets_its_true_scale_back(tmp_path: Path) -> None:
    """A canvas scanned at 200 dpi by a bed .4 % short across, with the full card beside the work."""
    rng = np.random.default_rng(51)
    work, dots = painted((120.0, 200.0), 8.0, rng)
    scene = scene_with_cards(work, 8.0, laid_beside((120.0, 200.0), rng), margin=215, table=(0.05, 0.05, 0.05))
    px = 200 / 25.4
    view = np.array([[0.996 * px, 0, 80 * px], [0, px, 150 * px], [0, 0, 1]])
    camera = Camera(round(370 * px), round(300 * px), view, Lens(0, 0, 1e4), blur=0.5, noise=0.003, jpeg=None)
    canvas = tmp_path / "canvas.tif"
    tifffile.imwrite(canvas, photograph(scene, camera, rng).astype(np.uint16) * 257, photometric="rgb")
    asked = replace(EXACT, scan=True)
    record = rectify([canvas], tmp_path / "out.tif", RectifySettings(DPI, asked, light="none"), progress=aside)
    numbers = record["numbers"]
    assert numbers["width_mm"] == pytest.approx(120, abs=0.1) and numbers["height_mm"] == pytest.approx(200, abs=0.1)
    light = to_linear(np.ascontiguousarray(tifffile.imread(tmp_path / "out.tif")), transfer_of(None)).mean(2)
    true = dots + np.array([60, 100])
    found = (find_dots(light, true * (DPI / 25.4) - 0.5, DPI / 25.4) + 0.5) * 25.4 / DPI
    spans = np.ptp(found, axis=0) / np.ptp(true, axis=0) - 1
    assert np.abs(spans).max() < 0.0005  # .004 before


@pytest.mark.parametrize(
    ("settings", "kind"),
    [
        (RectifySettings(DPI, Asked(printed_mm=(6.3, None))), BadSettings),
        (
            RectifySettings(DPI, replace(EXACT, corners=np.array([[0, 0], [9000, 0], [9000, 90], [0, 90.0]]))),
            BadSettings,
        ),
        (RectifySettings(DPI, EXACT, light="blank"), BadSettings),
        (RectifySettings(20000.0, EXACT), StitchbedError),
        (RectifySettings(DPI, replace(EXACT, raised_mm=20.0, scan=True)), BadSettings),
    ],
)
def test_settings_that_cannot_be(
    taken: tuple[Scene, Camera, np.ndarray, Path], tmp_path: Path, settings: RectifySettings, kind: type[StitchbedError]
) -> None:
    with pytest.raises(kind):
        rectify([taken[3]], tmp_path / "out.tif", settings, progress=aside)
    assert list(tmp_path.iterdir()) == []


def test_a_raised_work_is_smaller_than_the_cards_alone_say_and_marked(
    taken: tuple[Scene, Camera, np.ndarray, Path], rectified: tuple[Path, dict[str, object], str], tmp_path: Path
) -> None:
    numbers = rectified[1]["numbers"]
    each = numbers["too_large_mm_per_mm"]  # type: ignore[index]
    assert "if its face lies no higher than the cards. Each mm that it lies higher" in rectified[2]
    with opened([taken[3]]) as (photos, _):
        flat, high = (survey_plane(photos, replace(EXACT, raised_mm=mm)) for mm in (0.0, 20.0))
    assert flat.work.width - high.work.width == pytest.approx(20 * each, rel=0.05)
    assert high.scale_95 > 2 * flat.scale_95 and max(high.uncertainty) > 1.5 * max(flat.uncertainty)
    assert any("side faces" in warning for warning in high.warnings)


def test_the_photo_is_never_written_to(taken: tuple[Scene, Camera, np.ndarray, Path], tmp_path: Path) -> None:
    before = taken[3].read_bytes()
    link = tmp_path / "same.tif"
    link.symlink_to(taken[3])
    with pytest.raises(WouldTouchOriginal):
        rectify([taken[3]], link, RectifySettings(30.0, EXACT, light="none"), progress=aside)
    assert taken[3].read_bytes() == before
    with pytest.raises(BadSettings, match=r"\.tif"):
        rectify([taken[3]], tmp_path / "out.jpg", RectifySettings(30.0, EXACT), progress=aside)


def test_photos_that_do_not_belong_together(taken: tuple[Scene, Camera, np.ndarray, Path], tmp_path: Path) -> None:
    gray = tmp_path / "gray.png"
    cv2.imwrite(str(gray), cv2.imread(str(taken[3]), cv2.IMREAD_GRAYSCALE))
    wide = tmp_path / "wide.jpg"
    Image.fromarray(cv2.imread(str(taken[3]))[..., ::-1]).save(wide, icc_profile=profile_of("wide"))
    for other in (gray, wide):
        with pytest.raises(MixedTiles, match="another color profile"):
            rectify([taken[3], other], tmp_path / "out.tif", RectifySettings(DPI, EXACT), progress=aside)


def test_the_command(taken: tuple[Scene, Camera, np.ndarray, Path], tmp_path: Path) -> None:
    out = tmp_path / "out.tif"
    words = [str(taken[3]), "-o", str(out), "--dpi", "40", "--printed-mm", "160x160", "--margin", "5mm", "--bits", "8"]
    result = CliRunner().invoke(command, [*words, "--json", "--light", "card"], catch_exceptions=False)
    assert result.exit_code == 0
    record = json.loads(result.output)
    assert record["numbers"]["width_mm"] == pytest.approx(310, abs=0.5)
    assert record["numbers"]["light"][0]["source"] == "grays of the corner cards"
    assert tifffile.imread(out).dtype == np.uint8


def test_lengths_and_corners_in_words() -> None:
    assert printed_lines("159.6") == (159.6, None)
    assert printed_lines("159,6 x 160.1mm") == (159.6, 160.1)
    for words in ("six inches", "159.6x", ""):
        with pytest.raises(BadSettings):
            printed_lines(words)
    assert corner_points(("1,2", "30,2", "30,20.5", "1,20")).shape == (4, 2)
    for corners in (
        ("1,2", "30,2", "30,20", "a,b"),
        ("1,2", "30,20", "30,2", "1,20"),
        ("1,20", "30,20", "30,2", "1,2"),
    ):
        with pytest.raises(BadSettings):
            corner_points(corners)
    size = print_size((159.2, 160.8))
    assert (size.across, size.down) == pytest.approx((0.995, 1.005))


def test_cards_kept_in_the_result_are_seen_straight_on_and_evenly_lit(
    taken: tuple[Scene, Camera, np.ndarray, Path], tmp_path: Path
) -> None:
    settings = RectifySettings(DPI, replace(EXACT, keep_cards=True))
    record = rectify([taken[3]], tmp_path / "kept.tif", settings, progress=aside)
    assert record["numbers"]["width_mm"] > SIZE[0] + 150
    pixels = tifffile.imread(tmp_path / "kept.tif")
    cards, _ = find_cards((pixels[..., 1] >> 8).astype(np.uint8), "kept")
    assert len(cards) == 4
    for card in cards:
        assert card.square_px == pytest.approx(10 * DPI / 25.4, rel=SCALE)
    light = to_linear(np.ascontiguousarray(pixels), transfer_of(None)).mean(2)
    # the paper's light beside each card's fields, all printed on the same paper
    papers = [float(np.percentile(light[y - 4 : y + 5, x - 4 : x + 5], 50)) for x, y in map(paper_px, cards)]
    assert max(papers) / min(papers) < 1.06  # 2:1 before; the board ends where the cards do


def paper_px(card: SeenCard) -> tuple[int, int]:
    """px of the middle of a card's bare field, by its own corners."""
    design = np.column_stack([card.card_xy, np.ones(len(card.card_xy))])
    matrix = np.linalg.lstsq(design, card.photo_xy, rcond=None)[0]
    x, y = np.array([14.0, 63.0, 1.0]) @ matrix
    return round(x), round(y)


def test_the_error_of_a_work_whose_sides_are_doubtful_is_told_with_its_condition() -> None:
    numbers = {"own_edges": True, "cards": [1], "uncertainty_mm_95": [0.4, 0.57], "scale_uncertainty_95": 0.001}
    numbers["sides_doubtful"] = False
    record = {"numbers": numbers, "settings": {"asked": {"size_mm": None}}}
    assert _sure_line(record) == "Corners of the work lie within 0.57 mm (95 %); scale within 0.10 %."
    numbers["sides_doubtful"] = True
    assert "(95 %), if the sides found are its own (see the note); scale" in _sure_line(record)
