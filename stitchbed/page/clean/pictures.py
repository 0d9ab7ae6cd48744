"""I show what each step of cleaning did, in a folder beside the clean page.

In: plans before and after a step. Out: one PNG per step, and the mask of the dust as a TIFF.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Floats
from stitchbed.core.files import claimed_folder, sha256_of
from stitchbed.core.progress import Progress, counted, silent
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.box import Box, block_count, blocks, clipped, grown
from stitchbed.imaging.parallel import in_order
from stitchbed.imaging.reduce import shrunk
from stitchbed.output.tiff_master import BLOCK, EncodedBlock, MasterSpec, encode_block, write_master
from stitchbed.page.clean.plan import CleanPlan, clean_pixels
from stitchbed.page.dust.sweep import DustMap, mask_at
from stitchbed.page.page import Page
from stitchbed.page.sheet.frame import Framing, corners_on_page, framed
from stitchbed.page.sheet.white import paper_small
from stitchbed.report.before_after import SIDE, as_codes, outlined, write_pair

LOOK_MM = 12.0  # side of the place shown
PLACE_MM = 3.0  # side of one of several places shown small


@dataclass
class Album:
    """folder : where pictures go for now, or None for none. name : of the folder in the end. written : name -> sha256
    of what was written.
    """

    folder: Path | None
    original: Path
    name: str = ""
    written: dict[str, str] = field(default_factory=dict)


def album_folder(notes: Path) -> Path:
    """Where the pictures of a clean page go, by its record."""
    return notes.with_name(f"{notes.stem}_steps")


@contextmanager
def album_of(notes: Path, original: Path, *, wanted: bool) -> Iterator[Album]:
    """The album beside the record; it appears whole when the block ends well: pictures of nothing help nobody.

    Raises
    ------
    CannotWrite : the folder cannot be made.
    """
    if not wanted:
        yield Album(None, original)
        return
    folder = album_folder(notes)
    with claimed_folder(folder) as partial:
        yield Album(partial, original, folder.name)


def to_look_at(view: Floats, factor: int) -> tuple[Floats, int]:
    """A page's view reduced by `factor`, not much larger than a picture shows it, and what it is reduced by then."""
    times = max(1, max(view.shape[:2]) // (2 * SIDE))
    return shrunk(view, times), factor * times


def show_border(album: Album, view: Floats, factor: int, frame: Framing) -> None:
    """The page small with the frame drawn in, and the page framed."""
    if album.folder is None:
        return
    view, factor = to_look_at(view, factor)
    small = (corners_on_page(frame) + 0.5) / factor - 0.5
    scale = np.diag([factor, factor, 1.0])
    part = Framing(
        max(1, frame.height // factor), max(1, frame.width // factor),
        np.linalg.inv(scale) @ frame.page_from_out @ scale, True, frame.angle, 0,
    )  # fmt: skip
    after = framed(lambda box: _window(view, box), part, part.box)
    _save(album, "border", [outlined(view, small), as_codes(after)])


def show_step(
    album: Album, name: str, page: Page, plans: tuple[CleanPlan, CleanPlan], place: tuple[float, float]
) -> None:
    """The place (x, y px of the page) before and after a step, each pixel as it would be written."""
    if album.folder is None:
        return
    frame = plans[1].frame
    x, y, _ = np.linalg.inv(frame.page_from_out) @ (*place, 1.0)
    half = round(LOOK_MM / 2 / MM_PER_INCH * page.dpi)
    box = clipped(grown(Box(round(y), round(x), 1, 1), half), frame.box)
    if not box.empty:
        _save(album, name, [clean_pixels(page, plan, box)[..., : page.channels] for plan in plans])


def show_places(
    album: Album,
    name: str,
    page: Page,
    plans: tuple[CleanPlan, CleanPlan],
    places: Sequence[tuple[float, float]],
) -> None:
    """Small places (x, y px of the page) side by side, each before above and after below, as they would be written."""
    if album.folder is None:
        return
    back = np.linalg.inv(plans[1].frame.page_from_out)
    half = round(PLACE_MM / 2 / MM_PER_INCH * page.dpi)
    shown = []
    for place in places:
        x, y, _ = back @ (*place, 1.0)
        box = clipped(grown(Box(round(y), round(x), 1, 1), half), plans[1].frame.box)
        if not box.empty:
            both = [clean_pixels(page, plan, box)[..., : page.channels] for plan in plans]
            shown.append(np.concatenate(both))
    if shown:
        _save(album, name, shown)


def show_paper(album: Album, view: Floats, factor: int, plan: CleanPlan) -> None:
    """The whole page small before and after evening, contrast stretched so that 1 percent shows as 4."""
    if album.folder is None:
        return
    view, factor = to_look_at(view, factor)
    after = view / paper_small(plan.white, factor, view.shape)
    before = view / np.maximum(plan.white.mean, 1e-4)
    _save(album, "paper", [as_codes(np.asarray(0.8 + 0.8 * (m - 1), np.float32)) for m in (before, after)])


def write_mask(
    album: Album, page: Page, dust: DustMap, frame: Framing, *, workers: int, progress: Progress = silent
) -> None:
    """The mask of what was taken for dust, 255 there, framed as the clean page is."""
    if album.folder is None:
        return
    spec = MasterSpec(frame.height, frame.width, 1, "uint8", False, page.dpi, None)
    path = album.folder / "dust_mask.tif"
    made = _mask_blocks(dust, frame, spec, workers)
    count = block_count(spec.height, spec.width, BLOCK)
    write_master(path, spec, counted(made, "drawing the mask of dust", count, progress), originals=[album.original])
    album.written[f"{album.name}/{path.name}"] = sha256_of(path)


def _mask_blocks(dust: DustMap, frame: Framing, spec: MasterSpec, workers: int) -> Iterator[EncodedBlock]:
    def work(box: Box) -> EncodedBlock:
        light = framed(lambda b: mask_at(dust, b)[..., None].astype(np.float32), frame, box)
        return encode_block(np.where(light > 0.5, 255, 0).astype(np.uint8), spec)

    return in_order(work, blocks(spec.height, spec.width, BLOCK), workers)


def _window(view: Floats, box: Box) -> Floats:
    rows = np.clip(np.arange(box.row, box.bottom), 0, view.shape[0] - 1)
    cols = np.clip(np.arange(box.col, box.right), 0, view.shape[1] - 1)
    return np.ascontiguousarray(view[rows][:, cols])


def _save(album: Album, name: str, pictures: list[NDArray[np.generic]]) -> None:
    if album.folder is None:
        return
    path = album.folder / f"{name}.png"
    write_pair(path, pictures, originals=[album.original])
    album.written[f"{album.name}/{path.name}"] = sha256_of(path)
