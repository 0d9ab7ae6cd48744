"""I check the whole job: pieces in, one canvas out, true in shape and tone, the same bytes however it was made."""

from __future__ import annotations

import json
import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile
import tolerances as tol
import truth
import verdict
from joined import DPI, QUICK, SHAPE, SMALL, Joined, grayed, hashes_of, join_files, join_set, pair, write_piece
from scipy import ndimage

import stitchbed
from stitchbed.core.errors import Disconnected
from stitchbed.core.files import MADE
from stitchbed.mosaic.result import render_rows as rendering
from stitchbed.mosaic.survey.context import SurveySettings
from stitchbed.pipelines.join import join as pipeline


def _judged(made: Joined) -> verdict.Verdict:
    """The canvas against truth."""
    return verdict.judge(made.canvas, made.record, made.sheet, made.tiles)


def _with_survey(**changes: object) -> stitchbed.JoinSettings:
    return replace(QUICK, survey=replace(SurveySettings(), **changes))


# --- true in shape and tone ---


@pytest.fixture(scope="module")
def seen_real(real: Joined) -> verdict.Verdict:
    """The real set against truth."""
    return _judged(real)


def test_a_real_set_is_true_in_shape(real: Joined, seen_real: verdict.Verdict) -> None:
    seen = seen_real
    assert seen.covered >= 0.999 and len(seen.at) > 5000
    assert tol.REAL_RMS[0] < seen.rms < tol.REAL_RMS[1]
    assert seen.p99 < tol.REAL_P99
    assert verdict.corner_miss(real.record, real.tiles) < tol.REAL_CORNER


def test_a_real_set_is_even_in_tone(real: Joined, seen_real: verdict.Verdict) -> None:
    """Away from dust no neighbor could see, light is that of the sheet up to one gain per channel."""
    seen = seen_real
    clear = ~verdict.near_dust(real.tiles, seen, 26)
    rest = np.abs(seen.tone - 1)[clear & np.isfinite(seen.tone).all(2)]
    assert np.percentile(rest, 95) < tol.REAL_TONE_P95 and rest.max() < tol.REAL_TONE_WORST


def test_planted_lift_is_found(real: Joined) -> None:
    """The marked cells lie in the outer zone of their piece; every piece that lifts is named."""
    lifting = {Path(row["tile"]).stem for row in real.record["lift"]}
    assert lifting == {tile.name for tile in real.tiles if tile.lifted.any()}
    away = []
    for tile in real.tiles:
        far = ndimage.distance_transform_edt(~tile.lifted)
        mine = [row for row in real.record["lift"] if Path(row["tile"]).stem == tile.name]
        away += [far[min(int(row["y"]), SHAPE[0] - 1), min(int(row["x"]), SHAPE[1] - 1)] for row in mine]
    assert np.percentile(away, 95) < tol.LIFT_REACH_PX


def test_what_is_replaced_was_dust(real: Joined, seen_real: verdict.Verdict) -> None:
    """Every speck taken from a neighbor lies on a grain; how many are found is not asked, some are 1.5 mm long."""
    grains = verdict.near_dust(real.tiles, seen_real, 4)
    spots = real.record["dust"]["spots"]
    assert 1 <= len(spots) == real.record["dust"]["replaced"]
    assert all(grains[round(spot["y"]), round(spot["x"])] for spot in spots)


def test_the_canvas_keeps_depth_profile_and_dpi(real: Joined) -> None:
    with tifffile.TiffFile(real.canvas) as file:
        page = file.pages[0]
        assert page.dtype == np.uint16 and page.iccprofile == truth.SRGB and page.is_tiled
        assert page.tags[282].value == (100, 1) and page.tags[283].value == (100, 1) and page.tags[296].value == 2
        assert page.shape[:2] == (real.record["canvas"]["height"], real.record["canvas"]["width"])
        assert len(page.pages) >= 1  # reduced views inside


