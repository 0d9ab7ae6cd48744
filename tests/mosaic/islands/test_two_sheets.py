"""I check that two sheets of one form are told from one sheet, also where something moved or one scan is soft."""

from __future__ import annotations

from itertools import combinations, product

import numpy as np

from stitchbed.matching.overlap_evidence import Evidence
from stitchbed.mosaic.islands.two_sheets import TwoSheetsSettings, two_sheets

PX_PER_MM = 4.0
SIDE, STEP = 480.0, 360.0  # px: two columns and two rows of pieces of 120 mm share 30 mm
CORNERS = {f"{col}{row}": np.array([col * STEP, row * STEP]) for col, row in product((0, 1), (0, 1))}
PLACES = {name: np.array([[1, 0, x], [0, 1, y], [0, 0, 1.0]]) for name, (x, y) in CORNERS.items()}


def _seen(
    unlike: dict[frozenset[str], np.ndarray], *, soft: str = "none", bare_share: float = 0.4
) -> dict[tuple[str, str], Evidence]:
    """What pairs show, cell by cell of 8 mm: alike, but at places (n, 2) px of the sheet, of a pair each; and all over
    somewhat less alike where one of the two is soft. bare_share : of what differs, in one of the two only."""
    found, rng = {}, np.random.default_rng(1)
    for a, b in combinations(sorted(CORNERS), 2):
        first, last = np.maximum(CORNERS[a], CORNERS[b]), np.minimum(CORNERS[a], CORNERS[b]) + SIDE
        xs, ys = (np.arange(low + 16, high - 8, 32.0) for low, high in zip(first, last, strict=True))
        middle = np.stack(np.meshgrid(xs, ys), -1).reshape(-1, 2)
        likeness = rng.uniform(0.93, 0.99, len(middle)) - (
            rng.uniform(0.05, 0.35, len(middle)) if soft in (a, b) else 0.0
        )
        at = unlike.get(frozenset((a, b)), np.zeros((0, 2)))
        other = (np.abs(middle[:, None] - at[None]).max(axis=2) <= 16).any(axis=1)
        drawing, none = np.full(len(middle), 0.8), np.zeros_like(middle)
        bare = 0.1 if soft in (a, b) else bare_share * float(other.mean())
        found[a, b] = Evidence(middle - CORNERS[a], np.where(other, 0.6, likeness), drawing, none, bare)
    return found


def _apart(seen: dict[tuple[str, str], Evidence]) -> tuple[list[str], list[str]] | None:
    return two_sheets(seen, PLACES, PX_PER_MM, TwoSheetsSettings())


def test_sheets_of_one_form_are_told_by_what_was_filled_in() -> None:
    """The columns are two sheets: between them a cell here and there differs."""
    rows = {"00": 40.0, "01": 440.0}
    filled = {
        frozenset((a, "1" + a[1])): np.array([(376.0 + 32 * k, top + 90 * k) for k in range(4)])
        for a, top in rows.items()
    }
    assert _apart(_seen(filled)) == (["00", "01"], ["10", "11"])


def test_sheets_with_few_entries_are_told_where_none_stands_within_a_sheet() -> None:
    """Two cells in each row, so that hardly 5 % of what the columns share differs."""
    few = {frozenset(("00", "10")): np.array([(392.0, 40.0)]), frozenset(("01", "11")): np.array([(392.0, 700.0)])}
    assert _apart(_seen(few, bare_share=0.6)) == (["00", "01"], ["10", "11"])
    within = {frozenset(("00", "01")): np.array([(40.0, 392.0)]), frozenset(("10", "11")): np.array([(700.0, 392.0)])}
    assert _apart(_seen(few | within, bare_share=0.6)) is None
    assert _apart(_seen(dict([*few.items()][:1]), bare_share=0.6)) is None


def test_one_sheet_is_one_though_a_flap_moved_or_a_scan_is_soft() -> None:
    assert _apart(_seen({})) is None
    assert _apart(_seen({}, soft="11")) is None
    flap = np.stack(np.meshgrid(np.arange(376.0, 480, 32), np.arange(376.0, 480, 32)), -1).reshape(-1, 2)
    moved = {frozenset(pair): flap for pair in (("00", "10"), ("00", "11"), ("01", "10"), ("01", "11"))}
    assert _apart(_seen(moved)) is None


def test_where_no_overlap_shows_what_one_sheet_looks_like_nothing_is_told() -> None:
    pair = {
        ("00", "10"): _seen({frozenset(("00", "10")): np.array([(376.0, 50.0), (440.0, 200.0), (376.0, 420.0)])})[
            "00", "10"
        ]
    }
    assert two_sheets(pair, {name: PLACES[name] for name in ("00", "10")}, PX_PER_MM, TwoSheetsSettings()) is None
