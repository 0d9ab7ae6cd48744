"""I grade measured figures by the star levels of a digitization guideline, and never one that was not measured.

In: figures by name. Out: each with the stars it reaches, and the table it was held against.

Limits: Federal Agencies Digital Guidelines Initiative, "Technical Guidelines for Digitizing Cultural Heritage
Materials", September 2016, tables "Prints and Photographs", "Paintings and Other 2-D Art", "Oversize Items: Maps,
Posters". Where that text prints ">8" for one star of a figure that is better when small, "<8" is read.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from stitchbed.core.errors import BadSettings

GUIDE = "FADGI 2016"
TITLES = {
    "prints": "Prints and Photographs",
    "paintings": "Paintings and Other 2-D Art",
    "oversize": "Oversize Items: Maps, Posters",
}


@dataclass(frozen=True)
class Rule:
    """words : what is measured. unit : of it. limits : for 1, 2, 3, 4 stars. most : smaller is better, else larger."""

    words: str
    unit: str
    limits: tuple[float, float, float, float]
    most: bool = True


@dataclass(frozen=True)
class Graded:
    """One figure. stars : 0 (below one star) to 4. figure : its name in `RULES`."""

    figure: str
    words: str
    value: float
    unit: str
    stars: int


RULES: dict[str, Rule] = {
    "tone": Rule("tone: largest error of the neutral steps", "L*", (8, 6, 4, 2)),
    "white_balance": Rule("white balance: largest color of the neutral steps", "dE(a*b*)", (8, 6, 4, 2)),
    "unevenness": Rule("light left uneven (two sigmas of the places compared)", "%", (8, 5, 3, 1)),
    "color": Rule("color: mean difference", "dE2000", (10, 6, 4, 2)),
    "misregistration": Rule("color channels apart", "px", (1.2, 0.8, 0.5, 0.33)),
    "efficiency": Rule("sampling efficiency (SFR 10 %)", "%", (60, 70, 80, 90), most=False),
    "at_half": Rule("contrast left at half the sampling frequency", "", (0.4, 0.4, 0.3, 0.2)),
    "sharpening": Rule("sharpening: largest response", "", (1.3, 1.2, 1.1, 1.0)),
    "scale": Rule("reproduction scale", "%", (3, 3, 2, 1)),
    "noise": Rule("noise of the neutral steps", "L*", (4, 3, 2, 1)),
    "resolution": Rule("resolution", "ppi", (100, 200, 400, 600), most=False),
    "long_side": Rule("long side of the work", "px", (3000, 5000, 10000, 12000), most=False),
}
# Where a table asks for other limits than the first one.
OTHER: dict[str, dict[str, tuple[float, float, float, float]]] = {
    "prints": {},
    "paintings": {"tone": (8, 8, 5, 2), "resolution": (600, 600, 600, 600)},
    "oversize": {"tone": (8, 8, 5, 2), "color": (10, 8, 5, 4), "resolution": (150, 300, 300, 400)},
}
# MTF50 in percent of half the sampling frequency: at least, at most, for 1 to 4 stars; alike in all tables.
HALF_CONTRAST = ((25.0, 95.0), (30.0, 85.0), (35.0, 75.0), (40.0, 65.0))
ENOUGH_PPI = 600  # of the work: paintings photographed this finely need no count of pixels
TOLERANCE = 1e-9  # a figure that is the limit itself reaches it


def graded(figures: Mapping[str, float], table: str) -> list[Graded]:
    """Stars of the figures given, in the order of RULES; "half_contrast" (MTF50, %) last.

    Raises
    ------
    BadSettings : no such table.
    """
    if table not in TITLES:
        raise BadSettings(f"--grade {table}", expected=", ".join(TITLES), attempt="--grade prints")
    result = []
    passed_over = _other_size(figures, table)
    for name, rule in RULES.items():
        if name in figures and name != passed_over:
            limits = OTHER[table].get(name, rule.limits)
            result.append(Graded(name, rule.words, figures[name], rule.unit, _stars(figures[name], limits, rule.most)))
    if "half_contrast" in figures:
        value = figures["half_contrast"]
        reached = [low <= value <= high for low, high in HALF_CONTRAST]
        stars = next((level + 1 for level in (3, 2, 1, 0) if reached[level]), 0)
        result.append(Graded("half_contrast", "MTF50 of half the sampling frequency", value, "%", stars))
    return result


def _other_size(figures: Mapping[str, float], table: str) -> str:
    """Of resolution and long side, the one that this table does not count by."""
    fine = figures.get("resolution", 0.0) >= ENOUGH_PPI
    return "resolution" if table == "paintings" and not fine else "long_side"


def table_name(table: str) -> str:
    """The guideline and table in words."""
    return f"{GUIDE}, {TITLES[table]}"


def _stars(value: float, limits: tuple[float, float, float, float], most: bool) -> int:
    reached = [value <= limit + TOLERANCE if most else value >= limit - TOLERANCE for limit in limits]
    return next((level + 1 for level in (3, 2, 1, 0) if reached[level]), 0)
