"""I am what the inspection knows and what it says: evidence in, findings out.

In: looks, layouts, comparisons. Out: frozen values.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np

from stitchbed.core.quantities import MM_PER_INCH, likely_dpi
from stitchbed.inspection.differences import Difference
from stitchbed.inspection.glass import Grain
from stitchbed.inspection.looks import Glance, Look
from stitchbed.inspection.overlaps import Comparison
from stitchbed.inspection.patches import Course
from stitchbed.inspection.smears import Smear
from stitchbed.mosaic.linking.pose_graph import Layout
from stitchbed.reading.base.tile import Tile

LEVELS = ("note", "usable", "redo")


@dataclass(frozen=True)
class Finding:
    """fault : short name. level : note (says something, harms nothing), usable (a join can live with it) or redo.

    why : what was seen. change : what to do. numbers : what was measured.
    """

    fault: str
    level: str
    why: str
    change: str
    numbers: Mapping[str, Any] = field(default_factory=dict)


class Pairs(Protocol):
    """What pairs of pieces showed of each other, see `Evidence`."""

    @property
    def tiles(self) -> Sequence[Tile]: ...
    @property
    def looks(self) -> Sequence[Glance]: ...
    @property
    def comparisons(self) -> Sequence[Comparison]: ...
    @property
    def courses(self) -> Sequence[Course]: ...
    @property
    def differences(self) -> Sequence[Difference]: ...


@dataclass(frozen=True)
class PairEvidence:
    """What pairs of pieces showed of each other, and nothing else."""

    tiles: tuple[Tile, ...]
    looks: tuple[Glance, ...]
    comparisons: tuple[Comparison, ...]
    courses: tuple[Course, ...]
    differences: tuple[Difference, ...]


@dataclass(frozen=True)
class Evidence:
    """All that was seen. formats : file format per tile. layouts : islands, the largest first.

    sharper : (a, b) -> log of a's edge ratio over b's at the same places. grains, smear : on the glass, px.
    mirrored : names of pieces that fit only when left and right are exchanged. beside_mirrored : piece that nothing
    else holds -> the mirrored one whose image it fits.
    courses, differences : of the linked pairs, see `patches` and `differences`.
    thin : piece that no link holds -> the neighbor it shares a narrow strip with, its px, see `patches.thin_shared`.
    """

    tiles: tuple[Tile, ...]
    formats: tuple[str, ...]
    looks: tuple[Look, ...]
    layouts: Sequence[Layout]
    comparisons: tuple[Comparison, ...]
    sharper: Mapping[tuple[int, int], float]
    grains: tuple[Grain, ...]
    mirrored: frozenset[str] = frozenset()
    beside_mirrored: Mapping[str, str] = field(default_factory=dict)
    courses: tuple[Course, ...] = ()
    differences: tuple[Difference, ...] = ()
    smear: Smear | None = None
    thin: Mapping[str, tuple[str, float]] = field(default_factory=dict)


def usual_profile(tiles: Sequence[Tile]) -> bytes | None:
    """The profile most tiles have."""
    return Counter(tile.raster.icc for tile in tiles).most_common(1)[0][0]


def declared_dpi(tile: Tile) -> float | None:
    """Dpi a file says, the mean of both axes."""
    return None if tile.raster.dpi is None else float(np.mean(tile.raster.dpi))


def usual_dpi(tiles: Sequence[Tile]) -> float | None:
    """The dpi most tiles say, to the nearest whole number; None when none says any."""
    said = [round(dpi) for tile in tiles if (dpi := declared_dpi(tile))]
    return float(Counter(said).most_common(1)[0][0]) if said else None


def believed_dpi(tiles: Sequence[Tile]) -> list[float]:
    """Dpi per tile to start from: what it says, else what most say, else as for beds of one page."""
    usual = usual_dpi(tiles) or likely_dpi(max(max(tile.raster.shape[:2]) for tile in tiles))
    return [declared_dpi(tile) or usual for tile in tiles]


def worst(findings: Sequence[Finding]) -> str:
    """Verdict over findings: good, usable or redo."""
    rank = max((LEVELS.index(item.level) for item in findings), default=0)
    return ("good", "usable", "redo")[rank]


def length_words(evidence: Evidence, index: int, px: float) -> str:
    """A length in px of one piece's, in mm where any dpi is known."""
    dpi = declared_dpi(evidence.tiles[index]) or usual_dpi(evidence.tiles)
    return f"{px / dpi * MM_PER_INCH:.0f} mm" if dpi else f"{px:.0f} px"
