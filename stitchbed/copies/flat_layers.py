"""I list the flats of an artwork as layers: one for each color, or for each family of colors, with plain names.

In: an artwork. Out: layers, each with its colors, its box, and a name that tells its color, where on the page it
lies and how much of that it covers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from stitchbed.color.cielab import SPACES, lab_from_xyz, xyz_from_rgb
from stitchbed.color.convert import to_srgb
from stitchbed.color.names import color_name
from stitchbed.copies.artwork import Artwork, flat_codes
from stitchbed.core.arrays import Ints, Pixels
from stitchbed.core.errors import BadSettings
from stitchbed.core.progress import Progress, counted, silent
from stitchbed.imaging.box import Box
from stitchbed.imaging.parallel import in_order
from stitchbed.imaging.transfer import srgb_decode

MOST_LAYERS = 24  # of flats; more colors than that are grouped by their plain names
MOST_COLORS = 2000  # of flats in a strip; a thousand regions of colors of their own are still drawn by hand
STRIP_PX = 2**20  # worked on at once: a picture of 16 bits is packed in some ten times its bytes
SIDE, CENTER = 0.6, (0.2, 0.8)  # of the page's width or height: a layer within lies at that side, or in the middle
SCATTERED = 0.12  # of its box that a layer fills, under which it lies here and there


@dataclass(frozen=True)
class FlatLayer:
    """colors : (n,) packed codes. box : all of their pixels. name : as shown to the painter."""

    colors: Ints
    box: Box
    name: str


@dataclass
class _Extent:
    """What one color covers: top, left, bottom, right px of its box, and how many px of it."""

    top: int
    left: int
    bottom: int
    right: int
    px: int

    def add(self, other: _Extent) -> None:
        """Cover also what another does."""
        self.top, self.left = min(self.top, other.top), min(self.left, other.left)
        self.bottom, self.right = max(self.bottom, other.bottom), max(self.right, other.right)
        self.px += other.px


def flat_layers(art: Artwork, workers: int, *, progress: Progress = silent) -> list[FlatLayer]:
    """The flats' colors, each with the box it fills: a layer for each color, or where there are more than MOST_LAYERS
    for each family of colors; of several with one name all but the first are numbered."""
    if art.flats is None:
        return []
    extents: dict[int, _Extent] = {}
    parts = strips(art)
    told = counted(in_order(lambda b: _extents(art, b), parts, workers), "listing colors", len(parts), progress)
    for found in told:
        for color, extent in found.items():
            if color in extents:
                extents[color].add(extent)
            else:
                extents[color] = extent
    families: dict[str, list[int]] = {}
    for color in sorted(extents):
        families.setdefault(_family(color, art), []).append(color)
    layers: list[FlatLayer] = []
    seen: dict[str, int] = {}
    for name, members in sorted(families.items(), key=lambda one: (_hue(one[1][0], art), one[0])):
        members.sort(key=lambda c: -_covers(extents[c]))
        for part in [[c] for c in members] if len(extents) <= MOST_LAYERS else [members]:
            whole = _together([extents[c] for c in part])
            box = Box(whole.top, whole.left, whole.bottom - whole.top, whole.right - whole.left)
            named = ", ".join(word for word in (f"{name[0].upper()}{name[1:]}", _place(whole, art)) if word)
            seen[named] = number = seen.get(named, 0) + 1
            numbered = named if number == 1 else f"{named} {number}"
            layers.append(
                FlatLayer(np.array(part, np.int64), box, f"{numbered} ({_extent_words(whole, art, len(part))})")
            )
    return layers


def strips(art: Artwork) -> list[Box]:
    """Strips of the artwork worked on one after the other."""
    rows = max(16, STRIP_PX // art.first.width)
    return [Box(top, 0, min(rows, art.first.height - top), art.first.width) for top in range(0, art.first.height, rows)]


def packed(codes: Pixels) -> Ints:
    """(h, w) one number for each color."""
    wide = codes.astype(np.int64)
    return np.asarray((wide[..., 0] << 32) | (wide[..., 1] << 16) | wide[..., 2])


def _extent_words(extent: _Extent, art: Artwork, count: int) -> str:
    """How many colors a layer holds, where there are several, and how much of the page it covers."""
    share = extent.px / (art.first.width * art.first.height)
    covers = f"{100 * share:.0f} % of the page" if share >= 0.01 else "under 1 % of the page"
    return f"{count} colors, {covers}" if count > 1 else covers


def _place(extent: _Extent, art: Artwork) -> str:
    """Where on the page a layer lies, in words: "bottom left", "middle", "here and there", or "" all over it."""
    first = art.first
    if extent.px < SCATTERED * _covers(extent):
        return "here and there"
    down = _side(extent.top / first.height, extent.bottom / first.height, ("top", "bottom"))
    across = _side(extent.left / first.width, extent.right / first.width, ("left", "right"))
    if down == across == "middle":
        return "middle"
    return " ".join(word for word in (down, across) if word and word != "middle")


def _side(start: float, end: float, words: tuple[str, str]) -> str:
    """Of a stretch from 0 to 1: the side it lies at, "middle", or "" where it is too long for either."""
    if end <= SIDE:
        return words[0] if start < CENTER[0] or end <= 0.5 else "middle"
    if start >= 1 - SIDE:
        return words[1] if end > CENTER[1] or start >= 0.5 else "middle"
    return "middle" if start >= CENTER[0] and end <= CENTER[1] else ""


def _covers(extent: _Extent) -> int:
    return (extent.right - extent.left) * (extent.bottom - extent.top)


def _together(extents: Sequence[_Extent]) -> _Extent:
    """What all of them cover."""
    whole = replace(extents[0])
    for extent in extents[1:]:
        whole.add(extent)
    return whole


def _extents(art: Artwork, box: Box) -> dict[int, _Extent]:
    """Color -> what it covers in a strip, bare paper left out. Looked at by runs of one color along rows."""
    codes, solid = flat_codes(art, box)
    row, start, end, color = _runs(np.where(solid, packed(codes), -1))
    order = np.argsort(color, kind="stable")
    colors, firsts = np.unique(color[order], return_index=True)
    if len(colors) > MOST_COLORS:
        raise BadSettings(
            f"flats of more than {MOST_COLORS} colors, as a photograph or a scan has",
            expected="flats as `flats` makes them: areas of one color each",
            attempt="--flats with a picture that `flats` made, or the picture as the page",
        )
    if not len(colors):
        return {}
    row, start, end = row[order] + box.row, start[order], end[order]
    limits = (
        np.minimum.reduceat(row, firsts), np.minimum.reduceat(start, firsts),
        np.maximum.reduceat(row, firsts) + 1, np.maximum.reduceat(end, firsts), np.add.reduceat(end - start, firsts),
    )  # fmt: skip
    return {
        c: _Extent(*e) for c, e in zip(colors.tolist(), zip(*(v.tolist() for v in limits), strict=True), strict=True)
    }


def _runs(number: Ints) -> tuple[Ints, Ints, Ints, Ints]:
    """Row, first column, column after the last, and number of each run of one number of 0 or more along a row."""
    fresh = np.ones(number.shape, bool)
    fresh[:, 1:] = number[:, 1:] != number[:, :-1]
    at = np.flatnonzero(fresh)
    row, start = np.divmod(at, number.shape[1])
    end = np.append(at[1:], number.size) - row * number.shape[1]
    color = number.ravel()[at]
    kept = color >= 0
    return row[kept], start[kept], end[kept], color[kept]


def _unpacked(color: int) -> tuple[int, int, int]:
    return color >> 32, (color >> 16) & 0xFFFF, color & 0xFFFF


def _hue(color: int, art: Artwork) -> float:
    rgb = np.array([[_unpacked(color)]], np.float32) / np.float32(art.first.top)
    return float(cv2.cvtColor(rgb, cv2.COLOR_RGB2HSV)[0, 0, 0])


def _family(color: int, art: Artwork) -> str:
    """The plain name of a color."""
    codes = np.array([[_unpacked(color)]], art.first.dtype)
    srgb = to_srgb(codes, art.icc)[0, 0] / np.iinfo(codes.dtype).max
    return color_name(lab_from_xyz(xyz_from_rgb(SPACES["srgb"]) @ srgb_decode(srgb)))
