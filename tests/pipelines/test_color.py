"""I correct pictures of charts and cards end to end, and make every mistake a user can make."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from click.testing import CliRunner
from synthetic_charts import LIGHTS, chart_picture, shown

from stitchbed.card.board import full_piece
from stitchbed.card.cgats import PatchTable, written
from stitchbed.card.chart24 import find_chart24, references24
from stitchbed.card.patches import read_patches
from stitchbed.card.sheet import _piece_shapes
from stitchbed.cli.commands.color import command
from stitchbed.color.cielab import de00, lab_from_xyz, xyz_from_lab
from stitchbed.color.profiles import profile_of, xyz_from_profile
from stitchbed.core.errors import BadSettings, CardNotFound, MixedTiles, UnreadableTile, WouldTouchOriginal
from stitchbed.drawing.raster import pixels_of
from stitchbed.drawing.shapes import CardPage
from stitchbed.imaging.transfer import srgb_decode, srgb_encode, transfer_of
from stitchbed.pipelines.color import ColorSettings, correct_color
from stitchbed.pipelines.texts.color import summary as color_summary

CHART = ColorSettings(card="24")
# A linear camera, light = XYZ @ MIXING, exposed so that white stays below full scale.
MIXING = 0.8 * np.array([[0.85, 0.2, 0.05], [0.15, 0.9, 0.2], [0.02, 0.1, 0.8]])


def aside(*_: object) -> None:
    """A progress function that draws nothing."""


def table_of(lab: dict[str, Sequence[float]], path: Path, keywords: dict[str, str] | None = None) -> Path:
    rows = tuple((name, *(f"{value:.4f}" for value in row)) for name, row in lab.items())
    path.write_text(written(PatchTable("CGATS.17", keywords or {}, ("SAMPLE_ID", "LAB_L", "LAB_A", "LAB_B"), rows)))
    return path


def measured24(folder: Path) -> Path:
    return table_of({str(n): list(row) for n, row in enumerate(shown("D65").lab, start=1)}, folder / "chart.txt")


def saved(pixels: np.ndarray, path: Path, icc: bytes | None = None) -> Path:
    extra = [(34675, 7, len(icc), icc, True)] if icc else []
    tifffile.imwrite(path, pixels, photometric="rgb", resolution=(300, 300), resolutionunit=2, extratags=extra)
    return path


@pytest.mark.parametrize("illuminant", LIGHTS)
def test_a_measured_chart_gives_true_color(illuminant: str, tmp_path: Path) -> None:
    """Promised: mean dE2000 of held-out patches at most 1.5, grays within 1.0, under daylight, a lamp, and an LED."""
    picture = saved(chart_picture(shown(illuminant).light, np.random.default_rng(1)), tmp_path / "seen.tif")
    settings = replace(CHART, patches=measured24(tmp_path), space="wide", table="prints")
    record = correct_color(picture, tmp_path / "true.tif", settings, progress=aside)
    text = color_summary(record, tmp_path / "true.tif")
    numbers = record["numbers"]
    assert numbers["de00_held_out"]["mean"] <= 1.5 < numbers["de00_before"]["mean"]
    assert numbers["figures"]["white_balance"] <= 1.0
    assert numbers["measured"] and numbers["grade"]["table"].startswith("FADGI 2016")
    assert "held out" in text and "dE2000" in text
    with tifffile.TiffFile(tmp_path / "true.tif") as file:
        page = file.pages[0]
        pixels, icc = page.asarray(), page.tags[34675].value
        assert pixels.dtype == np.uint16 and page.tags["XResolution"].value == (300, 1)
    assert icc == profile_of("wide")
    lab = read_back(pixels, icc)
    difference = de00(lab, shown("D65").lab)
    assert difference.mean() == pytest.approx(
        numbers["de00_after"]["mean"], abs=0.1
    )  # the file holds what was promised


def read_back(pixels: np.ndarray, icc: bytes) -> np.ndarray:
    """CIELAB of the 24 patches in a finished file, through its own profile."""
    places = find_chart24((pixels >> 8).astype(np.uint8))
    assert places is not None
    reading = read_patches(places, lambda box: pixels[box.slices], pixels.shape[:2], transfer_of(icc))
    return lab_from_xyz(reading.light @ xyz_from_profile(icc).T)


def test_an_edition_serves_where_nothing_was_measured(tmp_path: Path) -> None:
    lab = np.array(list(references24("from-2014").lab.values()))
    picture = saved(chart_picture(xyz_from_lab(lab) @ MIXING, np.random.default_rng(2)), tmp_path / "seen.tif")
    record = correct_color(picture, tmp_path / "t.tif", replace(CHART, edition="from-2014"), progress=aside)
    assert record["numbers"]["de00_held_out"]["mean"] < 0.7  # a linear camera; reading noise alone is left
    other = correct_color(picture, tmp_path / "u.tif", replace(CHART, edition="before-2014"), progress=aside)
    assert other["numbers"]["de00_held_out"]["mean"] > record["numbers"]["de00_held_out"]["mean"]


@pytest.fixture(scope="module")
def own_card(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The full card as a linear camera sees it, each patch printed off its nominal color; and the measured values."""
    folder = tmp_path_factory.mktemp("own")
    rng = np.random.default_rng(3)
    piece = full_piece()
    true = {
        patch.name: np.array(patch.lab) * [0.9, 0.8, 0.8] + rng.uniform(-2, 2, 3) + [5, 0, 0] for patch in piece.patches
    }
    page = CardPage(piece.width, piece.height, tuple(_piece_shapes(piece, 0, 0)))
    linear = (0.02 + 0.8 * srgb_decode(pixels_of(page, 120) / 255.0)) @ np.diag([0.8, 0.7, 0.5])
    scale = 120 / 25.4
    for patch in piece.patches:
        x, y, w, h = (round(v * scale) for v in (patch.x, patch.y, patch.width, patch.height))
        linear[y : y + h, x : x + w] = xyz_from_lab(true[patch.name]) @ MIXING
    seen = cv2.GaussianBlur(linear, (0, 0), 0.6)
    seen = seen + 0.003 * rng.standard_normal(seen.shape)
    picture = saved(np.rint(65535 * srgb_encode(np.clip(seen, 0, 1))).astype(np.uint16), folder / "own.tif")
    return picture, table_of({name: list(row) for name, row in true.items()}, folder / "card.txt")


