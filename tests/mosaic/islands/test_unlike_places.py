"""I check that places which one of two pieces shows otherwise are told, unless they are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from stitchbed.matching.overlap_evidence import Evidence
from stitchbed.mosaic.islands.unlike_places import unlike_places, unlike_words

PX_PER_MM = 4.0
PLACES = {name: np.array([[1.0, 0, x], [0, 1, 0], [0, 0, 1]]) for name, x in (("a.tif", 0.0), ("b.tif", 300.0))}


def _seen(unlike: list[int], likeness: float = 0.1, usual: float = 0.96) -> dict[tuple[str, str], Evidence]:
    """Cells of 8 mm down the overlap of two pieces; those with the numbers `unlike` are so alike."""
    middle = np.array([[350.0, 16 + 32 * k] for k in range(12)])
    alike = np.full(12, usual)
    alike[unlike] = likeness
    return {("a.tif", "b.tif"): Evidence(middle, alike, np.full(12, 0.8), np.zeros((12, 2)), 0.02)}


def _told(
    seen: dict[tuple[str, str], Evidence], known: tuple[tuple[float, float, float, float], ...] = ()
) -> list[tuple[float, float, int]]:
    return [(one.x, one.y, one.cells) for one in unlike_places(seen, PLACES, PX_PER_MM, known)]


def test_cells_that_are_not_alike_are_told_together_where_they_are_near() -> None:
    assert _told(_seen([2, 8, 9])) == [(350.0, 288.0, 2), (350.0, 80.0, 1)]
    found = unlike_places(_seen([2, 8, 9]), PLACES, PX_PER_MM)
    words = unlike_words(found, PX_PER_MM)[0]
    assert "2 places" in words and "88, 72 mm (a.tif and b.tif)" in words
    assert unlike_words([], PX_PER_MM) == []


def test_what_is_a_little_less_alike_or_in_an_overlap_that_is_so_all_over_is_not_told() -> None:
    assert _told(_seen([])) == []
    assert _told(_seen([2, 8], likeness=0.6)) == []
    assert _told(_seen([2, 8], usual=0.7)) == []
    dust = {pair: replace(one, bare=0.0003) for pair, one in _seen([2, 8]).items()}
    assert _told(dust) == []


def test_known_changes_are_not_told_again() -> None:
    assert _told(_seen([2, 8]), known=((360.0, 272.0, 20.0, 20.0),)) == [(350.0, 80.0, 1)]
