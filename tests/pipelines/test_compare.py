"""I check the advice on resolution against scans whose optics, noise and history are known.

The full study (10 sheets at four resolutions) is `bench_comparison.py`; here is a smaller sample.
"""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
import synthetic_captures as captures
import tifffile
from click.testing import CliRunner
from PIL import Image

from stitchbed.cli.commands.compare import command
from stitchbed.core.errors import BadSettings, Disconnected
from stitchbed.inspection.dpi import losses, same_sheet
from stitchbed.pipelines.compare import compare
from stitchbed.pipelines.texts.compare import summary as compare_summary

STEPS = (300, 600, 1200)
SIDE_MM = 19.0


def _scans(optics: captures.Optics, seed: int, steps: tuple[int, ...] = STEPS) -> dict[int, np.ndarray]:
    rng = np.random.default_rng(seed)
    sheet = captures.fine_sheet(SIDE_MM, 1)
    moved = [
        captures.Optics(optics.sigma_um, optics.noise, float(rng.uniform(-0.5, 0.5)), tuple(rng.uniform(-0.4, 0.4, 2)))
        for _ in steps
    ]
    return {dpi: captures.scan_at(sheet, dpi, one, rng) for dpi, one in zip(steps, moved, strict=True)}


@pytest.mark.parametrize("sigma_um", [8.0, 48.0, 95.0])
def test_advice_is_what_the_criterion_asks_of_the_noiseless_sheet(tmp_path: Path, sigma_um: float) -> None:
    optics = captures.Optics(sigma_um)
    record = compare(captures.write_steps(tmp_path, _scans(optics, 3)))
    text = compare_summary(record, None)
    true = captures.true_losses(captures.fine_sheet(SIDE_MM, 1), optics, STEPS, losses.PLACE_MM)
    right = min((step for step, share in true.items() if share <= losses.SHARE), default=max(STEPS))
    assert record["advised_dpi"] == right
    assert f"{right} dpi" in text
    assert record["interpolated"] == []
    assert record["detail_goes_on"] == (sigma_um == 8.0)
    assert record["criterion"]["noise"] == pytest.approx(optics.noise, rel=0.15)
    for part, share in zip(record["scans"], true.values(), strict=False):
        # the scans lie a little beside the truth, so other lines reach into the rim
        assert part["loses_share"] == pytest.approx(share, abs=0.04)


def test_a_screen_over_all_is_drawing_not_noise(tmp_path: Path) -> None:
    rng = np.random.default_rng(9)
    y, x = np.mgrid[0:1800, 0:1800] / 1200 * 25.4
    pitch = 25.4 / 100  # mm; 100 lines an inch, a usual screen (common practice, no source)
    tone = 0.5 + 0.3 * np.sin(x / 5) * np.cos(y / 7)
    dots = 0.5 + 0.25 * (np.cos(2 * np.pi * (x + y) / 1.414 / pitch) + np.cos(2 * np.pi * (x - y) / 1.414 / pitch))
    page = np.where(dots > tone, 0.05, 0.8).astype(np.float32)
    scans = {}
    for dpi in (150, 300, 600):
        side = 1800 * dpi // 1200
        seen = cv2.resize(cv2.GaussianBlur(page, (0, 0), 1.5), (side, side), interpolation=cv2.INTER_AREA)
        scans[dpi] = np.clip(255 * seen + rng.normal(0, 1.2, seen.shape), 0, 255).astype(np.uint8)
    record = compare(captures.write_steps(tmp_path, scans))
    assert record["advised_dpi"] == 600
    assert [part["loses_share"] > 0.9 for part in record["scans"][:2]] == [True, True]


def test_one_stranger_is_left_out_and_named(tmp_path: Path) -> None:
    scans = _scans(captures.Optics(40.0), 10, (300, 600))
    paths = captures.write_steps(tmp_path, scans)
    other = captures.scan_at(captures.fine_sheet(SIDE_MM, 2), 400, captures.Optics(40.0), np.random.default_rng(2))
    paths += captures.write_steps(tmp_path, {400: other})
    record = compare(paths)
    text = compare_summary(record, None)
    assert [part["dpi"] for part in record["scans"]] == [300, 600]
    assert "quay_400.tif is left out" in text
    assert "scan" not in text.split("quay_400.tif is left out")[1].split("or not")[1]  # nothing to scan again


