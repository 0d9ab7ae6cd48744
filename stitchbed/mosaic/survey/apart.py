"""I find out why pieces do not hang together: mirrored ones, and sides beyond which the drawing goes on.

In: groups of pieces that do not hang together, and what was seen of them. Out: sentences for the user.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace

import cv2
import numpy as np

from stitchbed.core.arrays import Array, Mask
from stitchbed.imaging.sample import sample
from stitchbed.imaging.transforms import inverse, moved
from stitchbed.matching.features import detect
from stitchbed.matching.laid_over import Layer
from stitchbed.matching.overlap_evidence import Detail
from stitchbed.matching.similarity_links import Link
from stitchbed.mosaic.linking.link_graph import corners
from stitchbed.mosaic.linking.pose_graph import Layout
from stitchbed.mosaic.survey.context import SurveyContext
from stitchbed.mosaic.survey.judgment import PieceView, judged_link, pair_scale
from stitchbed.mosaic.survey.preview import Preview

SIDES = ("top", "right", "bottom", "left")  # in the order of `corners`
BAND_MM = 5.0  # how far inside a side drawing is looked for: less may be lift or the sheet's own edge
OPEN = 0.12  # share of a side, of what no other piece of the group shows, along which something is drawn
DRAWN = 1.0  # energy of a cell of `Drawing` from which something is drawn there: a thin line gives 3
MOST_TRIED = 12  # pieces looked at mirrored
MOST_NAMES = 4
# Paper: no mark of BARE_LEVELS gray levels is longer than BARE_MM, no more than BARE_MARKS are shorter, as dust is;
# what lies within BARE_RIM_MM of the rim, where sheets lift, is not asked.
BARE_LEVELS, BARE_MM, BARE_MARKS, BARE_RIM_MM = 7.0, 2.5, 120, 10.0


def why_apart(
    context: SurveyContext, previews: Sequence[Preview], layouts: Sequence[Layout], found: Sequence[str]
) -> list[str]:
    """Sentences, without full stops, that tell why there are several layouts and where something is missing.

    found : pieces that are `mirrored`.
    """
    flipped = {one.piece for one in context.hints.mirrored}
    names = [name for name in found if name not in flipped]
    words = [f"{name} fits as it was scanned, not mirrored as a hint says" for name in found if name in flipped]
    if names:
        many = len(names) > 1
        words.append(
            f"{_listed(names)} {'are mirrored pictures' if many else 'is a mirrored picture'}: flipped left to right "
            f"{'they fit' if many else 'it fits'}; scan or export {'them' if many else 'it'} again, unmirrored, "
            "or say so (--mirrored)"
        )
    left = [one for one in layouts if not set(one.sheet_from_tile) <= set(found)]
    if len(left) > 1:
        words += open_sides(context, previews, left)
        gaps = numbering_gaps([tile.name for tile in context.tiles])
        words += [f"No piece is numbered {gaps}"] if gaps else []
    return words


def bare_pieces(previews: Sequence[Preview]) -> list[str]:
    """Pieces that show nothing but paper and dust."""
    return [one.keypoints.tile for one in previews if _bare(one.detail.strokes)]


def _bare(layer: Layer) -> bool:
    rim, (h, w) = round(BARE_RIM_MM / layer.pixel_mm), layer.pixels.shape
    inner = layer.pixels[rim : h - rim, rim : w - rim].astype(np.float32)
    if not inner.size:
        return False
    marks = (np.abs(cv2.blur(inner, (3, 3))) > BARE_LEVELS).astype(np.uint8)
    count, _, stats, _ = cv2.connectedComponentsWithStats(marks, connectivity=8)
    longest = stats[1:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]].max(initial=0) * layer.pixel_mm
    return bool(count - 1 <= BARE_MARKS and longest <= BARE_MM)


def mirrored(context: SurveyContext, previews: Sequence[PieceView], layouts: Sequence[Layout]) -> list[str]:
    """Pieces of the smaller groups that fit a piece of another group when flipped left to right. Those that fit the
    largest group first: what fits nothing but a mirrored piece is none itself."""
    index = {tile.name: i for i, tile in enumerate(context.tiles)}
    loose = [name for layout in reversed(layouts[1:]) for name in sorted(layout.sheet_from_tile)][:MOST_TRIED]
    flipped = {name: _flipped(context, previews, index[name]) for name in loose}
    found: list[str] = []
    for asked in ([layouts[0]], layouts[1:]):
        for name in loose:
            groups = [one.sheet_from_tile for one in asked if name not in one.sheet_from_tile]
            others = [other for group in groups for other in sorted(group) if other not in found]
            fits = (
                _fits(context, flipped[name], previews[index[other]], (index[name], index[other])) for other in others
            )
            if name not in found and any(fits):
                found.append(name)
    return sorted(found)


def open_sides(context: SurveyContext, previews: Sequence[Preview], layouts: Sequence[Layout]) -> list[str]:
    """Where each group's drawing runs off its pieces, so that a piece next to it must exist."""
    index = {tile.name: i for i, tile in enumerate(context.tiles)}
    said = []
    for number, layout in enumerate(layouts, start=1):
        sides: dict[str, list[str]] = {}
        for name in sorted(layout.sheet_from_tile):
            scale = float(context.px_per_mm[index[name]])
            for side in _open(layout, name, context, previews[index[name]], scale):
                sides.setdefault(side, []).append(name)
        if sides and len(sides) < len(SIDES):
            group = _listed(sorted(layout.sheet_from_tile))
            where = ", ".join(f"the {side} of {_listed(names)}" for side, names in sides.items())
            said.append((f"group {number} ({group})" if len(layout.sheet_from_tile) > 1 else group, where))
    if len(said) < 2:
        return []
    told = "; ".join(f"{who} goes on past {where}" for who, where in said)
    return [f"The drawing of {told}: what lies between seems to be missing"]


