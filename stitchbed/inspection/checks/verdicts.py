"""I put the findings of all pieces together into verdicts.

In: evidence. Out: the record's part on pieces and on the set.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from stitchbed.core.errors import StitchbedError
from stitchbed.inspection import quality
from stitchbed.inspection.checks.head import without_head
from stitchbed.inspection.checks.light import drifts, suspects
from stitchbed.inspection.checks.lying import left_alone, spoils
from stitchbed.inspection.checks.pairs import of_either, pair_findings, uneven
from stitchbed.inspection.checks.pieces import own_sharpness, piece_findings
from stitchbed.inspection.checks.sets import set_findings, unlike_most
from stitchbed.inspection.findings import Evidence, Finding, believed_dpi, worst


def judged(evidence: Evidence, unread: Sequence[StitchbedError] = ()) -> dict[str, Any]:
    """Findings and verdicts per piece and for the set; the set is as good as its worst piece, and what could not be
    read (`unread`) is missing from it.
    """
    evidence = replace(evidence, courses=without_head(evidence.courses, evidence.looks, believed_dpi(evidence.tiles)))
    alone = piece_findings(evidence)
    together, whole = set_findings(evidence)
    whole = [*(Finding("unreadable", "redo", one.found, one.attempt) for one in unread), *whole]
    unlike = unlike_most(evidence)
    blurred = [index for index, own in enumerate(alone) if any(one.fault == "blurred" for one in own)]
    whole += of_either(evidence, unlike)
    for index, finding in pair_findings(evidence, unlike, blurred):
        if not (index in blurred and finding.fault == "shaken"):  # lines out of focus may lean a way
            together[index].append(finding)
    for index in sorted(suspects(evidence.comparisons)):
        if worst([*alone[index], *together[index]]) == "good" and drifts(evidence.comparisons, index):
            together[index].append(uneven(evidence, index))
    every = [[*own, *joint] for own, joint in zip(alone, together, strict=True)]
    spoiled = [tile.name for tile, own in zip(evidence.tiles, every, strict=True) if any(map(spoils, own))]
    for index, own in enumerate(every if spoiled else ()):
        if [one.fault for one in own if one.level != "note"] == ["alone"]:
            every[index] = [left_alone(one, spoiled) if one.fault == "alone" else one for one in own]
            whole = [one for one in whole if one.fault != "gap"]  # it may lie there
    pieces = [_piece(evidence, index, own) for index, own in enumerate(every)]
    everything = [finding for part in (*every, whole) for finding in part]
    return {
        "verdict": worst(everything),
        "pieces": pieces,
        "set": {"verdict": worst(whole), "findings": whole},
        "islands": [sorted(layout.sheet_from_tile) for layout in evidence.layouts],
    }


def _piece(evidence: Evidence, index: int, findings: list[Finding]) -> dict[str, Any]:
    tile, look = evidence.tiles[index], evidence.looks[index]
    sharpness = own_sharpness(look)
    return {
        "name": tile.name,
        "path": tile.path,
        "verdict": worst(findings),
        "findings": findings,
        "numbers": {
            "noise": round(look.noise, 2),
            "edge_ratio": None if sharpness is None else round(float(np.exp(sharpness)), 3),
            "blur_px": None if sharpness is None else round(quality.blur_of(float(np.exp(sharpness))), 2),
            "clipped_black": round(look.black, 5),
            "clipped_white": round(look.white, 5),
            "sharpness_across": _across(evidence, index),
        },
    }


def _across(evidence: Evidence, index: int) -> list[list[float | None]]:
    """3 x 3 parts of the bed: edge ratio over the piece's own median, None where nothing is drawn."""
    look = evidence.looks[index]
    middle = own_sharpness(look)
    cells: list[list[list[float]]] = [[[] for _ in range(3)] for _ in range(3)]
    for item in look.sharpness:
        row, col = (min(2, int(3 * share)) for share in (item.y / look.shape[0], item.x / look.shape[1]))
        cells[row][col].append(np.log(item.ratio) - (middle or 0.0))
    return [[round(float(np.exp(np.median(part))), 3) if part else None for part in row] for row in cells]
