"""I check that a join tells of pieces that are to be scanned again for what each is by itself, and of no others."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import synthetic_captures as captures

from stitchbed.core.arrays import Array
from stitchbed.core.errors import Disconnected
from stitchbed.core.progress import silent
from stitchbed.imaging.transfer import to_linear, transfer_of
from stitchbed.inspection.checks.pieces import clipped_finding, cut_off_finding, few_tones_finding
from stitchbed.inspection.sensor.bands import Banded
from stitchbed.mosaic.photometry.gain_compensation import no_gain
from stitchbed.mosaic.survey.context import Kind, SurveyContext, SurveySettings
from stitchbed.pipelines.scanning.own_faults import (
    BLACK_DRAWN,
    light_faults,
    own_faults,
    seen_alone,
    together,
    unlike_most,
)
from stitchbed.reading.intake import take_in
from stitchbed.reading.shelf import Shelf

ASIDE = 20  # px


def _spoiled(light: Array, fault: str, most: int) -> Array:
    """Stored values of a piece with a fault."""
    rng = np.random.default_rng(5)
    if fault == "noise":
        return light + rng.normal(0, 0.03 * most, light.shape)
    if fault == "black":
        low = float(np.percentile(light, 20))
        return np.asarray((light - low) * most / (most - low))
    if fault == "ended":
        light[round(0.9 * len(light)) :] = 0
    return light


def _told(folder: Path, fault: str, places: dict[str, Array] | None = None) -> list[str]:
    one = captures.good_set(4)[0]
    most, rng = int(np.iinfo(one.pixels.dtype).max), np.random.default_rng(6)
    pieces = []
    for index in range(3):
        light = one.pixels.astype(np.float64) + rng.normal(0, 0.004 * most, one.pixels.shape)
        light = _spoiled(light, fault, most) if index == 1 else light
        if fault == "line":  # drawn on the sheet, which is laid down elsewhere each time
            light[:, light.shape[1] // 2] *= 0.7
            light = np.roll(light, ASIDE * index, axis=1)
        pieces.append(replace(one, name=f"p{index}", pixels=np.clip(np.rint(light), 0, most).astype(one.pixels.dtype)))
    tiles, _ = take_in(captures.write_pieces(folder, pieces), memory=2**28)
    raster = tiles[0].raster
    kind = Kind(raster.shape[2], raster.dtype, raster.icc, transfer_of(raster.icc))
    with Shelf(tiles, 2**26, folder, memory=2**28) as shelf:
        context = SurveyContext(tuple(tiles), np.full(3, 300.0), shelf, kind, SurveySettings(), 1, silent)
        return own_faults(context, seen_alone(context), places or {})


@pytest.mark.parametrize(
    ("fault", "word"),
    [("noise", "noise of"), ("black", "cut off at black"), ("ended", "black from the bottom over 10 %")],
)
def test_the_piece_with_the_fault_is_named_alone(tmp_path: Path, fault: str, word: str) -> None:
    told = _told(tmp_path, fault)
    assert any(word in line for line in told)
    assert {line.split(":")[0] for line in told} == {"p1.tif"}


def test_a_line_that_others_show_at_the_same_place_of_the_sheet_is_drawn(tmp_path: Path) -> None:
    places = {f"p{k}.tif": np.array([[1, 0, -ASIDE * k], [0, 1, 0], [0, 0, 1.0]]) for k in range(3)}
    (line,) = _told(tmp_path / "apart", "line")
    assert "a line goes through the whole scan" in line
    assert _told(tmp_path / "laid", "line", places) == []


def test_of_good_pieces_nothing_is_told(tmp_path: Path) -> None:
    assert _told(tmp_path, "none") == []


def test_a_piece_darker_by_a_third_is_told_by_how_it_is_leveled(tmp_path: Path) -> None:
    """A third of the tone, as stored: .4 of the light by sRGB's curve (IEC 61966-2-1)."""
    tiles, _ = take_in(captures.write_pieces(tmp_path, captures.good_set(4)[:4]), memory=2**28)
    tone = to_linear(np.array([[[240, 160]]], np.uint8), transfer_of(None)).ravel()
    levels = [no_gain(tile.name, 1) for tile in tiles]
    assert light_faults(tiles, levels) == []
    levels[2] = replace(levels[2], gain=np.array([tone[0] / tone[1]]))
    (line,) = light_faults(tiles, levels)
    assert line.startswith(f"{tiles[2].name}: darker than the others by 6")


def test_one_line_for_all_pieces_with_the_same_fault() -> None:
    shares = {"p1.tif": 0.04, "p2.tif": 0.095, "p3.tif": 0.05}
    found = [(name, clipped_finding("black", share)) for name, share in shares.items()]
    both = together([*found, ("p2.tif", few_tones_finding(16))])
    assert len(both) == 2
    assert both[0].startswith("p1.tif, p2.tif, p3.tif: in the worst of them 9.5 % of the pixels")
    assert both[1].startswith("p2.tif: only 16 tones")


def test_what_else_was_seen_stands_below_a_refusal() -> None:
    error = Disconnected("a", expected="b", attempt="c", lines=("beside = []",))
    error.besides(["p1.tif: black from the bottom"])
    assert str(error).split("\n")[-1] == "Seen besides: p1.tif: black from the bottom."
    assert error.found == "a"


def test_of_scans_that_broke_off_the_worst_is_told() -> None:
    (words,) = together([("a.tif", cut_off_finding("top", 0.05)), ("b.tif", cut_off_finding("left", 0.26))])
    assert words.startswith("a.tif, b.tif: in the worst of them black from the left over 26 %")


def test_pieces_that_lost_tones_or_have_dead_cells_are_unlike_most(tmp_path: Path) -> None:
    tiles, _ = take_in(captures.write_pieces(tmp_path, captures.good_set(4)[:4]), memory=2**28)
    good = Banded(black=0.9 * BLACK_DRAWN)
    for odd in (Banded(columns=(7,)), Banded(tones=12), Banded(white=0.1), Banded(black=2 * BLACK_DRAWN)):
        assert unlike_most(tiles, [good, good, odd, good]) == {tiles[2].name}
    noise = [replace(good, noise=level) for level in (0.8, 0.9, 6.0, 1.0)]  # beside noise a clean one looks soft
    assert unlike_most(tiles, noise) == {tiles[2].name}
    assert unlike_most(tiles, [Banded(columns=(7,))] * 4) == frozenset()  # of all pieces none is unlike