def test_the_own_card_measured(own_card: tuple[Path, Path], tmp_path: Path) -> None:
    picture, table = own_card
    record = correct_color(picture, tmp_path / "t.tif", ColorSettings(patches=table), progress=aside)
    assert record["numbers"]["patches"] == 34
    assert record["numbers"]["de00_held_out"]["mean"] < 0.7


def test_the_own_card_unmeasured_claims_nothing(own_card: tuple[Path, Path], tmp_path: Path) -> None:
    record = correct_color(own_card[0], tmp_path / "t.tif", ColorSettings(table="prints"), progress=aside)
    text = color_summary(record, tmp_path / "t.tif")
    numbers = record["numbers"]
    assert numbers["measured"] is False and "de00_after" not in numbers and "grade" not in numbers
    assert "none is claimed" in text and "dE2000" not in text
    pixels = tifffile.imread(tmp_path / "t.tif")
    patch = next(p for p in full_piece().patches if p.name == "N1")
    scale = 120 / 25.4
    x, y = round((patch.x + 8) * scale), round((patch.y + 8) * scale)
    paper = srgb_decode(pixels[y - 15 : y + 15, x - 15 : x + 15].mean((0, 1)) / 65535)
    assert paper == pytest.approx(np.full(3, ((95 + 16) / 116) ** 3), rel=0.01)  # L* 95, neutral


def test_nominal_values_are_not_measured_ones(own_card: tuple[Path, Path], tmp_path: Path) -> None:
    nominal = table_of({p.name: p.lab for p in full_piece().patches}, tmp_path / "card.txt")
    with pytest.raises(BadSettings, match="nominal colors"):
        correct_color(own_card[0], tmp_path / "t.tif", ColorSettings(patches=nominal), progress=aside)


