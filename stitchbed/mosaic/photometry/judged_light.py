"""I judge the light of all pieces: where the sheet lifts, each one's level, and which levels are estimates only.

In: what the pieces see at common places. Out: a `Light`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.mosaic.photometry.gain_compensation import (
    DARKEST,
    Level,
    estimated_pairs,
    find_gains,
    no_gain,
    pairs_of,
    untied_tiles,
)
from stitchbed.mosaic.photometry.level_equations import LevelSettings, Pair
from stitchbed.mosaic.photometry.lift import Lift, LiftSettings, find_lift, laid_flat, losses_at, no_lift, trust
from stitchbed.mosaic.photometry.lift_profiles import lost_light
from stitchbed.mosaic.photometry.overlap_samples import Patches
from stitchbed.mosaic.registration.placement import Placement, edge_distance

ROUNDS = 2  # of levels and lifts in turn
MOST_OFF = 1.25  # how far an estimated level is off at most, in shares of the lift's loss (measured: 95 % of 80)
NARROW_MM = 8.0  # from an edge; what is seen no deeper shows too little of a lift to tell it from an exposure
UNEVEN = 0.1  # log of light; two scans of one kind differ by less, and of a lift that little does no harm
RIM_MM = 12.0  # from an edge inward that little is believed at first: there sheets lift and covers shade


@dataclass(frozen=True)
class Light:
    """lifts, levels : one per piece. estimated : pairs of pieces whose light against each other rests on light given
    back to lifted places alone. narrow : pairs, and the log of the light that was evened out between them, where an
    overlap is too narrow to show whether that is exposure or a sheet that leaves the glass. untied : pieces that share
    too little with the others to compare light at all."""

    lifts: list[Lift]
    levels: list[Level]
    estimated: list[tuple[int, int]]
    narrow: list[tuple[int, int, float]] = field(default_factory=list)
    untied: list[int] = field(default_factory=list)


@dataclass(frozen=True)
class Lying:
    """How pieces lay on the glass. lifts : one per piece. weight : per piece (n,) how far what it sees is to be
    trusted. flat : what they would see of the sheet lying flat."""

    lifts: list[Lift]
    weight: list[Array]
    flat: Patches


@dataclass(frozen=True)
class Sight:
    """What is judged. px_per_mm, group : of each piece, its bed. levels, lift : None for what is not wanted; no lift is
    sought without levels."""

    places: Sequence[Placement]
    patches: Patches
    px_per_mm: Sequence[float]
    group: Sequence[int]
    levels: LevelSettings | None
    lift: LiftSettings | None

    @property
    def names(self) -> list[str]:
        """Of the pieces."""
        return [place.tile for place in self.places]

    @property
    def sizes(self) -> list[tuple[int, int]]:
        """(h, w) px of the pieces."""
        return [place.size for place in self.places]


def judge_lifts(sight: Sight) -> Lying:
    """Where the sheet lifts: levels first without the rims, then lift, in turn."""
    names, sizes, patches, levels = sight.names, sight.sizes, sight.patches, sight.levels
    lifts = [no_lift(name, size) for name, size in zip(names, sizes, strict=True)]
    weight = _rim_weight(sizes, patches, sight.px_per_mm)
    if levels is None or sight.lift is None or not len(patches.xy):
        return Lying(lifts, weight, patches)
    lost = lost_light(sizes, patches, sight.px_per_mm, group=sight.group, settings=levels)
    flat = laid_flat(patches, lost)
    for _ in range(ROUNDS):
        _, corrected = find_gains(names, sizes, flat, weight, group=sight.group, settings=levels)
        seen = [light * (1 - loss[:, None]) for light, loss in zip(corrected, lost, strict=True)]
        lifts = find_lift(names, sizes, patches, seen, sight.px_per_mm, sight.lift)
        weight, lost = trust(lifts, patches), losses_at(lifts, patches)
        flat = laid_flat(patches, lost)
    return Lying(lifts, weight, flat)


def judge_light(sight: Sight) -> Light:
    """Where the sheet lifts, then levels without what lifts."""
    lying, names, patches = judge_lifts(sight), sight.names, sight.patches
    unchanged = [no_gain(name, patches.channels) for name in names]
    if sight.levels is None:
        return Light(lying.lifts, unchanged, [])
    pairs = pairs_of(patches, lying.weight, sight.levels)
    untied = untied_tiles(pairs, len(names))
    if not len(patches.xy):
        return Light(lying.lifts, unchanged, [], untied=untied)
    found, even = find_gains(names, sight.sizes, lying.flat, lying.weight, group=sight.group, settings=sight.levels)
    estimated = estimated_pairs(pairs, len(names))
    narrow = [pair for pair in _narrow_pairs(sight, pairs, even) if pair[:2] not in estimated]
    return Light(lying.lifts, found, estimated, narrow, untied)


def _narrow_pairs(sight: Sight, pairs: Sequence[Pair], corrected: Sequence[Array]) -> list[tuple[int, int, float]]:
    """Of `pairs`, those that share no place deeper in either than `NARROW_MM`, whose light was evened out by more than
    `UNEVEN`, and the log of that. corrected : per piece (n, C) light."""
    found, seen = [], sight.patches.seen
    rims = _depths(sight.sizes, sight.patches, sight.px_per_mm)
    given = [
        np.log(np.maximum(light, DARKEST) / np.maximum(one.light, DARKEST)).mean(1)
        for light, one in zip(corrected, seen, strict=True)
    ]
    for i, j in ((pair.i, pair.j) for pair in pairs):
        _, at_i, at_j = np.intersect1d(seen[i].index, seen[j].index, assume_unique=True, return_indices=True)
        if np.maximum(rims[i][at_i], rims[j][at_j]).max() > NARROW_MM:
            continue
        between = float(np.median(given[i][at_i] - given[j][at_j]))
        if abs(between) > UNEVEN:
            found.append((i, j, between))
    return found


def estimated_words(light: Light) -> list[str]:
    """Lines about pieces whose light against each other no overlap shows, or one too narrow to show what it is."""
    lifts, words = light.lifts, []
    if light.estimated:
        listed = "; ".join(
            f"{lifts[i].tile} and {lifts[j].tile} (by up to {100 * MOST_OFF * max(lifts[i].loss, lifts[j].loss):.0f} %)"
            for i, j in light.estimated
        )
        words.append(
            "the sheet leaves the glass all over what two pieces share, so how light one is against the other is an "
            f"estimate that may be wrong: {listed}. Look at where they meet, or scan one of them again with more "
            "overlap"
        )
    if light.narrow:
        listed = "; ".join(
            f"{lifts[i].tile} and {lifts[j].tile} ({100 * np.expm1(abs(between)):.0f} %)"
            for i, j, between in light.narrow
        )
        words.append(
            "two pieces differ in light, and what they share is too narrow to tell another exposure from a sheet that "
            f"leaves the glass; it was evened out as exposure: {listed}. Look at where they meet, or scan one of them "
            "again with more overlap"
        )
    if light.untied:
        listed = ", ".join(lifts[i].tile for i in light.untied)
        words.append(
            f"too little is shared with the other pieces to tell how light it is against them: {listed}; its light was "
            "left as scanned. Look at where they meet, or scan again with more overlap"
        )
    return words


def _rim_weight(sizes: Sequence[tuple[int, int]], patches: Patches, px_per_mm: Sequence[float]) -> list[Array]:
    """Per piece (n,) little trust near its edge, where sheets lift and covers shade."""
    return [np.clip(depth / RIM_MM, 0.02, 1) ** 2 for depth in _depths(sizes, patches, px_per_mm)]


def _depths(sizes: Sequence[tuple[int, int]], patches: Patches, px_per_mm: Sequence[float]) -> list[Array]:
    """Per piece (n,) mm from its edge to what it sees."""
    return [
        edge_distance(size, seen.at) / scale for size, seen, scale in zip(sizes, patches.seen, px_per_mm, strict=True)
    ]
