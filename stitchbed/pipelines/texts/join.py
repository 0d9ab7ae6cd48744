"""I put a join into words.

In: its record, where it was written. Out: what a person wants to know first.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from stitchbed.core.quantities import MM_PER_INCH


def summary(record: Mapping[str, Any], output: Path) -> str:
    """What a person wants to know first."""
    canvas = record["canvas"]
    mm = [canvas[side] / canvas["dpi"] * MM_PER_INCH for side in ("width", "height")]
    left = [step["numbers"].get("rms_px") for step in record["steps"] if step["step"] == "measure"]
    lines = [
        f"{canvas['path']}: {canvas['width']} x {canvas['height']} px, {mm[0]:.0f} x {mm[1]:.0f} mm at "
        f"{canvas['dpi']:.0f} dpi, from {len(record['placements'])} of {len(record['inputs'])} pieces.",
        *([f"Neighbors agree to {left[0]:.2f} px."] if left and left[0] is not None else []),
        *[f"Note: {warning}." for warning in record["warnings"]],
        f"Record: {Path(canvas['path']).with_suffix('.json')}",
    ]
    return "\n".join(lines)