def test_a_reference_file_for_something_else(own_card: tuple[Path, Path], tmp_path: Path) -> None:
    other = table_of({f"Z{i}": (50, 0, 0) for i in range(30)}, tmp_path / "other.txt")
    with pytest.raises(BadSettings, match="knows 0 of the 34 patches"):
        correct_color(own_card[0], tmp_path / "t.tif", ColorSettings(patches=other), progress=aside)
    mixed = dict(
        zip([p.name for p in full_piece().patches], np.random.default_rng(1).uniform(-40, 90, (34, 3)), strict=True)
    )
    wrong = table_of({name: list(row) for name, row in mixed.items()}, tmp_path / "wrong.txt")
    with pytest.raises(BadSettings, match="do not fit"):
        correct_color(own_card[0], tmp_path / "t.tif", ColorSettings(patches=wrong), progress=aside)


@pytest.fixture(scope="module")
def grid(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, np.ndarray]:
    """Any chart: 8 x 12 patches with names A1 .. H12, its reference, and the corners of its field."""
    folder = tmp_path_factory.mktemp("grid")
    rng = np.random.default_rng(6)
    lab = np.column_stack([rng.uniform(20, 90, 96), rng.uniform(-30, 30, 96), rng.uniform(-30, 30, 96)])
    lab[::12, 1:] = 0
    light = (xyz_from_lab(lab) @ MIXING).reshape(8, 12, 3)
    flat = np.kron(light, np.ones((24, 24, 1)))
    framed = cv2.copyMakeBorder(flat, 40, 40, 40, 40, cv2.BORDER_CONSTANT, value=(0.3, 0.3, 0.3))
    framed += 0.003 * rng.standard_normal(framed.shape)
    picture = saved(np.rint(65535 * srgb_encode(np.clip(framed, 0, 1))).astype(np.uint16), folder / "grid.tif")
    names = [f"{row}{column:02d}" for row in "ABCDEFGH" for column in range(1, 13)]
    table = table_of({name: list(row) for name, row in zip(names, lab, strict=True)}, folder / "grid.txt")
    corners = np.array([[40, 40], [40 + 288, 40], [40 + 288, 40 + 192], [40, 40 + 192]]) - 0.5
    return picture, table, corners


def test_any_chart_by_its_corners(grid: tuple[Path, Path, np.ndarray], tmp_path: Path) -> None:
    picture, table, corners = grid
    settings = ColorSettings(card="chart", patches=table, corners=corners)
    record = correct_color(picture, tmp_path / "t.tif", settings, progress=aside)
    assert record["numbers"]["patches"] == 96 and record["numbers"]["de00_held_out"]["mean"] < 0.8


@pytest.mark.parametrize(
    ("order", "way"),
    [((2, 3, 0, 1), "upside down"), ((1, 0, 3, 2), "mirrored"), ((3, 2, 1, 0), "mirrored and upside down")],
)
def test_corners_the_wrong_way_round_are_named(
    grid: tuple[Path, Path, np.ndarray], tmp_path: Path, order: tuple[int, ...], way: str
) -> None:
    picture, table, corners = grid
    settings = ColorSettings(card="chart", patches=table, corners=corners[list(order)])
    with pytest.raises(BadSettings, match=f"lies {way}"):
        correct_color(picture, tmp_path / "t.tif", settings, progress=aside)


def test_burnt_out_patches(tmp_path: Path) -> None:
    picture = saved(chart_picture(3 * shown("D65").light, np.random.default_rng(1)), tmp_path / "bright.tif")
    with pytest.raises(BadSettings, match="burnt out or sunk"):
        correct_color(picture, tmp_path / "t.tif", replace(CHART, patches=measured24(tmp_path)), progress=aside)


def test_one_burnt_patch_is_left_out_and_named(tmp_path: Path) -> None:
    light = shown("D65").light.copy()
    light[18] = 1.2
    picture = saved(chart_picture(light, np.random.default_rng(1)), tmp_path / "one.tif")
    record = correct_color(picture, tmp_path / "t.tif", replace(CHART, patches=measured24(tmp_path)), progress=aside)
    text = color_summary(record, tmp_path / "t.tif")
    assert record["numbers"]["patches"] == 23 and "patch 19 was left out: clipped" in text


