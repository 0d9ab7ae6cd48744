"""I put a layer of lines into words.

In: its record, where it was written. Out: what a person wants to know first.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any


def summary(record: Mapping[str, Any], output: Path) -> str:
    numbers = record["numbers"]
    text = [f"{output}: {numbers['width']} x {numbers['height']} px, ink on {numbers['inked_share']:.1%} of the page."]
    if numbers["worst_over_white_8bit"] is not None:
        text.append(f"Over white the page comes back within {numbers['worst_over_white_8bit']:.2f} codes of 255.")
    return "\n".join([*text, *(f"Note: {warning}." for warning in record["warnings"])])