def test_the_record_tells_all(real: Joined) -> None:
    record = json.loads(real.canvas.with_suffix(".json").read_text())
    assert {row["name"]: row["sha256"] for row in record["inputs"]} == dict(
        zip((path.name for path in real.paths), real.hashes, strict=True)
    )
    assert [row["tile"] for row in record["placements"]] == [path.name for path in real.paths]
    assert all(np.array(row["canvas_from_tile"]).shape == (3, 3) for row in record["placements"])
    assert {step["step"] for step in record["steps"]} >= {
        "look",
        "links",
        "layout",
        "measure",
        "plan",
        "render",
        "write",
    }
    assert all(step["seconds"] >= 0 for step in record["steps"])
    assert len(record["gains"]) == 6 and record["versions"]["stitchbed"] == stitchbed.__version__
    assert not any(row["dropped"] for row in record["links"]) and len(record["links"]) >= 7
    assert all(row["rms_px"] < 0.3 for row in record["links"] if row["rms_px"] is not None)
    assert len(record["residuals"]) > 200 and record["command"] == "join"


def test_originals_are_read_only_and_as_they_were(real: Joined, turned: Joined) -> None:
    for made in (real, turned):
        assert hashes_of(made.paths) == made.hashes
        assert all(path.stat().st_mode & 0o222 == 0 for path in made.paths)
        assert sorted(path.name for path in made.paths[0].parent.iterdir()) == sorted(p.name for p in made.paths)


def test_nothing_is_left_beside_the_canvas(real: Joined) -> None:
    assert sorted(path.name for path in real.canvas.parent.iterdir()) == [
        MADE,
        "canvas.json",
        "canvas.residuals.png",
        "canvas.seams.png",
        "canvas.tif",
        "pieces",
    ]


def test_turned_pieces_are_true_in_shape_and_tone(turned: Joined) -> None:
    """Upside down, sideways and askew, of a flawless scanner: hardly more than one resampling is left."""
    seen = _judged(turned)
    assert seen.rms < tol.CLEAN_RMS and seen.p99 < tol.CLEAN_P99
    assert seen.tone_p95 < tol.CLEAN_TONE_P95
    turns = {row["tile"]: row["rotation_deg"] for row in turned.record["placements"]}
    upright = turns["piece_01.tif"] - 0.4
    assert turns["piece_02.tif"] - upright == pytest.approx(180, abs=0.02)
    assert turns["piece_03.tif"] - upright == pytest.approx(90.5, abs=0.02)
    assert turns["piece_04.tif"] - upright == pytest.approx(-33, abs=0.02)


def test_a_clean_set_is_left_alone(turned: Joined) -> None:
    """No gain, no shading, no dust where there is none to find; what nobody saw is transparent and said so."""
    for row in turned.record["gains"]:
        assert np.abs(np.array(row["gain"]) - 1).max() < tol.CLEAN_GAIN
    assert turned.record["dust"]["replaced"] == 0
    assert any("seen by no piece" in warning for warning in turned.record["warnings"])
    assert turned.record["canvas"]["alpha"] is True


# --- mixed kinds ---


def test_gray_and_color_eight_and_sixteen_bits_and_another_dpi_go_together(tmp_path: Path) -> None:
    """Promoted to RGB and 16 bits; a piece of 150 dpi, declared, is as large as it is; one says nothing at all."""
    sheet = truth.paint_sheet(640, 840, 4)
    poses = [truth.pose(250, 200, 0.3), truth.pose(580, 205, 180.4), truth.pose(255, 435, -0.5)]
    tiles = truth.cut_tiles(sheet, poses, dtype="uint16")
    finer = truth.pose(570, 450, 1.0, shape=(600, 750), scale=2 / 3)
    fine = replace(truth.cut_tiles(sheet, [finer], shape=(600, 750))[0], name="piece_04")
    folder = tmp_path / "pieces"
    paths = [
        write_piece(folder / "piece_01.tif", tiles[0].pixels, DPI),
        write_piece(folder / "piece_02.tif", grayed(tiles[1].pixels, "uint8"), None),
        write_piece(folder / "piece_03.tif", grayed(tiles[2].pixels, "uint16"), DPI),
        write_piece(folder / "piece_04.tif", fine.pixels, 150.0),
    ]
    made = join_files(tmp_path, sheet, [*tiles, fine], paths)
    canvas = tifffile.imread(made.canvas)
    assert canvas.dtype == np.uint16 and canvas.shape[2] in (3, 4)
    assert any("piece_02.tif: no dpi in the file; 100 dpi taken" in warning for warning in made.record["warnings"])
    assert any(
        warning.startswith("scanned in gray, while other pieces have color: piece_02.tif, piece_03.tif.")
        for warning in made.record["warnings"]
    )
    gray = replace(made, sheet=np.repeat(sheet.mean(axis=2, keepdims=True), 3, axis=2))
    seen = _judged(gray)
    assert seen.rms < 2 * tol.CLEAN_RMS and seen.p99 < 2 * tol.CLEAN_P99
    reference = {"piece_04.tif": 2 / 3}
    home = made.record["reference"]
    for row in made.record["placements"]:
        expected = reference.get(row["tile"], 1.0) / reference.get(home, 1.0)
        assert row["scale"] == pytest.approx(expected, abs=5e-4)


