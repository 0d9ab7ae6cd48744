"""I check which holes between the pieces of a set are told to be missing parts of the sheet."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from made_evidence import evidence, look

from stitchbed.inspection.checks.gaps import _parts, gap_findings
from stitchbed.inspection.findings import Evidence
from stitchbed.mosaic.linking.pose_graph import Layout

CELLS = 60, 40  # of light, on a piece of 3000 x 2000 px


def _laid(last: tuple[int, int], drawn: slice = slice(0), first: tuple[int, int] = (0, 0)) -> Evidence:
    """Two rows of three pieces, the middle one of the second row at `last`. drawn : rows of its left neighbor that show
    drawing. first : where the first piece of all lies."""
    at = [(1600 * col, 2400 * row) for row in (0, 1) for col in range(3)]
    at[0], at[4] = first, last
    where = {f"{k}": np.array([[1, 0, x], [0, 1, y], [0, 0, 1.0]]) for k, (x, y) in enumerate(at)}
    bare = np.full((*CELLS, 3), 0.8, np.float32)
    seen = bare.copy()
    seen[drawn, ::2] = 0.2
    looks = tuple(replace(look(), light=seen if k == 3 else bare, light_cell=50.0) for k in range(6))
    return replace(evidence(6, layouts=(Layout("0", where, (), ()),)), looks=looks)


@pytest.mark.parametrize(
    ("last", "drawn", "told"),
    [
        ((1600, 2400), slice(0), None),
        ((1600, 2100), slice(0), "uneven rim"),  # it ends 300 px before its neighbors do, which show the lid there
        ((1600, 2100), slice(0, 50), "uneven rim"),
        ((1600, 2100), slice(0, 60), "gap"),  # the sheet goes on there
        ((1600, 0), slice(0), "gap"),
    ],
)
def test_pieces_that_end_unevenly_leave_no_gap_where_the_sheet_ends(
    last: tuple[int, int], drawn: slice, told: str | None
) -> None:
    assert [one.fault for one in gap_findings(_laid(last, drawn))] == ([told] if told else [])


def test_dust_on_the_lid_beside_a_sheet_is_no_drawing() -> None:
    """Five grains, each between four cells, in what the piece beside the one that ends early shows beyond the sheet."""
    seen = _laid((1600, 2100))
    light = seen.looks[3].light.copy()
    for col in range(2, 38, 8):
        light[56:58, col : col + 2] = 0.5
    dusty = replace(seen, looks=(*seen.looks[:3], replace(seen.looks[3], light=light), *seen.looks[4:]))
    assert [one.fault for one in gap_findings(dusty)] == ["uneven rim"]


def test_the_dark_rim_of_a_scan_is_no_drawing() -> None:
    seen = _laid((1600, 2100))
    light = seen.looks[3].light.copy()
    light[59:] = 0.6
    dark = replace(seen, looks=(*seen.looks[:3], replace(seen.looks[3], light=light), *seen.looks[4:]))
    assert [one.fault for one in gap_findings(dark)] == ["uneven rim"]


def test_two_shallow_strips_that_meet_at_a_corner_are_no_missing_part() -> None:
    """The piece at the lower left ends 300 px within the one above it, and 300 px before the one beside it."""
    found = gap_findings(_laid((1600, 2700), first=(-300, 0)))
    assert [one.fault for one in found] == ["uneven rim"]
    assert found[0].numbers["width_px"] < 600


def test_a_hole_that_bends_round_a_corner_is_as_wide_as_it_is_deep() -> None:
    bare = np.zeros((100, 140), np.uint8)
    bare[:12] = bare[:, 128:] = 1
    widths = [width for _, _, width in _parts(bare, 20.0)]
    assert widths and max(widths) == min(widths)  # parts of one hole
    assert 12 <= widths[0] <= 14.1  # in the corner the disk is a little larger
    alone = np.zeros((100, 140), np.uint8)
    alone[40:61, 50:111] = 1
    assert [width for _, _, width in _parts(alone, 20.0)] == [21]
