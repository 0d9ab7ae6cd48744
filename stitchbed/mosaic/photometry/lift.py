"""I find where the sheet leaves the glass: darker than the neighbor sees the same place, and joined to a tile's edge.

In: leveled patches. Out: `Lift` per tile: how deep, and which cells are not to be trusted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Mask
from stitchbed.core.memory import late
from stitchbed.mosaic.photometry.overlap_samples import Patches, in_all
from stitchbed.mosaic.registration.placement import edge_distance

ndimage = late("scipy.ndimage")

TELLING = 5.0  # times the light by which blacks differ: what is darker tells of no lift
PLAIN_LIFT = 0.05  # loss at the very edge from which a whole side is taken to lift; shadows of covers stay below


@dataclass(frozen=True)
class LiftSettings:
    """darker: relative loss of light that counts (a mm of height changes light by ~1 %, Med. Phys. 2015, doi
    10.1118/1.4929563).
    reach_mm: how far in from the edge a sheet is believed to lift. grow_mm: added round what is found, for the tail
    that is shifted before it is visibly dark. cell_mm: size of the cells. black: light that noise and the black of two
    scans may differ by; on dark grounds it is a percent. drawn: share of the unrest of a cell that two looks at it may
    differ by, for each cuts the drawing into cells of its own (sd .03 on text, handwriting, drawings).
    """

    darker: float = 0.010
    reach_mm: float = 30.0
    grow_mm: float = 2.5
    cell_mm: float = 2.0
    black: float = 6e-4
    drawn: float = 0.06


@dataclass(frozen=True)
class Lift:
    """mask : (h, w) bool on cells of `cell` px over the tile, True where it lifts. loss : largest share of light lost.

    losses : (h, w) share of light lost per cell, 0 outside the mask; measured against neighbors, and along the rest of
    a side that lifts taken from where it could be measured.
    """

    tile: str
    mask: Mask
    cell: float
    loss: float
    losses: Array

    @property
    def any(self) -> bool:
        """True when the tile lifts anywhere."""
        return bool(self.mask.any())


def find_lift(
    names: Sequence[str],
    sizes: Sequence[tuple[int, int]],
    patches: Patches,
    corrected: Sequence[Array],
    px_per_mm: Sequence[float],
    settings: LiftSettings,
) -> list[Lift]:
    """Lifted zones of all tiles. corrected : per tile (n, C) leveled light of `patches`."""
    first, second, tone = _judges(sizes, patches, corrected, px_per_mm)
    gray, lifts = np.array([seen.gray for seen in patches.seen]), []
    for i, (name, size, seen) in enumerate(zip(names, sizes, patches.seen, strict=True)):
        by_second = first[seen.index] == i
        reference = np.where(by_second[:, None], tone[1][seen.index], tone[0][seen.index])
        judge = np.where(by_second, second[seen.index], first[seen.index])
        known = judge >= 0
        light = np.maximum(reference[known], 1e-4)
        lost = 1 - corrected[i][known] / light
        loss, by = _middle_loss(lost, light)
        unlike = gray[judge[known]] != seen.gray
        loss, by = np.where(unlike, in_all(lost), loss), np.where(unlike, light.mean(1), by)
        unrest = seen.unrest[known]
        loss = np.where(by > TELLING * settings.black, _beyond(loss, settings.black / by), 0.0)
        plain = _beyond(loss, settings.drawn * unrest)
        seen_there = seen.at[known], np.column_stack([loss, plain]), 1 / (1 + (unrest / 0.2) ** 2)
        lifts.append(_lift(name, size, seen_there, px_per_mm[i], settings))
    return lifts


def _middle_loss(lost: Array, light: Array) -> tuple[Array, Array]:
    """Median (n,) over channels (n, C) of lost light, each weighed by its own, and the light (n,) of the channel it is
    of: in a pure green the others are as black as ink, and tell only noise."""
    order = np.argsort(lost, axis=1)
    share = np.cumsum(np.take_along_axis(light, order, axis=1), axis=1)
    middle = np.take_along_axis(order, (share >= share[:, -1:] / 2).argmax(1)[:, None], axis=1)
    return np.take_along_axis(lost, middle, 1)[:, 0], np.take_along_axis(light, middle, 1)[:, 0]


def _beyond(loss: Array, room: Array) -> Array:
    """What of a loss or gain of light lies beyond `room`."""
    result: Array = np.sign(loss) * np.maximum(np.abs(loss) - room, 0)
    return result


def trust(lifts: Sequence[Lift], patches: Patches) -> list[Array]:
    """Per tile (n,) 0 where it lifts, else 1."""
    return [1.0 - inside(lift, seen.at).astype(np.float64) for lift, seen in zip(lifts, patches.seen, strict=True)]


def losses_at(lifts: Sequence[Lift], patches: Patches) -> list[Array]:
    """Per tile (n,) share of light lost at its points."""
    return [_at(lift, lift.losses, seen.at) for lift, seen in zip(lifts, patches.seen, strict=True)]


def laid_flat(patches: Patches, lost: Sequence[Array]) -> Patches:
    """What the tiles would see without a lift that takes `lost` (n,) of their light."""
    seen = [
        replace(seen, light=seen.light / (1 - loss[:, None])) for seen, loss in zip(patches.seen, lost, strict=True)
    ]
    return replace(patches, seen=tuple(seen))


def inside(lift: Lift, xy: Array) -> Mask:
    """True for tile points (N, 2) px in a lifted cell."""
    result: Mask = _at(lift, lift.mask, xy)
    return result


def _at(lift: Lift, cells: NDArray[Any], xy: Array) -> NDArray[Any]:
    """What a table of the lift's cells says at tile points (N, 2) px."""
    h, w = cells.shape
    col = np.clip((xy[:, 0] / lift.cell).astype(int), 0, w - 1)
    row = np.clip((xy[:, 1] / lift.cell).astype(int), 0, h - 1)
    found: NDArray[Any] = cells[row, col]
    return found


