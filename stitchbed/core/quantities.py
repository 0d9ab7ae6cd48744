"""I read the sizes and times people type, and know the paper formats they name.

In: words such as "420x594mm", "A2", "18x24in", "38s@300". Out: millimeters, seconds, or an error that shows how to
write it.
"""

from __future__ import annotations

import math
import re

from stitchbed.core.errors import BadSettings

MM_PER_INCH = 25.4
UNITS_MM = {
    "mm": 1.0,
    "cm": 10.0,
    "m": 1000.0,
    "in": MM_PER_INCH,
    "inch": MM_PER_INCH,
    "inches": MM_PER_INCH,
    '"': MM_PER_INCH,
}

# mm. ISO 216: A0 841 x 1189, B0 1000 x 1414; each next halves the long side, rounded down; both series end at 10.
ISO_FIRST = {"A": (841, 1189), "B": (1000, 1414)}
# inch; ANSI/ASME Y14.1 for letter (its size A) and tabloid (B); legal: common practice, no source.
SHEETS_IN = {"letter": (8.5, 11), "legal": (8.5, 14), "tabloid": (11, 17), "ledger": (17, 11)}
# inch; common practice, no source (drawing sheets sold as Arch A..E).
ARCH_IN = {"A": (9, 12), "B": (12, 18), "C": (18, 24), "D": (24, 36), "E": (36, 48)}
SHEET_NAMES = "A0 to A10, B0 to B10, letter, legal, tabloid, ledger, Arch A to Arch E"

OFFERED_DPI = 75.0, 100.0, 150.0, 200.0, 300.0, 400.0, 600.0, 800.0, 1200.0, 2400.0  # common practice, no source

NUMBER = r"(\d+(?:[.,]\d+)?)"
UNIT = r"(mm|cm|m|in|inch|inches|\")?"


def paper_mm(name: str) -> tuple[float, float] | None:
    """(width, height) mm of a named sheet, upright, or None when the name is not known. Reference: ISO 216."""
    words = name.strip().upper()
    iso = re.fullmatch(r"(?:DIN|ISO)?\s*([AB])\s*(\d|10)", words)
    if iso:
        width, height = ISO_FIRST[iso[1]]
        for _ in range(int(iso[2])):
            width, height = height // 2, width
        return float(width), float(height)
    arch = re.fullmatch(r"ARCH\s*([A-E])", words)
    sides = ARCH_IN[arch[1]] if arch else SHEETS_IN.get(words.lower())
    return (sides[0] * MM_PER_INCH, sides[1] * MM_PER_INCH) if sides else None


def likely_dpi(side_px: float) -> float:
    """Dpi of a scan that does not say it, of those that scanners offer: a bed of its longer side (px) is as long as an
    A4 sheet. An A5 or A3 bed comes out wrong by half, which is near enough to look at drawing in millimeters."""
    bed_in = max(ISO_FIRST["A"]) / 4 / MM_PER_INCH  # an A4 sheet is a quarter as long as A0
    return min(OFFERED_DPI, key=lambda dpi: abs(math.log(side_px / bed_in / dpi)))


def two_digits(value: float) -> str:
    """A figure that is only known roughly: 0.072, 8.4, 200."""
    return f"{float(f'{value:.2g}'):g}"


def size_mm(words: str, *, option: str) -> tuple[float, float]:
    """(width, height) mm of "420x594mm", "18 x 24 in", "29,7x42cm" (mm when no unit is given) or of a named sheet.

    Raises
    ------
    BadSettings : not a size, or not a positive one.
    """
    named = paper_mm(words)
    match = re.fullmatch(rf"\s*{NUMBER}\s*{UNIT}\s*[x×*]\s*{NUMBER}\s*{UNIT}\s*", words.lower())
    if named is None and match:
        last = match[4] or match[2] or "mm"
        named = _number(match[1], option) * UNITS_MM[match[2] or last], _number(match[3], option) * UNITS_MM[last]
    if named is None or not all(1 <= side <= 100_000 for side in named):
        raise BadSettings(
            f"{option} {words!r}",
            expected=f"width x height with a unit, or a sheet's name ({SHEET_NAMES})",
            attempt=f"{option} 420x594mm",
        )
    return named


