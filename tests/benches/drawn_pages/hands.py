"""I say how people draw: the pens, the tone and the things of seven invented hands.

In: nothing. Out: `HANDS`, by name.
"""

from __future__ import annotations

from dataclasses import dataclass, field

ALL = (
    "house", "tree", "fir", "barrel", "boat", "person", "cat", "fish", "umbrella", "ball", "crate", "fence", "flower",
    "lighthouse",
)  # fmt: skip
EACH = dict.fromkeys(ALL, 1.0)


@dataclass(frozen=True)
class Hand:
    """All lengths in mm, angles in degrees. pen, tone : width of outlines and of strokes of tone. wobble : one sd of a
    line. pitch : between strokes of hatching, from and to; uneven : one sd of it, a share. vary : of a line's width.
    gaps : share of outlines left open, gap : how far. touch : of strokes of tone that run up to the outline. bend : of
    hatching. angles, cross : of hatching, and from one layer to the next. fills : kinds of tone and how often; things :
    what is drawn, the same. many : things on a page or in a panel. doubled : outlines gone over again. shadow : things
    with a shadow hatched across all that lies there. sky : pages with a hatched sky. stripes, tiles, balloon : share
    of shirts, roofs, pages with them. black : areas filled. taper : of a stroke's width, at its end.
    pens : of outlines, times `pen`, one of them for each shape; of all when there are none.
    """

    pen: float
    tone: float
    wobble: float
    pitch: tuple[float, float]
    fills: dict[str, float]
    things: dict[str, float] = field(default_factory=lambda: dict(EACH))
    size: tuple[int, int] = (148, 210)
    vary: float = 0.1
    gaps: float = 0.2
    gap: tuple[float, float] = (0.3, 1.5)
    touch: float = 0.5
    uneven: float = 0.1
    bend: float = 0.1
    angles: tuple[float, float] = (20, 70)
    cross: tuple[float, float] = (60, 90)
    many: int = 16
    panels: bool = False
    doubled: float = 0.0
    shadow: float = 0.2
    sky: float = 0.3
    stripes: float = 0.4
    tiles: float = 0.3
    balloon: float = 0.4
    black: float = 0.05
    taper: float = 0.0
    pens: tuple[float, ...] = ()


HANDS = {
    "one fine pen": Hand(
        0.28, 0.25, 0.18, (0.7, 1.1),
        {"none": 4, "hatch": 2, "half": 2, "cross": 3, "grain": 1, "ticks": 1},
    ),
    "bold outlines": Hand(
        0.55, 0.2, 0.15, (0.6, 1.2),
        {"none": 3, "hatch": 3, "cross": 2, "contour": 2, "stipple": 2, "half": 2},
        gaps=0.3, balloon=0.6,
    ),
    "round forms": Hand(
        0.32, 0.22, 0.25, (0.55, 0.9),
        {"none": 3, "contour": 4, "stipple": 3, "feather": 2, "fur": 1},
        {"cat": 2, "ball": 3, "fish": 2, "flower": 3, "barrel": 2, "tree": 2, "umbrella": 1, "person": 1},
        vary=0.25, many=14, sky=0.15,
    ),
    "brush and panels": Hand(
        0.5, 0.35, 0.2, (0.9, 1.5),
        {"none": 5, "feather": 3, "half": 2, "black": 1, "contour": 1, "bricks": 1},
        EACH | {"person": 4}, vary=0.4, taper=0.6, panels=True, black=0.12, many=6, balloon=1.0, tiles=0.4, shadow=0.1,
    ),
    "loose etching": Hand(
        0.3, 0.28, 0.3, (0.8, 1.4),
        {"none": 2, "hatch": 3, "cross": 4, "contour": 2, "half": 3, "ticks": 1},
        uneven=0.28, bend=0.3, gaps=0.35, doubled=0.25, angles=(0, 180), cross=(30, 90), shadow=0.5, sky=0.6, touch=0.6,
    ),
    "picture book": Hand(
        0.4, 0.4, 0.22, (1.0, 1.5),
        {"none": 6, "fur": 2, "ticks": 2, "bricks": 1, "stipple": 1, "grain": 1, "hatch": 1},
        {"cat": 3, "house": 2, "person": 3, "fence": 1, "flower": 2, "boat": 2, "lighthouse": 2, "tree": 2},
        gaps=0.25, stripes=0.8, tiles=0.5, balloon=0.2, sky=0.1, shadow=0.1,
    ),
    "ruled": Hand(
        0.35, 0.18, 0.05, (0.5, 0.8),
        {"none": 3, "hatch": 4, "cross": 3, "bricks": 2, "stipple": 1},
        {"house": 5, "crate": 2, "lighthouse": 1, "fence": 1, "tree": 1, "fir": 1, "boat": 1},
        size=(210, 297), uneven=0.04, bend=0.0, vary=0.03, gaps=0.1, touch=0.9, many=20, angles=(0, 90),
    ),
}  # fmt: skip
