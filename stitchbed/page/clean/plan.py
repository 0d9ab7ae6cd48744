"""I am everything a clean page is made from, and I make any block of it.

In: a page and a `CleanPlan`. Out: stored pixels of boxes of the clean page, which do not depend on the boxes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from stitchbed.core.arrays import Floats, Mask, Pixels
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.box import Box, blocks, clipped, grown, meets, shifted
from stitchbed.imaging.parallel import in_order
from stitchbed.imaging.transfer import to_stored
from stitchbed.output.tiff_master import BLOCK, EncodedBlock, MasterSpec, encode_block
from stitchbed.page.dust.inpaint import filled, inpainted
from stitchbed.page.dust.sweep import DustMap, mask_at
from stitchbed.page.ground import Ground, relative
from stitchbed.page.ink import InkTraits
from stitchbed.page.medium import Medium
from stitchbed.page.page import Page
from stitchbed.page.sheet.frame import Framing, framed
from stitchbed.page.sheet.tone import TonePoints, cut, cut_halo, shoulder_halo, shouldered, toned
from stitchbed.page.sheet.white import DARKEST, White, white_at
from stitchbed.page.underneath.under import Under

MEND_MM = 2.0  # around a block that mending looks at: larger than any grain of dust with its neighbors
REPAIR_MM = 3.0  # around a place to be repaired that its filling looks at


@dataclass(frozen=True)
class Patch:
    """A place repaired once: box of the page, light (h, w, c) relative to paper, mask (h, w) of what is used of it."""

    box: Box
    light: Floats
    mask: Mask


@dataclass(frozen=True)
class CleanPlan:
    """frame; white: the paper's map; even: divide by it cell by cell (else by the page's mean paper only);
    medium: what the page was made with; dust, patches, traits (full size);
    under: what is taken off below the ink; tone None: light stays as scanned, on the
    page's own paper.
    """

    frame: Framing
    white: White
    even: bool
    traits: InkTraits
    medium: Medium
    dust: DustMap | None = None
    patches: tuple[Patch, ...] = ()
    under: Under | None = None
    tone: TonePoints | None = None


def spec_of(page: Page, plan: CleanPlan, codec: str) -> MasterSpec:
    """What the clean page's file is to be: as the page's, in its new frame."""
    alpha = page.cover is not None
    return MasterSpec(plan.frame.height, plan.frame.width, page.channels, page.dtype, alpha, page.dpi, page.icc, codec)


def clean_blocks(page: Page, plan: CleanPlan, spec: MasterSpec, *, workers: int = 1) -> Iterator[EncodedBlock]:
    """The clean page's blocks in file order."""

    def work(box: Box) -> EncodedBlock:
        return encode_block(clean_pixels(page, plan, box), spec)

    return in_order(work, blocks(spec.height, spec.width, BLOCK), workers)


def clean_pixels(page: Page, plan: CleanPlan, box: Box) -> Pixels:
    """(h, w, samples) stored pixels of a box of the clean page."""
    if untouched(plan):
        color: Pixels = np.rint(framed(lambda b: _codes(page, b), plan.frame, box)).astype(page.dtype)
    else:
        color = to_stored(clean_light(page, plan, box), page.dtype, page.transfer)
    if page.cover is None:
        return color
    alpha = np.rint(np.clip(framed(lambda b: _cover(page, b), plan.frame, box), 0, page.top)).astype(page.dtype)
    return np.concatenate([color, alpha], axis=2)


def untouched(plan: CleanPlan) -> bool:
    """True when nothing but the frame changes and no pixel is resampled: codes are then handed on as they are."""
    plain = plan.dust is None and not plan.patches and plan.tone is None and not plan.even and plan.under is None
    return plain and not plan.frame.resampled


def clean_light(page: Page, plan: CleanPlan, box: Box) -> Floats:
    """(h, w, c) linear light of a box of the clean page."""
    halo = cut_halo(page.dpi) if plan.tone and plan.tone.edges != "soft" else 0
    if plan.tone and plan.tone.shoulder:
        halo += shoulder_halo(page.dpi)
    around = grown(box, halo)
    light = framed(lambda b: relative_light(page, plan, b), plan.frame, around)
    if plan.tone is None:
        return light * plan.white.mean
    if plan.tone.shoulder:
        light = shouldered(light, plan.tone.shoulder, page.dpi)
    light = cut(toned(light, plan.tone), plan.tone.edges, page.dpi)
    return light[halo : halo + box.height, halo : halo + box.width]


def relative_light(page: Page, plan: CleanPlan, box: Box) -> Floats:
    """(h, w, c) light of a box of the page (it may leave it) relative to paper, repaired and free of dust."""
    margin = round(MEND_MM / MM_PER_INCH * page.dpi) if plan.dust else 0
    around = grown(box, margin)
    patched = _patched(relative(ground_of(page, plan), around), plan.patches, around)
    if plan.dust is not None:
        mask = mask_at(plan.dust, around)
        if mask.any():
            patched = inpainted(patched, mask, plan.traits, darkens=plan.dust.in_ink)
    if not plan.even:
        paper = np.maximum(white_at(plan.white, around), DARKEST)
        patched = np.asarray(patched * (paper / np.maximum(plan.white.mean, DARKEST)), np.float32)
    return patched[margin : margin + box.height, margin : margin + box.width]


def ground_of(page: Page, plan: CleanPlan) -> Ground:
    """The page as every step looks at it."""
    return Ground(page, plan.white, plan.under)


def repaired(ground: Ground, places: Sequence[tuple[Box, Mask]]) -> tuple[Patch, ...]:
    """Each masked place filled from around it; computed once, whole, so that blocks cannot differ."""
    margin = round(REPAIR_MM / MM_PER_INCH * ground.page.dpi)
    made = []
    for box, mask in places:
        around = grown(box, margin)
        wide = np.pad(mask, margin)
        made.append(Patch(around, filled(relative(ground, around), wide), wide))
    return tuple(made)


def _patched(light: Floats, patches: Sequence[Patch], box: Box) -> Floats:
    for patch in patches:
        if not meets(patch.box, box):
            continue
        shared = clipped(patch.box, box)
        mine, theirs = (
            shifted(shared, -box.row, -box.col).slices,
            shifted(shared, -patch.box.row, -patch.box.col).slices,
        )
        light[mine] = np.where(patch.mask[theirs][..., None], patch.light[theirs], light[mine])
    return light


def _codes(page: Page, box: Box) -> Floats:
    """Stored codes as float32, which holds all of them exactly."""
    return np.asarray(page.read(clipped(box, page.box)), np.float32)


def _cover(page: Page, box: Box) -> Floats:
    """(h, w, 1) alpha codes of a box that may leave the page; nothing covers what lies outside."""
    inner = clipped(box, page.box)
    whole = np.zeros((box.height, box.width, 1), np.float32)
    if page.cover is not None and not inner.empty:
        whole[shifted(inner, -box.row, -box.col).slices] = page.cover(inner)[..., None]
    return whole
