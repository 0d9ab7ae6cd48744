"""I keep what `check` saw of a piece, and try whether two pieces show one place.

In: a look, its points. Out: views to compare, links.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.inspection.looks import Look
from stitchbed.matching.features import FeatureSettings, Keypoints
from stitchbed.matching.hypotheses import LinkSettings
from stitchbed.matching.overlap_evidence import EvidenceSettings, detail_of
from stitchbed.matching.similarity_links import Link, Sight
from stitchbed.mosaic.survey.judgment import BeliefSettings, PieceView, judged_link

FEATURES = FeatureSettings()  # as a join has them: of fewer a soft painting is told alone that it joins
SIGHT_SIDE = 480  # px of the picture a motion is judged by, as in a join
EVIDENCE = EvidenceSettings()


@dataclass(frozen=True)
class Seen:
    """What is kept of a piece."""

    look: Look
    points: Keypoints
    sight: Sight

    def at(self, dpi: float) -> PieceView:
        """As what it is compared by, at its resolution."""
        gray = self.look.gray.astype(np.float32)
        return PieceView(self.points, self.sight, detail_of(gray, self.look.reduction, dpi / MM_PER_INCH, EVIDENCE))


def link_between(views: tuple[PieceView, PieceView], scales: Sequence[float], belief: BeliefSettings) -> Link | None:
    """The link of two pieces at the first of the scales at which it is believed."""
    for scale in scales:
        got = judged_link(views, scale, LinkSettings(), belief=belief, evidence=EVIDENCE)
        if isinstance(got, Link):
            return got
    return None
