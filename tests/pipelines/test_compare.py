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
from stitchbed.inspection import resolution
from stitchbed.pipelines.compare import compare

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
def test_advice_is_the_step_the_true_spectrum_asks_for(tmp_path: Path, sigma_um: float) -> None:
    optics = captures.Optics(sigma_um)
    record, text = compare(captures.write_steps(tmp_path, _scans(optics, 3)))
    limit = captures.true_limit(captures.fine_sheet(SIDE_MM, 1), max(STEPS), optics)
    right = resolution.advised(STEPS, limit) or max(STEPS)
    assert record["advised_dpi"] == right
    assert f"{right} dpi" in text
    assert record["interpolated"] == []
    assert all(part["specks_per_cm2"] == 0 for part in record["scans"])
    assert record["detail_goes_on"] == (sigma_um == 8.0)
    if sigma_um != 8.0:
        # 15 %: the truth comes from most of the drawing, the measure from the fourteen busiest windows of it
        assert record["detail_per_mm"] == pytest.approx(limit, rel=0.15)


def test_made_up_resolution_is_named_and_not_believed(tmp_path: Path) -> None:
    scans = _scans(captures.Optics(20.0), 4, (300, 600))
    scans[1200] = cv2.resize(scans[600], None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    record, text = compare(captures.write_steps(tmp_path, scans))
    assert record["interpolated"] == ["quay_1200.tif"]
    assert record["advised_dpi"] == 600
    assert "interpolated" in text


def test_crops_show_the_same_places(tmp_path: Path) -> None:
    crops = tmp_path / "crops.png"
    record, _ = compare(captures.write_steps(tmp_path, _scans(captures.Optics(30.0), 5, (300, 600))), crops=crops)
    assert record["crops"] == str(crops)
    with Image.open(crops) as image:
        picture = np.asarray(image.convert("L"), np.float32)
    from stitchbed.inspection.crops import GAP, HEAD, SIDE

    assert picture.shape == (GAP + 3 * (SIDE + HEAD + GAP), GAP + 2 * (SIDE + GAP))
    for row in range(3):
        top = GAP + row * (SIDE + HEAD + GAP) + HEAD
        left, right = (picture[top : top + SIDE, GAP + k * (SIDE + GAP) :][:, :SIDE] for k in (0, 1))
        soft = [cv2.GaussianBlur(part, (0, 0), 4).ravel() for part in (left, right)]
        # the same drawing, up to half a degree of turn and the pixels of the lower scan
        assert np.corrcoef(soft)[0, 1] > 0.9


def test_ratios_of_size_and_time(tmp_path: Path) -> None:
    record, _ = compare(captures.write_steps(tmp_path, _scans(captures.Optics(40.0), 6, (300, 600))))
    # facts of scanning: pixels grow with the square, time between once and twice per doubling of rows
    assert [(r["size"], r["time"]) for r in record["ratios"]] == [(1.0, [1.0, 1.0]), (4.0, [2.0, 4.0])]


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