@pytest.mark.parametrize("factor", [1.02, 0.72, 3.0])
def test_a_wrong_dpi_is_doubted_and_the_picture_believed(tmp_path: Path, factor: float) -> None:
    """A little wrong, and grossly wrong: declared dpi is a first guess, not a truth."""
    sheet, tiles = pair(5)
    paths = [
        write_piece(tmp_path / "p" / f"{tile.name}.tif", tile.pixels, dpi, truth.SRGB)
        for tile, dpi in zip(tiles, (DPI, factor * DPI), strict=True)
    ]
    made = join_files(tmp_path, sheet, tiles, paths)
    doubts = [warning for warning in made.record["warnings"] if "the file's dpi does not fit its picture" in warning]
    assert len(doubts) == 1 and doubts[0].startswith("piece_02.tif") and made.record["canvas"]["dpi"] == DPI
    assert _judged(made).rms < 2 * tol.CLEAN_RMS


def test_most_pieces_decide_what_the_dpi_is(tmp_path: Path) -> None:
    """The piece in the middle, on which the sheet's frame rests, is the one that is wrong."""
    sheet, tiles = truth.make_set(1, 3, seed=5, shape=SMALL)
    paths = [
        write_piece(tmp_path / "p" / f"{tile.name}.tif", tile.pixels, dpi, truth.SRGB)
        for tile, dpi in zip(tiles, (DPI, 1.5 * DPI, DPI), strict=True)
    ]
    made = join_files(tmp_path, sheet, tiles, paths)
    doubts = [warning for warning in made.record["warnings"] if "the file's dpi does not fit its picture" in warning]
    assert len(doubts) == 1 and doubts[0].startswith("piece_02.tif") and made.record["canvas"]["dpi"] == DPI
    assert _judged(made).rms < 2 * tol.CLEAN_RMS


def test_without_any_dpi_a_default_is_taken_and_said(tmp_path: Path) -> None:
    sheet, tiles = pair(6)
    paths = [write_piece(tmp_path / "p" / f"{tile.name}.tif", tile.pixels, None) for tile in tiles]
    made = join_files(tmp_path, sheet, tiles, paths)
    assert any("no dpi in the file; 75 dpi taken" in warning for warning in made.record["warnings"])  # pieces of 500 px
    assert made.record["canvas"]["dpi"] == 75 and _judged(made).rms < 2 * tol.CLEAN_RMS
    said = stitchbed.join(paths, tmp_path / "said.tif", replace(QUICK, dpi=DPI))
    assert said["canvas"]["dpi"] == DPI and not any("no dpi" in warning for warning in said["warnings"])


def test_gray_pieces_with_a_gray_profile_stay_gray(tmp_path: Path) -> None:
    sheet, tiles = pair(7)
    paths = [write_piece(tmp_path / "p" / f"{t.name}.tif", grayed(t.pixels, "uint8"), DPI) for t in tiles]
    made = join_files(tmp_path, sheet, tiles, paths, replace(QUICK, outside="paper"))
    canvas = tifffile.imread(made.canvas)
    assert canvas.ndim == 2 and canvas.dtype == np.uint8 and made.record["canvas"]["channels"] == 1


# --- a single piece ---


