"""I put flats into words.

In: its record, where it was written. Out: what a person wants to know first.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any


def summary(record: Mapping[str, Any], output: Path) -> str:
    numbers = record["numbers"]
    regions = numbers["regions"]
    ground = sum(r["ground"] for r in regions)
    count, colors = len(regions) - ground, len(numbers["colors"])
    found = f"{count} region{'s' * (count != 1)} in {colors} color{'s' * (colors != 1)}"
    return (
        f"{output}: {found}, {ground} left as paper.\n"
        f"Openings of outlines up to {numbers['gap_bridged_mm']:.2f} mm are closed."
        + "".join(f"\nNote: {warning}." for warning in record["warnings"])
    )
