"""I am the context of one survey: the tiles, where to read them, and the settings of every stage.

In: tiles, shelf, settings. Out: frozen values the steps of the survey are called with.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from typing import Annotated, Any, Protocol

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array
from stitchbed.core.progress import Progress
from stitchbed.core.quantities import MM_PER_INCH, likely_dpi
from stitchbed.core.settings import Setting
from stitchbed.imaging.box import Box
from stitchbed.imaging.transfer import Transfer
from stitchbed.matching.features import FeatureSettings
from stitchbed.matching.hypotheses import LinkSettings
from stitchbed.matching.overlap_evidence import EvidenceSettings
from stitchbed.matching.pairs import PairSettings
from stitchbed.mosaic.compositing.disagreement import ChangeSettings
from stitchbed.mosaic.compositing.dust_by_overlap import SpeckSettings
from stitchbed.mosaic.compositing.seams import SeamSettings
from stitchbed.mosaic.hints.hints import Hints
from stitchbed.mosaic.linking.pose_graph import GraphSettings
from stitchbed.mosaic.photometry.level_equations import LevelSettings
from stitchbed.mosaic.photometry.lift import LiftSettings
from stitchbed.mosaic.registration.holding import HoldSettings
from stitchbed.mosaic.registration.residual_warp import FieldSettings, FoldSettings
from stitchbed.mosaic.registration.scanner_bed import BedSettings
from stitchbed.mosaic.registration.tie_points import TieSettings
from stitchbed.mosaic.registration.uncertainty import UncertaintySettings
from stitchbed.mosaic.registration.unknowns import AlignmentSettings
from stitchbed.mosaic.survey.judgment import BeliefSettings
from stitchbed.mosaic.survey.preview import PreviewSettings
from stitchbed.reading.base.tile import Tile
from stitchbed.reading.windows import Windows as OpenWindows


@dataclass(frozen=True)
class Recorded:
    """Where an earlier record says that pieces lie: canvas_from_tile 3x3 by name, dpi of its canvas."""

    places: Mapping[str, Array]
    dpi: float


class Windows(Protocol):
    """What the survey asks of a shelf."""

    def window(self, tile: Tile, box: Box) -> NDArray[Any]:
        """(h, w, c) stored pixels."""
        ...

    def view(self, tile: Tile, reduction: int) -> NDArray[Any]:
        """The whole tile, area-reduced by a whole factor."""
        ...

    def reduced(self, tile: Tile, reduction: int) -> AbstractContextManager[OpenWindows]:
        """The same, to be read by windows."""
        ...

    def alpha(self, tile: Tile, box: Box) -> NDArray[Any] | None:
        """(h, w) straight alpha of a box, or None."""
        ...


@dataclass(frozen=True)
class SurveySettings:
    """The settings of every stage, and: find_lift, solve_levels, solve_fields, find_dust: False leaves that part
    out (to see what it earns).

    rounds: how often ties are measured; a third would change places by under .01 px. seed: of the only random choice
    (which spanning trees are tried). allow_missing: go on without pieces that could not be placed.
    max_megapixels: largest canvas. default_dpi: when no piece says its own; None: by how large the pieces are.
    """

    features: FeatureSettings = field(default_factory=FeatureSettings)
    preview: PreviewSettings = field(default_factory=PreviewSettings)
    pairs: PairSettings = field(default_factory=PairSettings)
    links: LinkSettings = field(default_factory=LinkSettings)
    evidence: EvidenceSettings = field(default_factory=EvidenceSettings)
    belief: BeliefSettings = field(default_factory=BeliefSettings)
    graph: GraphSettings = field(default_factory=GraphSettings)
    ties: TieSettings = field(default_factory=TieSettings)
    alignment: AlignmentSettings = field(default_factory=AlignmentSettings)
    holding: HoldSettings = field(default_factory=HoldSettings)
    bed: BedSettings = field(default_factory=BedSettings)
    uncertainty: UncertaintySettings = field(default_factory=UncertaintySettings)
    fields: FieldSettings = field(default_factory=FieldSettings)
    folds: FoldSettings = field(default_factory=FoldSettings)
    levels: LevelSettings = field(default_factory=LevelSettings)
    lift: LiftSettings = field(default_factory=LiftSettings)
    seams: SeamSettings = field(default_factory=SeamSettings)
    specks: SpeckSettings = field(default_factory=SpeckSettings)
    changes: ChangeSettings = field(default_factory=ChangeSettings)
    find_lift: bool = True
    solve_levels: bool = True
    solve_fields: bool = True
    find_dust: bool = True
    rounds: Annotated[int, Setting("How often ties are measured.", shell=False, low=1, high=20)] = 2
    seed: int = 20
    allow_missing: Annotated[bool, Setting("Write the rest when a piece cannot be placed.")] = False
    max_megapixels: Annotated[float, Setting("Largest canvas.", unit="megapixels", low=0.01, high=1e6)] = 4000.0
    default_dpi: Annotated[
        float | None, Setting("Dpi when no piece says its own.", unit="dpi", shell=False, low=1, high=100_000)
    ] = None


@dataclass(frozen=True)
class Kind:
    """What the master is to be: channels, dtype, icc, transfer (tone curve), alpha: an alpha channel;
    paper: linear color under what no piece sees."""

    channels: int
    dtype: str
    icc: bytes | None
    transfer: Transfer
    alpha: bool = False
    paper: tuple[float, ...] = (1.0,)


@dataclass(frozen=True)
class SurveyContext:
    """dpi : (T,) per tile, as declared or assumed. hints : what a person said, with full names and px. recorded :
    where an earlier
    record says that the tiles lie."""

    tiles: tuple[Tile, ...]
    dpi: NDArray[np.float64]
    shelf: Windows
    kind: Kind
    settings: SurveySettings
    workers: int = 1
    progress: Progress = lambda step, done, total: None
    hints: Hints = field(default_factory=Hints)
    recorded: Recorded | None = None

    @property
    def px_per_mm(self) -> NDArray[np.float64]:
        """(T,) full-resolution pixels per millimeter."""
        return self.dpi / MM_PER_INCH


def declared_dpi(tiles: Sequence[Tile], default: float | None) -> tuple[NDArray[np.float64], list[str]]:
    """(T,) dpi per tile and warnings; a tile that does not say its own takes the others' median, else
    `default`, else what makes the largest piece about as long as an A4 sheet."""
    said = [float(np.mean(tile.raster.dpi)) if tile.raster.dpi else np.nan for tile in tiles]
    values = np.array(said)
    silent = np.flatnonzero(np.isnan(values))
    if not len(silent):
        return values, []
    if len(silent) < len(values):
        common, source = float(np.nanmedian(values)), "as the other pieces"
    elif default is not None:
        common, source = default, "for want of better"
    else:
        common = likely_dpi(max(max(tile.raster.shape[:2]) for tile in tiles))
        source = "as for a bed about as long as an A4 sheet"
    values[silent] = common
    names = ", ".join(tiles[i].name for i in silent[:5]) + (" and others" if len(silent) > 5 else "")
    return values, [f"{names}: no dpi in the file; {common:.0f} dpi taken {source}. Give --dpi to set it"]