@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize(("height", "width"), [(61, 83), (1030, 517)])
def test_a_single_piece_passes_bit_for_bit(tmp_path: Path, dtype: str, channels: int, height: int, width: int) -> None:
    shape = (height, width) if channels == 1 else (height, width, 3)
    pixels = np.random.default_rng(1).integers(0, np.iinfo(dtype).max + 1, shape, dtype=dtype)
    icc = truth.SRGB if channels == 3 else None
    path = write_piece(tmp_path / "p" / "only.tif", pixels, 240.0, icc)
    record = stitchbed.join([path], tmp_path / "canvas.tif", QUICK)
    with tifffile.TiffFile(tmp_path / "canvas.tif") as file:
        page = file.pages[0]
        assert np.array_equal(page.asarray(), pixels) and page.dtype == pixels.dtype
        assert page.tags[282].value == (240, 1) and page.tags[296].value == 2
        assert page.iccprofile == icc if icc else 34675 not in page.tags
    assert record["canvas"]["alpha"] is False and record["warnings"] == []


def test_a_single_piece_comes_out_as_png_and_jpeg(tmp_path: Path) -> None:
    pixels = np.random.default_rng(1).integers(0, 256, (70, 90, 3), dtype=np.uint8)
    path = write_piece(tmp_path / "p" / "only.tif", pixels, DPI, truth.SRGB)
    for name in ("c.png", "c.jpg", "c.JPEG"):
        stitchbed.join([path], tmp_path / name, QUICK)
    light, seen = verdict.read_light(tmp_path / "c.png")
    assert light.shape == (70, 90, 3) and seen.all()
    assert (tmp_path / "c.jpg").read_bytes() == (tmp_path / "c.JPEG").read_bytes()


# --- the same bytes ---


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Joined:
    """Four small pieces with faults, one upside down, a canvas of two rows of blocks."""
    folder = tmp_path_factory.mktemp("base")
    sheet = truth.paint_sheet(1080, 420, 8)
    poses = [truth.pose(182 + 20 * (k % 2), 152 + 194 * k, 180.0 * (k == 1) + 0.3 * k, shape=SMALL) for k in range(5)]
    tiles = truth.cut_tiles(sheet, poses, shape=SMALL, faults=truth.Faults(gain=0.02, noise=0.004), dtype="uint16")
    return join_set(folder, sheet, tiles)


def _again(
    base: Joined, tmp_path: Path, settings: stitchbed.JoinSettings, paths: Sequence[Path] | None = None
) -> bytes:
    stitchbed.join(base.paths if paths is None else paths, tmp_path / "canvas.tif", settings)
    return (tmp_path / "canvas.tif").read_bytes()


def test_the_base_canvas_has_two_rows(base: Joined) -> None:
    assert base.record["canvas"]["height"] > 1024
    assert _judged(base).rms < 3 * tol.CLEAN_RMS


def test_threads_change_no_byte(base: Joined, tmp_path: Path) -> None:
    assert _again(base, tmp_path, replace(QUICK, workers=2)) == base.canvas.read_bytes()


def test_order_and_names_of_folders_change_no_byte(base: Joined, tmp_path: Path) -> None:
    shuffled = [base.paths[k] for k in (3, 0, 4, 2, 1)]
    assert _again(base, tmp_path, QUICK, shuffled) == base.canvas.read_bytes()


@pytest.mark.parametrize("memory", [2**23, 2**33])
def test_memory_changes_no_byte(base: Joined, tmp_path: Path, memory: int) -> None:
    assert _again(base, tmp_path, replace(QUICK, memory=memory), [base.paths[0].parent]) == base.canvas.read_bytes()