def _judges(
    sizes: Sequence[tuple[int, int]], patches: Patches, corrected: Sequence[Array], px_per_mm: Sequence[float]
) -> tuple[NDArray[np.intp], NDArray[np.intp], tuple[Array, Array]]:
    """The two tiles that see each point farthest from their edges (they judge the others; -1: none), and their
    light."""
    count = len(patches.xy)
    channels = patches.seen[0].light.shape[1]
    who = (np.full(count, -1), np.full(count, -1))
    depth = (np.zeros(count), np.zeros(count))
    tone = (np.zeros((count, channels)), np.zeros((count, channels)))
    for i, (size, seen, light, k) in enumerate(zip(sizes, patches.seen, corrected, px_per_mm, strict=True)):
        own = edge_distance(size, seen.at) / k
        best = own > depth[0][seen.index]
        at = seen.index[best]
        for table in (who, depth, tone):
            table[1][at] = table[0][at]
        who[0][at], depth[0][at], tone[0][at] = i, own[best], light[best]
        next_best = ~best & (own > depth[1][seen.index])
        at = seen.index[next_best]
        who[1][at], depth[1][at], tone[1][at] = i, own[next_best], light[next_best]
    return who[0], who[1], tone


def _lift(
    name: str, size: tuple[int, int], seen: tuple[Array, Array, Array], px_per_mm: float, settings: LiftSettings
) -> Lift:
    """seen : (n, 2) tile px, (n, 2) loss there and what of it the drawing does not explain, (n,) weight."""
    cell = settings.cell_mm * px_per_mm
    h, w = int(np.ceil(size[0] / cell)), int(np.ceil(size[1] / cell))
    (loss, plain), known = _cell_means(seen, (h, w), cell)
    reach = round(settings.reach_mm / settings.cell_mm)
    dark = (loss > settings.darker) & _near_edge((h, w), reach)
    joined = _joined_to_edge(dark, plain > settings.darker)
    for turns in range(4):
        _along_side(np.rot90(loss, turns), np.rot90(known, turns), np.rot90(joined, turns), reach, settings.darker)
    grow = max(1, round(settings.grow_mm / settings.cell_mm))
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * grow + 1, 2 * grow + 1))
    mask = cv2.dilate(joined.astype(np.uint8), kernel).astype(bool)
    losses = np.where(mask, np.clip(loss, 0, 0.6), 0.0)
    return Lift(name, mask, cell, float(loss[joined].max()) if joined.any() else 0.0, losses)