def length_mm(words: str, *, option: str, whole_mm: float) -> float:
    """mm of "25mm", "1in", "2,5 cm" or a share such as "20%" of `whole_mm`.

    Raises
    ------
    BadSettings : not a length.
    """
    match = re.fullmatch(rf"\s*{NUMBER}\s*(%|mm|cm|m|in|inch|inches|\")?\s*", words.lower())
    if not match:
        raise BadSettings(f"{option} {words!r}", expected="a length or a share of the bed", attempt=f"{option} 40mm")
    number = _number(match[1], option)
    return number / 100 * whole_mm if match[2] == "%" else number * UNITS_MM[match[2] or "mm"]


def _number(words: str, option: str) -> float:
    """The number, with a decimal point or comma; three digits after a comma could as well be thousands.

    Raises
    ------
    BadSettings : both readings are possible.
    """
    if re.fullmatch(r"\d{1,3},\d{3}", words):
        whole, rest = words.split(",")
        raise BadSettings(
            f"{option} with {words}, which may be {whole}{rest} or {whole}.{rest}",
            expected="a number that can be read in one way only",
            attempt=f"{whole}{rest} or {whole}.{rest}",
        )
    return float(words.replace(",", "."))


def timing(words: str) -> tuple[float, float]:
    """(seconds, dpi) of one timed capture written as "38s@300".

    Raises
    ------
    BadSettings : not a timing.
    """
    match = re.fullmatch(rf"\s*{NUMBER}\s*s?\s*@\s*(\d+)\s*(?:dpi)?\s*", words.lower())
    if not match or _number(match[1], "--timing") <= 0 or int(match[2]) <= 0:
        raise BadSettings(f"--timing {words!r}", expected="seconds at dpi of one capture", attempt="--timing 38s@300")
    return _number(match[1], "--timing"), float(match[2])


def enlargement(use: str) -> float | None:
    """Linear factor of a use ("print-same-size" 1, "enlarge 2x" 2), None for "web".

    Raises
    ------
    BadSettings : a use nobody knows.
    """
    words = use.strip().lower()
    match = re.fullmatch(rf"enlarge[\s-]*{NUMBER}\s*x?", words)
    if match and _number(match[1], "--use") > 0:
        return _number(match[1], "--use")
    if words in ("print-same-size", "web"):
        return 1.0 if words != "web" else None
    raise BadSettings(f"--use {use!r}", expected="print-same-size, enlarge 2x or web", attempt='--use "enlarge 2x"')


def listed(words: str) -> tuple[str, ...]:
    """The items of "border,dust, tone"."""
    return tuple(part.strip() for part in words.split(",") if part.strip())


def area_mm(words: str) -> tuple[float, float, float, float]:
    """(x, y, width, height) mm of "20,35.5,4,3".

    Raises
    ------
    ValueError : not four numbers that have an end.
    """
    x, y, width, height = _numbers(words, 4, "a place in mm; write it x,y,width,height, like 20,35.5,4,3")
    return x, y, width, height


def point_mm(words: str) -> tuple[float, float]:
    """(x, y) mm of "20,35.5".

    Raises
    ------
    ValueError : not two numbers that have an end.
    """
    x, y = _numbers(words, 2, "a point in mm; write it x,y, like 20,35.5")
    return x, y


def _numbers(words: str, count: int, wanted: str) -> list[float]:
    try:
        values = [float(part) for part in words.split(",")]
    except ValueError:
        values = []
    if len(values) != count or not all(math.isfinite(value) and value >= 0 for value in values):
        raise ValueError(f"{words!r} is not {wanted}")
    return values


def room(words: str) -> tuple[float, float]:
    """(width, height) mm of "210x297".

    Raises
    ------
    ValueError : not two numbers that have an end, or no room.
    """
    try:
        width, height = (float(part) for part in words.lower().removesuffix("mm").split("x"))
    except ValueError:
        raise ValueError(f"{words!r} is no size; write it like 210x297") from None
    if not (0 < width < math.inf and 0 < height < math.inf):
        raise ValueError(f"{words!r} has no room")
    return width, height
