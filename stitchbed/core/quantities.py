"""I read the sizes and times people type, and know the paper formats they name.

In: words such as "420x594mm", "A2", "18x24in", "38s@300". Out: millimeters, seconds, or an error that shows how to
write it.
"""

from __future__ import annotations

import re

from stitchbed.core.errors import BadSettings

MM_PER_INCH = 25.4
UNITS_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": MM_PER_INCH}

# mm. ISO 216: A0 841 x 1189, B0 1000 x 1414; each next halves the long side, rounded down.
ISO_FIRST = {"A": (841, 1189), "B": (1000, 1414)}
# inch; common practice, no source (drawing sheets sold as Arch A..E).
ARCH_IN = {"A": (9, 12), "B": (12, 18), "C": (18, 24), "D": (24, 36), "E": (36, 48)}


def paper_mm(name: str) -> tuple[float, float] | None:
    """(width, height) mm of a named sheet, upright, or None when the name is not known. Reference: ISO 216."""
    iso = re.fullmatch(r"([AB])(\d)", name.strip().upper())
    if iso:
        width, height = ISO_FIRST[iso[1]]
        for _ in range(int(iso[2])):
            width, height = height // 2, width
        return float(width), float(height)
    arch = re.fullmatch(r"ARCH\s*([A-E])", name.strip().upper())
    return (ARCH_IN[arch[1]][0] * MM_PER_INCH, ARCH_IN[arch[1]][1] * MM_PER_INCH) if arch else None


def size_mm(words: str, *, option: str) -> tuple[float, float]:
    """(width, height) mm of "420x594mm", "18x24in" (mm when no unit is given) or of a named sheet.

    Raises
    ------
    BadSettings : not a size, or not a positive one.
    """
    named = paper_mm(words)
    match = re.fullmatch(r"\s*([\d.]+)\s*[x×*]\s*([\d.]+)\s*(mm|cm|m|in)?\s*", words.lower())
    if named is None and match:
        try:
            unit = UNITS_MM[match[3] or "mm"]
            named = float(match[1]) * unit, float(match[2]) * unit
        except ValueError:
            named = None
    if named is None or not all(1 <= side <= 100_000 for side in named):
        raise BadSettings(
            f"{option} {words!r}",
            expected="width x height with a unit, or a sheet's name",
            attempt=f"{option} 420x594mm",
        )
    return named


def length_mm(words: str, *, option: str, whole_mm: float) -> float:
    """mm of "25mm", "1in" or a share such as "20%" of `whole_mm`.

    Raises
    ------
    BadSettings : not a length.
    """
    match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(%|mm|cm|m|in)?\s*", words.lower())
    if not match:
        raise BadSettings(f"{option} {words!r}", expected="a length or a share of the bed", attempt=f"{option} 40mm")
    number = float(match[1])
    return number / 100 * whole_mm if match[2] == "%" else number * UNITS_MM[match[2] or "mm"]


def timing(words: str) -> tuple[float, float]:
    """(seconds, dpi) of one timed capture written as "38s@300".

    Raises
    ------
    BadSettings : not a timing.
    """
    match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*s?\s*@\s*(\d+)\s*(?:dpi)?\s*", words.lower())
    if not match or float(match[1]) <= 0 or int(match[2]) <= 0:
        raise BadSettings(f"--timing {words!r}", expected="seconds at dpi of one capture", attempt="--timing 38s@300")
    return float(match[1]), float(match[2])


def enlargement(use: str) -> float | None:
    """Linear factor of a use ("print-same-size" 1, "enlarge 2x" 2), None for "web".

    Raises
    ------
    BadSettings : a use nobody knows.
    """
    words = use.strip().lower()
    match = re.fullmatch(r"enlarge[\s-]*(\d+(?:\.\d+)?)\s*x?", words)
    if match and float(match[1]) > 0:
        return float(match[1])
    if words in ("print-same-size", "web"):
        return 1.0 if words != "web" else None
    raise BadSettings(f"--use {use!r}", expected="print-same-size, enlarge 2x or web", attempt='--use "enlarge 2x"')
