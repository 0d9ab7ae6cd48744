"""I tell what each hint changed: how far a piece moved by it, and how its neighbors agree before and after.

In: layouts without and with the hints. Out: rows for the record, and words.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.imaging.transforms import between, moved
from stitchbed.matching.overlap_evidence import compare
from stitchbed.mosaic.hints.following import Pieces, Told
from stitchbed.mosaic.hints.hints import Hints
from stitchbed.mosaic.hints.kinds import Grid, Hint, pieces_of
from stitchbed.mosaic.hints.writing import key_of, to_text
from stitchbed.mosaic.linking.link_graph import corners
from stitchbed.mosaic.linking.pose_graph import Layout
from stitchbed.mosaic.survey.implied_overlaps import LEAST_SHARE, shared

MOST_NEIGHBORS = 8
AGREED = 0.6  # likeness of true neighbors, as a rule; half of it is what chance gives
STILL_PX = 0.5  # a layout is good to some px of the full picture; less is no move


def effect_rows(
    told: Sequence[Told], before: Sequence[Layout], after: Sequence[Layout], pieces: Pieces
) -> list[dict[str, Any]]:
    """One row per hint: kind, text, followed, against, words, moved_px by piece (None: found no place before), and
    neighbors with their agreement before and after (None: no overlap)."""
    rows = []
    for one in told:
        names = [name for name in pieces_of(one.hint) if name in pieces.sizes]
        names = [] if isinstance(one.hint, Grid) else names
        moves = {name: _move(name, names, before, after, pieces) for name in names}
        neighbors = [row for name in names for row in _neighbors(name, before, after, pieces)]
        against = one.against or (one.followed and any(_lost(row) for row in neighbors))
        rows.append({
            "kind": key_of(one.hint), "text": to_text(one.hint), "followed": one.followed, "against": against,
            "words": one.words, "moved_px": moves, "neighbors": neighbors,
        })  # fmt: skip
    return rows


def _lost(row: Mapping[str, Any]) -> bool:
    """Whether a neighbor that agreed agrees no more."""
    return (row["before"] or 0.0) > AGREED and (row["after"] or 0.0) < AGREED / 2


def contradicted(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """Warnings of rows that contradict the pictures, followed or not."""
    return [row_words(row) for row in rows if row["against"]]


def without_place(hints: Hints) -> list[dict[str, Any]]:
    """Rows of hints on pieces themselves, which move nothing."""
    own: tuple[Hint, ...] = (*hints.mirrored, *hints.piece_dpi, *hints.never_show)
    words = {"mirrored": "flipped left to right", "piece_dpi": "taken", "never_show": "not used anywhere"}
    return [
        {
            "kind": key_of(one), "text": to_text(one), "followed": True, "against": False,
            "words": f"followed: {words[key_of(one)]}", "moved_px": {}, "neighbors": [],
        }
        for one in own
    ]  # fmt: skip


def row_words(row: Mapping[str, Any]) -> str:
    """A row as a sentence without its full stop."""
    words = [f"{row['kind'].replace('_', ' ')} {row['text']}: {row['words']}"]
    for name, far in row["moved_px"].items():
        if far is None:
            words.append(f"{name} found no place before")
        elif far > STILL_PX:
            words.append(f"{name} moved by {far:.0f} px")
    seen = set()
    for item in row["neighbors"]:
        pair = (min(item["a"], item["b"]), max(item["a"], item["b"]))
        told = [_number(item[when]) for when in ("before", "after")]
        if pair not in seen and told[0] != told[1]:
            words.append(f"agreement of {item['a']} with {item['b']} {told[0]} before, {told[1]} now")
        seen.add(pair)
    return "; ".join(words)


def _number(value: float | None) -> str:
    return "no overlap" if value is None else f"{value:.2f}"


def _holding(name: str, layouts: Sequence[Layout]) -> Mapping[str, Array]:
    return next((lay.sheet_from_tile for lay in layouts if name in lay.sheet_from_tile), {})


def _move(
    name: str, named: Sequence[str], before: Sequence[Layout], after: Sequence[Layout], pieces: Pieces
) -> float | None:
    """px by which the corners of a piece moved at most, against the pieces the hint does not speak of."""
    old, new = _holding(name, before), _holding(name, after)
    others = [one for one in old if one in new and one not in named] or [
        one for one in old if one in new and one != name
    ]
    if len(old) < 2 or not others:
        return None
    at = corners(pieces.sizes[name])
    moves = []
    for other in others:
        there = [moved(between(places[name], places[other]), at) for places in (old, new)]
        moves.append(float(np.hypot(*(there[1] - there[0]).T).max()))
    return round(float(np.median(moves)), 1)


def _neighbors(name: str, before: Sequence[Layout], after: Sequence[Layout], pieces: Pieces) -> list[dict[str, Any]]:
    """Agreement with each piece that the named one lies on, before or after."""
    rows: list[dict[str, Any]] = []
    old, new = _holding(name, before), _holding(name, after)
    for other in sorted({*old, *new} - {name}):
        told = [_agreement(places, name, other, pieces) for places in (old, new)]
        if told != [None, None]:
            rows.append({"a": name, "b": other, "before": told[0], "after": told[1]})
    rows.sort(key=lambda row: -abs((row["after"] or 0) - (row["before"] or 0)))
    return rows[:MOST_NEIGHBORS]


def _agreement(places: Mapping[str, Array], a: str, b: str, pieces: Pieces) -> float | None:
    if a not in places or b not in places or shared(places, pieces.sizes, a, b) < LEAST_SHARE:
        return None
    motion = between(places[a], places[b])
    seen = compare(motion, (pieces.details[a], pieces.details[b]), pieces.evidence)
    return round(seen.score, 2)
