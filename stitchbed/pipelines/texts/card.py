"""I put a card into words.

In: its record, where it was written. Out: what a person wants to know first.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any


def summary(record: Mapping[str, Any], output: Path) -> str:
    """What was written, and what to do with it."""
    numbers = record["numbers"]
    return "\n".join(
        [
            f"Wrote {', '.join(str(output.with_name(name)) for name in record['outputs'])}.",
            f"Print at 100 % and measure both check lines ({numbers['check_line_across_mm']:.0f} mm): give them as "
            "--printed-mm.",
            f"{output.stem}.txt lists the patches' nominal colors; put measured ones in for true color.",
        ]
    )