def numbering_gaps(names: Sequence[str]) -> str:
    """Numbers missing between those of files named alike ("2, 5 and 8"), or nothing where there is no such order."""
    found = [re.match(r"^(.*?)(\d+)(\D*)$", name.rsplit(".", 1)[0]) for name in names]
    if len(names) < 3 or any(one is None for one in found):
        return ""
    stems = {(one.group(1), one.group(3)) for one in found if one}
    numbers = sorted({int(one.group(2)) for one in found if one})
    missing = sorted(set(range(numbers[0], numbers[-1])) - set(numbers))
    if len(stems) > 1 or not missing or len(missing) > len(numbers):
        return ""
    return _listed([str(number) for number in missing], most=99)


def _flipped(context: SurveyContext, previews: Sequence[PieceView], index: int) -> PieceView:
    """What would be seen of a piece flipped left to right."""
    own, tile = previews[index], context.tiles[index]
    view = context.shelf.view(tile, own.keypoints.reduction)[:, ::-1]
    points = detect(tile.name, np.ascontiguousarray(view), own.keypoints.reduction, context.settings.features)
    sight = replace(own.sight, pixels=np.ascontiguousarray(own.sight.pixels[:, ::-1]))
    layers = [
        replace(layer, pixels=layer.pixels[:, ::-1])
        for layer in (own.detail.strokes, own.detail.tones, own.detail.plain)
    ]
    detail = Detail(*layers)
    return replace(own, keypoints=points, sight=sight, detail=detail)


def _fits(context: SurveyContext, one: PieceView, two: PieceView, pair: tuple[int, int]) -> bool:
    scale, wishes = pair_scale(context.dpi, pair), context.settings
    sure = replace(wishes.belief, least=wishes.belief.sure)  # lines of writing, mirrored, fit others to .77
    got = judged_link((one, two), scale, wishes.links, belief=sure, evidence=wishes.evidence)
    return isinstance(got, Link) and not got.ambiguous


def _open(layout: Layout, name: str, context: SurveyContext, preview: Preview, px_per_mm: float) -> list[str]:
    """Sides of a piece that no other piece of its group covers and along which something is drawn."""
    sizes = {tile.name: tile.raster.shape[:2] for tile in context.tiles}
    found = []
    for side, at in zip(SIDES, _bands(sizes[name], BAND_MM * px_per_mm), strict=True):
        beyond = ~_covered(layout, name, at, sizes)
        if beyond.mean() < 0.25:
            continue
        strength = sample(preview.drawing.energy[..., None], at[beyond], preview.drawing.cell)[:, 0]
        if (strength > DRAWN).mean() > OPEN:
            found.append(side)
    return found


def _bands(size: tuple[int, int], inset: float) -> list[Array]:
    """(60, 2) px along each side, `inset` px inside it."""
    middle = corners(size).mean(0)
    room = 1 - 2 * inset / np.array([size[1], size[0]])
    frame = middle + (corners(size) - middle) * room
    steps = np.linspace(0, 1, 60)[:, None]
    return [frame[k] + steps * (frame[(k + 1) % 4] - frame[k]) for k in range(4)]


def _covered(layout: Layout, name: str, at: Array, sizes: Mapping[str, tuple[int, int]]) -> Mask:
    """(n,) whether another piece of the layout shows a place of this one."""
    there = moved(layout.sheet_from_tile[name], at)
    found: Mask = np.zeros(len(at), bool)
    for other, place in layout.sheet_from_tile.items():
        if other != name:
            back = moved(inverse(place), there)
            found |= ((back >= 0) & (back <= np.array(sizes[other][::-1]) - 1)).all(1)
    return found


def _listed(names: Sequence[str], most: int = MOST_NAMES) -> str:
    """a, b and c; of many the first ones."""
    shown = list(names[:most])
    if len(names) > most:
        return f"{', '.join(shown)} and {len(names) - most} more"
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} and {shown[-1]}"
