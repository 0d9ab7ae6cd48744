"""I put a color correction into sentences for the user.

In: the record. Out: text.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from stitchbed.pipelines.texts.rectify import grade_lines

CONTRAST = (
    "the camera applied a contrast curve (it bends tones by up to {share:.0%}); it was undone by the chart, but raw "
    "files, or a picture style set to neutral with contrast at its least, keep more of light and dark tones"
)
WORST_SHOWN = 5


def summary(record: Mapping[str, Any], output: Path) -> str:
    """What a person wants to know first."""
    numbers = record["numbers"]
    lines = [f"{output}: written."]
    lines += _measured(numbers) if numbers["measured"] else _unmeasured(numbers)
    lines += _lost(numbers)
    lines += grade_lines(numbers.get("grade"))
    lines += [f"Note: {warning}." for warning in record["warnings"]]
    lines.append(f"Record: {output.with_suffix('.json')}")
    return "\n".join(lines)


def _lost(numbers: Mapping[str, Any]) -> list[str]:
    """Of pixels whose color the output cannot hold."""
    lighter, beyond = numbers["lighter_than_white"], numbers["out_of_space"] - numbers["lighter_than_white"]
    lines = []
    if lighter > 0:
        lines.append(
            f"{100 * lighter:.2f} % of the pixels came out lighter than white, as where more light fell than on the "
            "chart, and lost what differed there: even out the light first (`rectify`)."
        )
    if beyond > 0:
        lines.append(f"{100 * beyond:.2f} % of the pixels lie outside of the output's color space.")
    return lines


def _measured(numbers: Mapping[str, Any]) -> list[str]:
    lines = [
        f"Color: {numbers['patches']} patches of {numbers['reference']}, fit {numbers['kind']}.",
        "dE2000        mean   95 %    max",
    ]
    for words, key in (("before", "de00_before"), ("after", "de00_after"), ("held out", "de00_held_out")):
        one = numbers[key]
        lines.append(f"  {words:<10} {one['mean']:6.2f} {one['p95']:6.2f} {one['max']:6.2f}")
    worst = sorted(numbers["table"].items(), key=lambda item: -item[1]["de00_after"])[:WORST_SHOWN]
    lines.append("Largest left: " + ", ".join(f"{name} {one['de00_after']:.2f}" for name, one in worst) + ".")
    return lines


def _unmeasured(numbers: Mapping[str, Any]) -> list[str]:
    gains = ", ".join(f"{gain:.3f}" for gain in numbers["gains"])
    return [f"White balance and exposure by the card's paper (gains {gains})."]
