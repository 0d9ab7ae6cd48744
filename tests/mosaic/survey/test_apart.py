"""I check that what holds pieces apart is told: mirrored ones, groups something missing between, other sheets."""

from __future__ import annotations

from pathlib import Path

import joined
import numpy as np
import pytest
import tifffile
import truth

from stitchbed.core.errors import Disconnected
from stitchbed.imaging.transfer import transfer_of
from stitchbed.mosaic.survey.apart import numbering_gaps
from stitchbed.mosaic.survey.context import Kind, SurveyContext, SurveySettings, declared_dpi
from stitchbed.mosaic.survey.survey import Survey, survey
from stitchbed.reading.intake import take_in
from stitchbed.reading.shelf import Shelf

SHAPE = joined.SMALL  # rows, cols of a piece
STEP = 240  # px from piece to piece, of 360: a third overlaps


def _row(folder: Path, seeds: list[int], *, mirror: int | None = None, leave_out: int | None = None) -> list[Path]:
    """Pieces side by side, each of the sheet painted from its own seed."""
    width = STEP * (len(seeds) - 1) + SHAPE[1] + 40
    sheets = {seed: truth.paint_sheet(SHAPE[0] + 40, width, seed) for seed in set(seeds)}
    poses = [truth.pose(20 + 179.5 + STEP * k, 20 + 149.5, 0.3 * (-1) ** k, shape=SHAPE) for k in range(len(seeds))]
    folder.mkdir()
    paths = []
    for k, seed in enumerate(seeds):
        if k == leave_out:
            continue
        tile = truth.cut_tiles(sheets[seed], poses, shape=SHAPE, faults=truth.Faults(noise=0.004))[k]
        path = folder / f"scan_{k + 1:02d}.tif"
        pixels = tile.pixels[:, ::-1] if k == mirror else tile.pixels
        tifffile.imwrite(path, np.ascontiguousarray(pixels), resolution=(joined.DPI, joined.DPI), resolutionunit=2)
        paths.append(path)
    return paths


def _survey(paths: list[Path]) -> Survey:
    tiles, _ = take_in(paths)
    dpi, _ = declared_dpi(tiles, 300.0)
    with Shelf(tiles, 2**28) as shelf:
        return survey(
            SurveyContext(tuple(tiles), dpi, shelf, Kind(3, "uint8", None, transfer_of(None)), SurveySettings())
        )


def test_a_mirrored_piece_is_named(tmp_path: Path) -> None:
    paths = _row(tmp_path / "p", [3, 3, 3], mirror=2)
    with pytest.raises(Disconnected, match=r"scan_03\.tif is a mirrored picture"):
        _survey(paths)


def test_a_mirrored_piece_is_not_sought_by_its_grain(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple[str, str]] = []

    def none(_context: object, names: tuple[str, str], *_: object, **__: object) -> None:
        asked.append(names)

    monkeypatch.setattr("stitchbed.mosaic.survey.components.linked_closer", none)
    with pytest.raises(Disconnected, match=r"scan_01\.tif is a mirrored picture"):
        _survey(_row(tmp_path / "p", [3, 3, 3], mirror=0))
    assert not any("scan_01.tif" in names for names in asked)


def test_a_missing_middle_is_told_with_its_sides(tmp_path: Path) -> None:
    paths = _row(tmp_path / "p", [4, 4, 4, 4, 4], leave_out=2)
    with pytest.raises(Disconnected) as caught:
        _survey(paths)
    told = str(caught.value)
    assert "group 1" in told and "No piece is numbered 3" in told and ".." not in told


def test_a_piece_of_another_sheet_is_refused(tmp_path: Path) -> None:
    with pytest.raises(Disconnected, match=r"1 of 3 pieces could not be placed: scan_03\.tif"):
        _survey(_row(tmp_path / "p", [5, 5, 6]))


def _paper(folder: Path, *, line: bool) -> Path:
    """A piece of bare paper with some dust, or with one faint line on it."""
    rng = np.random.default_rng(8)
    paper = 238 + rng.normal(0, 1.5, (*SHAPE, 3))
    for x, y in rng.integers(30, 270, (6, 2)):
        paper[y : y + 3, x : x + 2] -= 90
    if line:
        paper[120:270, 150:153] -= 25
    path = folder / "scan_09.tif"
    pixels = np.clip(np.rint(paper), 0, 255).astype(np.uint8)
    tifffile.imwrite(path, pixels, photometric="rgb", resolution=(joined.DPI, joined.DPI), resolutionunit=2)
    return path


def test_a_piece_of_bare_paper_does_not_hold_the_others_up(tmp_path: Path) -> None:
    paths = _row(tmp_path / "p", [5, 5, 5])
    found = _survey([*paths, _paper(tmp_path, line=False)])
    assert sorted(found.layout.sheet_from_tile) == [path.name for path in paths]
    assert any("nothing but paper" in words and "scan_09.tif" in words for words in found.warnings)
    with pytest.raises(Disconnected, match=r"could not be placed: scan_09\.tif"):
        _survey([*paths, _paper(tmp_path, line=True)])


@pytest.mark.parametrize(
    ("names", "missing"),
    [
        (["scan_1.tif", "scan_2.tif", "scan_4.tif"], "3"),
        (["a07.png", "a09.png", "a12.png", "a13.png"], "8, 10 and 11"),
        (["scan_1.tif", "scan_2.tif", "scan_3.tif"], ""),
        (["left.tif", "right.tif", "mid.tif"], ""),
        (["a1.tif", "b2.tif", "c9.tif"], ""),
        (["p1.tif", "p100.tif", "p101.tif"], ""),
    ],
)
def test_gaps_in_the_numbering_are_seen(names: list[str], missing: str) -> None:
    assert numbering_gaps(names) == missing
