"""I put copies into words.

In: its record, where it was written. Out: what a person wants to know first.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from stitchbed.copies.copies import EXPORTS


def summary(record: Mapping[str, Any], output: Path) -> str:
    lines = []
    for name, numbers in record["numbers"].items():
        size = f"{numbers['width']} x {numbers['height']} px, {numbers['bytes'] / 2**20:.1f} MiB"
        lines.append(f"{output / numbers['file']}: {EXPORTS[name].words}, {size}")
    return "\n".join([*lines, *(f"Note: {warning}." for warning in record["warnings"])])
