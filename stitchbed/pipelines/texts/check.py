"""I put an inspection into words.

In: its record. Out: plain text: the set first, then the pieces that need something, then the good ones.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

SET_WORDS = {
    "good": "ready to join",
    "usable": "can be joined as they are; what could be better is listed",
    "redo": "something should be scanned again before joining",
}
ORDER = {"redo": 0, "usable": 1, "good": 2}


def summary(record: Mapping[str, Any], output: Path | None = None) -> str:
    """The whole inspection."""
    pieces = sorted(record["pieces"], key=lambda piece: ORDER[piece["verdict"]])
    lines = [f"{len(pieces)} piece{'s' if len(pieces) != 1 else ''}: {SET_WORDS[record['verdict']]}."]
    for finding in record["set"]["findings"]:
        lines += _finding("all", finding)
    for piece in pieces:
        if piece["findings"]:
            lines.append(f"{piece['name']}: {piece['verdict']}")
            for finding in piece["findings"]:
                lines += _finding("", finding)
    good = [piece["name"] for piece in pieces if not piece["findings"]]
    if good:
        lines.append(f"good: {', '.join(good)}")
    lines += [f"note: {line}" for line in record["warnings"]]
    return "\n".join(lines)


def _finding(whose: str, finding: Mapping[str, Any]) -> list[str]:
    head = f"{whose}: " if whose else ""
    return [f"  {head}{finding['fault']} ({finding['level']}): {finding['why']}", f"      {finding['change']}"]