@pytest.mark.parametrize("turn", [0.0, 3.0, 90.0, 181.0])
def test_scans_are_laid_on_each_other_however_they_lie(turn: float) -> None:
    rng = np.random.default_rng(11)
    sheet = captures.scan_at(captures.fine_sheet(SIDE_MM, 1), 600, captures.Optics(20.0), rng).astype(np.float32)
    middle = (sheet.shape[1] - 1) / 2
    true = cv2.getRotationMatrix2D((middle, middle), turn, 1.0) + np.array([[0, 0, 9.0], [0, 0, -14.0]])
    there = cv2.warpAffine(sheet, true, sheet.shape, borderValue=200.0, flags=cv2.INTER_AREA)
    half = cv2.resize(there, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    found = same_sheet.motion_between(same_sheet.View(sheet, 1, 600), same_sheet.View(half, 1, 300))
    assert found is not None
    ends = np.array([[40, 40, 1], [400, 60, 1], [210, 400, 1.0]]).T
    apart = (found @ ends)[:2] - ((true @ ends + 0.5) / 2 - 0.5)
    assert np.abs(apart).max() < 0.5


def test_made_up_resolution_is_named_and_not_believed(tmp_path: Path) -> None:
    scans = _scans(captures.Optics(20.0), 4, (300, 600))
    scans[1200] = cv2.resize(scans[600], None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    record = compare(captures.write_steps(tmp_path, scans))
    text = compare_summary(record, None)
    assert record["interpolated"] == ["quay_1200.tif"]
    assert record["advised_dpi"] == 600
    assert "interpolated" in text


def test_crops_show_the_same_places(tmp_path: Path) -> None:
    crops = tmp_path / "crops.png"
    record = compare(captures.write_steps(tmp_path, _scans(captures.Optics(30.0), 5, (300, 600))), crops)
    assert record["crops"] == str(crops)
    with Image.open(crops) as image:
        picture = np.asarray(image.convert("L"), np.float32)
    from stitchbed.inspection.dpi.crops import GAP, HEAD, SIDE

    assert picture.shape == (GAP + 3 * (SIDE + HEAD + GAP), GAP + 2 * (SIDE + GAP))
    for row in range(3):
        top = GAP + row * (SIDE + HEAD + GAP) + HEAD
        left, right = (picture[top : top + SIDE, GAP + k * (SIDE + GAP) :][:, :SIDE] for k in (0, 1))
        soft = [cv2.GaussianBlur(part, (0, 0), 4).ravel() for part in (left, right)]
        # the same drawing, up to half a degree of turn and the pixels of the lower scan
        assert np.corrcoef(soft)[0, 1] > 0.9


def test_ratios_of_size_and_time(tmp_path: Path) -> None:
    record = compare(captures.write_steps(tmp_path, _scans(captures.Optics(40.0), 6, (300, 600))))
    # facts of scanning: pixels grow with the square, time between once and twice per doubling of rows
    assert [(scan["size"], scan["time"]) for scan in record["scans"]] == [(1.0, [1.0, 1.0]), (4.0, [2.0, 4.0])]


def test_other_sheets_and_lone_scans_are_refused(tmp_path: Path) -> None:
    one = captures.write_steps(tmp_path / "a", _scans(captures.Optics(30.0), 7, (300,)))
    with pytest.raises(BadSettings):
        compare(one)
    other = captures.scan_at(captures.fine_sheet(SIDE_MM, 2), 600, captures.Optics(30.0), np.random.default_rng(1))
    with pytest.raises(Disconnected):
        compare([*one, *captures.write_steps(tmp_path / "b", {600: other})])
    silent = tmp_path / "silent.tif"
    tifffile.imwrite(silent, other, photometric="minisblack")
    with pytest.raises(BadSettings):
        compare([*one, silent])


def test_command_answers_in_json(tmp_path: Path) -> None:
    paths = captures.write_steps(tmp_path, _scans(captures.Optics(40.0), 8, (300, 600)))
    done = CliRunner().invoke(command, [*map(str, paths), "--json"])
    record = json.loads(done.stdout)
    assert done.exit_code == 0
    assert record["command"] == "compare"
    assert record["advised_dpi"] in (300, 600)
    assert CliRunner().invoke(command, []).exit_code == 2
