"""I put a clean-up into words.

In: its record, where it was written. Out: what a person wants to know first.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from stitchbed.core.quantities import MM_PER_INCH


def summary(record: Mapping[str, Any], output: Path) -> str:
    """What a person wants to know first."""
    numbers = record["numbers"]
    mm = [numbers[side] / numbers["dpi"] * MM_PER_INCH for side in ("width", "height")]
    lines = [f"{output}: {numbers['width']} x {numbers['height']} px, {mm[0]:.1f} x {mm[1]:.1f} mm."]
    lines += [f"{step['step']}: {step['numbers']['words']}." for step in numbers["steps"]]
    lines += [f"Note: {warning}." for warning in record["warnings"]]
    return "\n".join(lines)