def test_a_mirrored_chart_and_none(tmp_path: Path) -> None:
    mirrored = chart_picture(shown("D65").light, np.random.default_rng(1))[:, ::-1]
    picture = saved(np.ascontiguousarray(mirrored), tmp_path / "mirrored.tif")
    with pytest.raises(CardNotFound, match="mirrored"):
        correct_color(picture, tmp_path / "t.tif", replace(CHART, patches=measured24(tmp_path)), progress=aside)
    blank = saved(np.full((300, 400, 3), 20000, np.uint16), tmp_path / "blank.tif")
    with pytest.raises(CardNotFound, match="no chart of 24"):
        correct_color(blank, tmp_path / "t.tif", replace(CHART, edition="from-2014"), progress=aside)
    with pytest.raises(CardNotFound, match="no reference card"):
        correct_color(blank, tmp_path / "t.tif", ColorSettings(), progress=aside)
    assert not (tmp_path / "t.tif").exists()


def test_a_chart_upside_down_reads_the_same(tmp_path: Path) -> None:
    """Turned by half a turn it is found all the same, first patch first; only a mirrored one is refused."""
    pixels = chart_picture(shown("D65").light, np.random.default_rng(6))
    settings = replace(CHART, patches=measured24(tmp_path))
    means = []
    for name, seen in (("up", pixels), ("down", np.ascontiguousarray(pixels[::-1, ::-1]))):
        record = correct_color(saved(seen, tmp_path / f"{name}.tif"), tmp_path / "t.tif", settings, progress=aside)
        means.append(record["numbers"]["de00_held_out"]["mean"])
    assert means[0] == pytest.approx(means[1], abs=0.05) and means[1] <= 1.5


def test_words_that_are_missing(grid: tuple[Path, Path, np.ndarray], tmp_path: Path) -> None:
    picture, table, corners = grid
    for settings in (
        CHART,
        ColorSettings(card="chart", patches=table),
        ColorSettings(card="chart", corners=corners),
        replace(CHART, patches=table),
    ):
        with pytest.raises(BadSettings):
            correct_color(picture, tmp_path / "t.tif", settings, progress=aside)
    gray = tmp_path / "gray.tif"
    tifffile.imwrite(gray, np.full((100, 100), 128, np.uint8))
    with pytest.raises(MixedTiles):
        correct_color(gray, tmp_path / "t.tif", CHART, progress=aside)
    with pytest.raises(WouldTouchOriginal):
        correct_color(picture, picture, ColorSettings(card="chart", patches=table, corners=corners), progress=aside)


@pytest.mark.parametrize("bits", [1, 12, 32])
def test_bits_that_are_not_written(bits: int, grid: tuple[Path, Path, np.ndarray], tmp_path: Path) -> None:
    """Not silently taken for 8; and light beyond white in floating point is refused in words by the reader."""
    picture, table, corners = grid
    settings = ColorSettings(card="chart", patches=table, corners=corners, bits=bits)
    with pytest.raises(BadSettings, match="bits"):
        correct_color(picture, tmp_path / "t.tif", settings, progress=aside)
    deep = tmp_path / "deep.tif"
    tifffile.imwrite(deep, np.full((100, 100, 3), 1.5, np.float32), photometric="rgb")
    with pytest.raises(UnreadableTile, match="floating point"):
        correct_color(deep, tmp_path / "t.tif", replace(settings, bits=16), progress=aside)
    assert not (tmp_path / "t.tif").exists()


