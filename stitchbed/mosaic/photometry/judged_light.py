"""I judge the light of all pieces: where the sheet lifts, each one's level, and which levels are estimates only.

In: what the pieces see at common places. Out: a `Light`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.mosaic.photometry.gain_compensation import Level, estimated_pairs, find_gains, no_gain
from stitchbed.mosaic.photometry.level_equations import LevelSettings
from stitchbed.mosaic.photometry.lift import Lift, LiftSettings, find_lift, laid_flat, losses_at, no_lift, trust
from stitchbed.mosaic.photometry.lift_profiles import lost_light
from stitchbed.mosaic.photometry.overlap_samples import Patches
from stitchbed.mosaic.registration.placement import Placement, edge_distance

ROUNDS = 2  # of levels and lifts in turn
MOST_OFF = 1.25  # how far an estimated level is off at most, in shares of the lift's loss (measured: 95 % of 80)
RIM_MM = 12.0  # from an edge inward that little is believed at first: there sheets lift and covers shade


@dataclass(frozen=True)
class Light:
    """lifts, levels : one per piece. estimated : pairs of pieces whose light against each other rests on light given
    back to lifted places alone."""

    lifts: list[Lift]
    levels: list[Level]
    estimated: list[tuple[int, int]]


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
    if sight.levels is None or not len(patches.xy):
        return Light(lying.lifts, [no_gain(name, patches.channels) for name in names], [])
    found, _ = find_gains(names, sight.sizes, lying.flat, lying.weight, group=sight.group, settings=sight.levels)
    return Light(lying.lifts, found, estimated_pairs(patches, lying.weight, sight.levels))


def estimated_words(light: Light) -> list[str]:
    """A line about pieces whose light against each other no overlap shows."""
    if not light.estimated:
        return []
    lifts = light.lifts
    listed = "; ".join(
        f"{lifts[i].tile} and {lifts[j].tile} (by up to {100 * MOST_OFF * max(lifts[i].loss, lifts[j].loss):.0f} %)"
        for i, j in light.estimated
    )
    return [
        "the sheet leaves the glass all over what two pieces share, so how light one is against the other is an "
        f"estimate that may be wrong: {listed}. Look at where they meet, or scan one of them again with more overlap"
    ]


def _rim_weight(sizes: Sequence[tuple[int, int]], patches: Patches, px_per_mm: Sequence[float]) -> list[Array]:
    """Per piece (n,) little trust near its edge, where sheets lift and covers shade."""
    depths = [
        edge_distance(size, seen.at) / scale for size, seen, scale in zip(sizes, patches.seen, px_per_mm, strict=True)
    ]
    return [np.clip(depth / RIM_MM, 0.02, 1) ** 2 for depth in depths]
