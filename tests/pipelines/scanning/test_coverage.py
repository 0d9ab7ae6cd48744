"""I check what pieces are said to cover of a sheet, by pieces of 100 x 140 mm laid on one of 180 x 140 mm."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from stitchbed.core.errors import BadSettings
from stitchbed.pipelines.scanning.coverage import coverage, next_of, sizes_of

DPI = 254.0  # 10 px a mm
ART, BED = (180.0, 140.0), (100.0, 140.0)


def row(name: str, at: tuple[float, float], *, dpi: float = DPI, turn: float = 0.0, island: int = 0) -> dict[str, Any]:
    """A placed piece as large as the bed, its first px at (x, y) mm of the sheet."""
    scale, angle = DPI / dpi, np.radians(turn)
    c, s = scale * np.cos(angle), scale * np.sin(angle)
    place = [[c, -s, at[0] * 10], [s, c, at[1] * 10], [0, 0, 1]]
    width, height = (round(side * dpi / 25.4) for side in BED)
    return {
        "tile": name, "island": island, "sheet_from_tile": place, "width": width, "height": height, "dpi": dpi,
    }  # fmt: skip


def record(*rows: dict[str, Any]) -> dict[str, Any]:
    """The record of a check."""
    return {
        "pieces": [{"name": one["tile"], "path": f"/scans/{one['tile']}"} for one in rows],
        "placements": list(rows),
    }


FIRST, SECOND = row("a.tif", (0, 0)), row("b.tif", (80, 0))
ORDER = ["/scans/a.tif", "/scans/b.tif"]


def test_both_sizes_are_said_or_none() -> None:
    assert sizes_of(None, None) is None
    assert sizes_of("420x594mm", "21.6x29.7cm") == ((420, 594), (216, 297))
    for art, bed, alone in ((None, "216x297mm", "the bed alone"), ("420x594mm", None, "the sheet alone")):
        with pytest.raises(BadSettings, match=alone):
            sizes_of(art, bed)
    with pytest.raises(BadSettings, match="--art"):
        sizes_of("large", "216x297mm")


def test_without_sizes_or_places_nothing_comes_next() -> None:
    assert next_of(record(FIRST), ORDER, None) == {}
    assert next_of({"pieces": [], "placements": []}, ORDER, (ART, BED)) == {}
    assert next_of({}, ORDER, (ART, BED)) == {}
    assert coverage(record(row("a.tif", (0, 0), island=1)), ORDER, (ART, BED)) is None
    unknown = {**record(FIRST), "pieces": []}
    assert coverage(unknown, ORDER, (ART, BED)) is None


def test_one_piece_of_two_covers_more_than_half_and_the_other_comes_next() -> None:
    told = next_of(record(FIRST), ORDER, (ART, BED))
    assert told["covered"] == pytest.approx(100 / 180, abs=0.03)
    assert told["art_mm"] == [180.0, 140.0] and "words" in told
    (piece,) = told["pieces"]
    corners = np.array(piece["corners"])
    # clockwise from the top left, from the middle of the first px to that of the last
    assert piece["name"] == "a.tif"
    assert corners - corners[0] == pytest.approx(np.array([(0, 0), (99.9, 0), (99.9, 139.9), (0, 139.9)]), abs=1e-6)
    assert told["next"] is not None
    x, _, width, _ = told["next"]
    assert x >= 60 and x + width == pytest.approx(180, abs=25)


def test_both_pieces_cover_it() -> None:
    told = next_of(record(FIRST, SECOND), ORDER, (ART, BED))
    assert told["covered"] > 0.97 and told["next"] is None
    assert [one["name"] for one in told["pieces"]] == ["a.tif", "b.tif"]
    step = np.array(told["pieces"][1]["corners"])[0] - np.array(told["pieces"][0]["corners"])[0]
    assert step == pytest.approx((80, 0), abs=1e-6)


def test_pieces_count_in_the_order_they_came() -> None:
    found = coverage(record(FIRST, SECOND), ORDER[::-1], (ART, BED))
    assert found is not None and [one.name for one in found.pieces] == ["b.tif", "a.tif"]
    found = coverage(record(FIRST, SECOND), ["/scans/b.tif"], (ART, BED))
    assert found is not None and [one.name for one in found.pieces] == ["b.tif", "a.tif"]  # what is not listed is last


def test_pieces_are_measured_in_millimeters_of_the_first() -> None:
    fine = row("b.tif", (80, 0), dpi=2 * DPI)
    turned = row("b.tif", (180, 140), turn=180.0)
    for second, turn in ((fine, 0.0), (turned, 180.0)):
        found = coverage(record(FIRST, second), ORDER, (ART, BED))
        assert found is not None and found.covered > 0.97
        one, two = found.pieces
        assert two.turn_deg - one.turn_deg == pytest.approx(turn)
        step = two.corners[0 if turn == 0 else 2] - one.corners[0]
        assert step == pytest.approx((80, 0), abs=0.11)
    found = coverage(record(fine, FIRST), ["/scans/b.tif"], (ART, BED))
    assert found is not None
    one, two = found.pieces
    assert two.corners[0] - one.corners[0] == pytest.approx((-80, 0), abs=0.11)
    assert np.ptp(one.corners, axis=0) == pytest.approx((100, 140), abs=0.11)