def no_lift(name: str, size: tuple[int, int]) -> Lift:
    """A tile that lies flat."""
    return Lift(name, np.zeros((2, 2), bool), float(max(size)), 0.0, np.zeros((2, 2)))


def _along_side(loss: Array, known: Mask, joined: Mask, reach: int, darker: float) -> None:
    """Carry what a side's top rows show to columns no neighbor sees, in place: a sheet over a frame lifts all along."""
    top = min(reach, loss.shape[0] // 3)
    seen = known[: max(2, top // 4)].mean(0) > 0.5
    # near the corners the other sides' lift shows, not this one's
    inner = np.zeros_like(seen)
    inner[top // 2 : len(seen) - top // 2] = True
    lifted = seen & inner & joined[:2].any(0)
    if seen.all() or lifted.sum() < max(5, 0.2 * len(seen), 0.6 * (seen & inner).sum()):
        return
    profile = np.maximum.accumulate(np.median(loss[:top, lifted], axis=1)[::-1])[::-1]
    if profile[0] < PLAIN_LIFT:
        return
    blind = ~seen
    fresh = blind[None] & ~known[:top] & (profile > darker)[:, None]
    loss[:top][fresh] = np.broadcast_to(profile[:, None], fresh.shape)[fresh]
    joined[:top][fresh] = True


def _cell_means(seen: tuple[Array, Array, Array], shape: tuple[int, int], cell: float) -> tuple[Array, Mask]:
    """(2, h, w) weighted mean losses per cell, smoothed a little, and where they are known."""
    at, losses, weight = seen
    row = np.clip((at[:, 1] / cell).astype(int), 0, shape[0] - 1)
    col = np.clip((at[:, 0] / cell).astype(int), 0, shape[1] - 1)
    sums = np.zeros((3, *shape))
    for total, values in zip(sums, (weight, *losses.T * weight), strict=True):
        np.add.at(total, (row, col), values)
        total[:] = ndimage.gaussian_filter(total, 1.0, mode="nearest")
    known = sums[0] > 0.02
    return np.where(known, sums[1:] / np.maximum(sums[0], 1e-9), 0.0), known


def _near_edge(shape: tuple[int, int], cells: float) -> Mask:
    h, w = shape
    row, col = np.arange(h)[:, None], np.arange(w)[None]
    result: Mask = np.minimum(np.minimum(row, h - 1 - row), np.minimum(col, w - 1 - col)) < cells
    return result


def _joined_to_edge(dark: Mask, plain: Mask) -> Mask:
    """Connected dark cells that touch the tile's rim (the outer two cells), more than a speck of them plainly dark."""
    labels, count = ndimage.label(dark, structure=np.ones((3, 3)))
    rim = np.zeros_like(dark)
    rim[:2], rim[-2:], rim[:, :2], rim[:, -2:] = True, True, True, True
    touching = set(np.unique(labels[rim & dark]).tolist()) - {0}
    sizes = ndimage.sum_labels(dark & plain, labels, range(1, count + 1)) if count else np.zeros(0)
    good = [label for label in touching if sizes[label - 1] >= 4]
    result: Mask = np.isin(labels, good)
    return result