def test_alpha_and_own_profile_stay(grid: tuple[Path, Path, np.ndarray], tmp_path: Path) -> None:
    """Space "same": the picture's own primaries and curve, its alpha untouched."""
    picture, table, corners = grid
    pixels = tifffile.imread(picture)
    alpha = np.tile(np.linspace(0, 65535, pixels.shape[1]).astype(np.uint16), (pixels.shape[0], 1))
    alpha[40:232, 40:328] = 65535
    icc = profile_of("wide")
    linear = srgb_decode(pixels / 65535.0) ** (1 / 2.2)
    both = np.dstack([np.rint(65535 * linear).astype(np.uint16), alpha])
    path = tmp_path / "alpha.tif"
    extra = [(34675, 7, len(icc), icc, True)]
    tifffile.imwrite(path, both, photometric="rgb", extrasamples=["unassalpha"], extratags=extra)
    record = correct_color(
        path, tmp_path / "t.tif", ColorSettings(card="chart", patches=table, corners=corners), progress=aside
    )
    with tifffile.TiffFile(tmp_path / "t.tif") as file:
        out = file.pages[0].asarray()
        assert file.pages[0].tags[34675].value == icc
    assert np.array_equal(out[..., 3], alpha)
    assert record["numbers"]["de00_held_out"]["mean"] < 0.8


def test_the_command(grid: tuple[Path, Path, np.ndarray], tmp_path: Path) -> None:
    picture, table, corners = grid
    points = [f"{x:.1f},{y:.1f}" for x, y in corners]
    out = tmp_path / "t.tif"
    words = [
        str(picture),
        "-o",
        str(out),
        "--card",
        "chart",
        "--patches",
        str(table),
        "--corners",
        *points,
        "--bits",
        "8",
    ]
    result = CliRunner().invoke(
        command, [*words, "--json", "--space", "srgb", "--fit", "matrix"], catch_exceptions=False
    )
    assert result.exit_code == 0
    record = json.loads(result.output)
    assert record["numbers"]["kind"] == "matrix" and tifffile.imread(out).dtype == np.uint8
    assert json.loads(out.with_suffix(".json").read_text())["outputs"] == record["outputs"]


def test_the_chart_may_lie_in_another_picture(grid: tuple[Path, Path, np.ndarray], tmp_path: Path) -> None:
    """A joined canvas without the chart, corrected by a scan of the chart made with the same settings."""
    picture, table, corners = grid
    pixels = tifffile.imread(picture)
    part = saved(np.ascontiguousarray(pixels[60:120, 60:200]), tmp_path / "canvas.tif")
    settings = ColorSettings(card="chart", patches=table, corners=corners)
    correct_color(picture, tmp_path / "whole.tif", settings, progress=aside)
    record = correct_color(part, tmp_path / "part.tif", replace(settings, chart_in=picture), progress=aside)
    assert np.array_equal(
        tifffile.imread(tmp_path / "part.tif"), tifffile.imread(tmp_path / "whole.tif")[60:120, 60:200]
    )
    assert len(record["inputs"]) == 2
    odd = saved(np.ascontiguousarray(pixels[60:120, 60:200]), tmp_path / "odd.tif", profile_of("wide"))
    with pytest.raises(MixedTiles, match="same settings"):
        correct_color(odd, tmp_path / "no.tif", replace(settings, chart_in=picture), progress=aside)


def test_paper_lit_more_than_the_chart_is_told_apart_from_strong_inks(
    grid: tuple[Path, Path, np.ndarray], tmp_path: Path
) -> None:
    """A quarter of the picture is paper a third lighter than white, a quarter an ink no screen shows."""
    picture, table, corners = grid
    light = np.full((40, 40, 3), 0.2)
    light[:20, :20] = 0.95
    light[20:, 20:] = (0.9, 0.05, 0.05)
    part = saved(np.rint(65535 * srgb_encode(np.clip(light, 0, 1))).astype(np.uint16), tmp_path / "canvas.tif")
    settings = ColorSettings(card="chart", patches=table, corners=corners, chart_in=picture)
    record = correct_color(part, tmp_path / "t.tif", settings, progress=aside)
    numbers = record["numbers"]
    assert (numbers["out_of_space"], numbers["lighter_than_white"]) == (0.5, 0.25)
    assert "25.00 % of the pixels came out lighter than white" in color_summary(record, tmp_path / "t.tif")
    assert "25.00 % of the pixels lie outside" in color_summary(record, tmp_path / "t.tif")