def test_a_job_that_was_stopped_goes_on_where_it_was(
    base: Joined, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stopped after the first row of blocks: the second run renders the rest only, and ends in the same bytes."""
    settings = replace(QUICK, keep_job=True)
    write, kept = rendering.write_row, []

    def stop_after_one(folder: Path, row: int, *rest: object) -> None:
        if kept:
            raise KeyboardInterrupt
        write(folder, row, *rest)  # type: ignore[arg-type]
        kept.append(row)

    monkeypatch.setattr(rendering, "write_row", stop_after_one)
    with pytest.raises(KeyboardInterrupt):
        stitchbed.join(base.paths, tmp_path / "canvas.tif", settings)
    assert kept == [0] and not (tmp_path / "canvas.tif").exists()
    monkeypatch.undo()
    record = stitchbed.join(base.paths, tmp_path / "canvas.tif", settings)
    taken = next(step["numbers"] for step in record["steps"] if step["step"] == "render")
    assert taken["rows_taken_from_an_earlier_run"] == 1
    assert (tmp_path / "canvas.tif").read_bytes() == base.canvas.read_bytes()
    # and once more, with everything kept but the canvas itself
    (tmp_path / "canvas.tif").unlink()
    again = stitchbed.join(base.paths, tmp_path / "canvas.tif", replace(settings, keep_job=True))
    assert next(s["numbers"] for s in again["steps"] if s["step"] == "render")["rows_taken_from_an_earlier_run"] == 2
    assert (tmp_path / "canvas.tif").read_bytes() == base.canvas.read_bytes()
    assert again["placements"] == base.record["placements"]


@pytest.fixture(scope="module")
def kept_job(base: Joined, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What a join of the same pieces keeps when it is told to, without its canvas."""
    folder = tmp_path_factory.mktemp("kept")
    stitchbed.join(base.paths, folder / "canvas.tif", replace(QUICK, keep_job=True))
    (folder / "canvas.tif").unlink()
    return folder


@pytest.mark.parametrize("damage", ["one bit", "emptied", "zeros", "swapped", "plan", "plan of a bit less"])
def test_what_is_kept_is_not_believed_by_its_name(base: Joined, kept_job: Path, tmp_path: Path, damage: str) -> None:
    """Rows and plan that a power cut or a bad disk spoiled are made anew: the same bytes as ever."""
    settings = replace(QUICK, keep_job=True)
    shutil.copytree(kept_job, tmp_path, dirs_exist_ok=True)
    job = tmp_path / ".canvas.tif.job"
    rows, (plan,) = sorted(job.glob("*/row-*")), list(job.glob("*.plan"))
    first, second = (row.read_bytes() for row in rows)
    middle = len(first) // 2
    if damage == "one bit":
        rows[0].write_bytes(first[:middle] + bytes([first[middle] ^ 1]) + first[middle + 1 :])
    elif damage == "emptied":
        rows[0].write_bytes(b"")
    elif damage == "zeros":
        rows[0].write_bytes(first[:middle] + bytes(len(first) - middle))
    elif damage == "swapped":
        rows[0].write_bytes(second)
        rows[1].write_bytes(first)
    else:
        plan.write_bytes(b"" if damage == "plan" else plan.read_bytes()[:-1])
    again = stitchbed.join(base.paths, tmp_path / "canvas.tif", settings)
    assert (tmp_path / "canvas.tif").read_bytes() == base.canvas.read_bytes()
    taken = next(s["numbers"] for s in again["steps"] if s["step"] == "render")["rows_taken_from_an_earlier_run"]
    assert taken == (2 if damage.startswith("plan") else 0 if damage == "swapped" else 1)


def test_another_piece_is_another_job(base: Joined, tmp_path: Path) -> None:
    """What an earlier run left behind is not taken for a changed input."""
    folder = tmp_path / "p"
    shutil.copytree(base.paths[0].parent, folder)
    paths = sorted(folder.iterdir())
    stitchbed.join(paths[:2], tmp_path / "canvas.tif", replace(QUICK, keep_job=True))
    first = tifffile.imread(tmp_path / "canvas.tif")
    pixels = tifffile.imread(paths[1])
    paths[1].chmod(0o644)
    write_piece(paths[1], (pixels * 0.8).astype(pixels.dtype), DPI, truth.SRGB)
    record = stitchbed.join(paths[:2], tmp_path / "canvas.tif", replace(QUICK, keep_job=True))
    assert next(s["numbers"] for s in record["steps"] if s["step"] == "render")["rows_taken_from_an_earlier_run"] == 0
    assert not np.array_equal(tifffile.imread(tmp_path / "canvas.tif"), first)


# --- what cannot be joined ---


def _two_sheets(folder: Path) -> list[Path]:
    first = truth.write_set(folder / "p", pair(11)[1], DPI)
    second = truth.write_set(folder / "q", pair(12)[1], DPI)
    return first + [path.rename(path.with_name(f"other_{path.name}")) for path in second]


def test_two_sheets_in_one_folder_are_told_apart(tmp_path: Path) -> None:
    with pytest.raises(Disconnected) as caught:
        stitchbed.join(_two_sheets(tmp_path), tmp_path / "canvas.tif", QUICK)
    text = str(caught.value)
    assert "2 groups" in text
    groups = [part.split(")")[0] for part in text.split("group ")[1:]]
    named = [{name for name in ("piece_01.tif", "piece_02.tif", "other_piece_01.tif", "other_piece_02.tif")
              if f" {name}" in f" {group}".replace(",", "").replace(";", "")} for group in groups]  # fmt: skip
    assert {"piece_01.tif", "piece_02.tif"} in named and {"other_piece_01.tif", "other_piece_02.tif"} in named
    assert not (tmp_path / "canvas.tif").exists()


@pytest.fixture(scope="module")
def alien(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Two pieces that belong together and one that does not."""
    folder = tmp_path_factory.mktemp("alien") / "p"
    paths = truth.write_set(folder, pair(13)[1], DPI)
    stray = truth.cut_tiles(truth.paint_sheet(*SMALL, 14), [truth.pose(179.5, 149.5, 0, shape=SMALL)], shape=SMALL)
    return [*paths, write_piece(folder / "stray.tif", stray[0].pixels, DPI, truth.SRGB)]


def test_an_alien_piece_is_named_with_what_was_tried(alien: list[Path], tmp_path: Path) -> None:
    with pytest.raises(Disconnected) as caught:
        stitchbed.join(alien, tmp_path / "canvas.tif", QUICK)
    text = str(caught.value)
    assert "1 of 3 pieces could not be placed: stray.tif" in text
    assert "stray.tif was tried with piece_0" in text and "candidate matches" in text
    assert "scan the named pieces again" in text and "--allow-missing" in text
    assert list(tmp_path.iterdir()) == []


def test_the_rest_is_written_when_that_is_wanted(alien: list[Path], tmp_path: Path) -> None:
    record = stitchbed.join(alien, tmp_path / "canvas.tif", _with_survey(allow_missing=True))
    assert any("left out, not placed: stray.tif" in warning for warning in record["warnings"])
    assert [row["tile"] for row in record["placements"]] == ["piece_01.tif", "piece_02.tif"]
    alone = stitchbed.join(alien[:2], tmp_path / "alone.tif", QUICK)
    assert np.array_equal(tifffile.imread(tmp_path / "canvas.tif"), tifffile.imread(tmp_path / "alone.tif"))
    assert [row["name"] for row in record["inputs"]] == ["piece_01.tif", "piece_02.tif", "stray.tif"]
    assert alone["placements"] == record["placements"]


def test_the_same_file_twice_counts_once(tmp_path: Path) -> None:
    paths = truth.write_set(tmp_path / "p", pair(15)[1], DPI)
    double = tmp_path / "p" / "piece_02_copy.tif"
    shutil.copy(paths[1], double)
    record = stitchbed.join([*paths, double], tmp_path / "canvas.tif", QUICK)
    assert len(record["inputs"]) == 2 and any("is the same as" in warning for warning in record["warnings"])


def test_pieces_of_one_size_only_are_no_condition(tmp_path: Path) -> None:
    """A small piece in the middle of a large one, and one that only touches it by a corner strip."""
    sheet = truth.paint_sheet(640, 760, 16)
    large = truth.cut_tiles(sheet, [truth.pose(250, 200, 0)], shape=SHAPE)
    small = truth.cut_tiles(sheet, [truth.pose(560, 330, 2.0, shape=(360, 300))], shape=(360, 300))
    tiles = [large[0], replace(small[0], name="piece_02")]
    made = join_set(tmp_path, sheet, tiles)
    assert _judged(made).rms < 3 * tol.CLEAN_RMS


def test_the_front_door_of_the_package_leads_to_the_pipeline() -> None:
    assert stitchbed.join is pipeline and stitchbed.PIPELINES["join"]
