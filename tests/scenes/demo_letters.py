"""I am the hand that letters the map: capitals and small capitals of single strokes, drawn with a broad nib.

In: words, a line to stand on (mm), a hand. Out: inked letters on the desk, with what lies under them faded.

A letter is a list of strokes on a grid: each point is two digits, x then y, with y 0 at the top of a capital and 8 on
the base line. A stroke that opens with "~" is a smooth curve through its points, any other goes straight.
"""

from __future__ import annotations

from dataclasses import dataclass

import demo_pens as pens
import numpy as np
from demo_pens import Desk, Points
from numpy.typing import ArrayLike

GLYPHS = {
    "A": "0830 3068 1555", "B": "0008 ~0030523404 ~0434563808", "C": "~6140110305174867",
    "D": "0008 ~0030516355573808", "E": "0008 0050 0444 0858", "F": "0008 0050 0444",
    "G": "~61401103051748 4867 6764 6444",
    "H": "0008 6068 0464", "I": "0008", "J": "~4046381806", "K": "0008 5004 2358", "L": "0008 0858",
    "M": "0810 1046 4670 7088",
    "N": "0800 0068 6860", "O": "~3011030517385765635130", "P": "0008 ~0030523404", "Q": "~3011030517385765635130 4669",
    "R": "0008 ~0030523404 2458", "S": "~51301113345557381807", "T": "0060 3038", "U": "~00051738576560",
    "V": "0038 3860", "W": "0028 2841 4168 6880", "X": "0068 6008", "Y": "0034 6034 3438", "Z": "0060 6008 0868",
    "0": "~20020628464220", "1": "0220 2028", "2": "~021030423408 0848", "3": "~01204224 ~24462807",
    "4": "4005 0555 4048",
    "5": "4010 1003 ~0333462807", "6": "~40120628463405", "7": "0040 4018", "8": "~200224462806244220",
    "9": "~42240220424528",
    "&": "~682320311406183865", "'": "0002", ".": "0708", "-": "0535", ",": "0719", ":": "0203 0607",
}  # fmt: skip


@dataclass(frozen=True)
class Hand:
    """A way of lettering.

    size : height of a capital, mm.   width : nib, mm.   slant : lean to the right (tangent).
    spread : gap between letters in eighths of the size.   contrast : how much thinner level strokes are than uprights.
    serif : length of the cross strokes, in eighths of the size.   ink : which of the desk's inks.
    clear : how strongly the ground under the letters is faded.
    """

    size: float = 2.7
    width: float = 0.36
    slant: float = 0.0
    spread: float = 2.4
    contrast: float = 0.25
    serif: float = 0.0
    ink: str = "black"
    clear: float = 0.85


def letter(desk: Desk, text: str, *, line: ArrayLike, hand: Hand, align: float = 0.5) -> None:
    """Letter the text along a line (mm): align 0 from its start, 0.5 about its middle, 1 to its end.

    A single point as line means a level one through it. Small letters become small capitals.
    """
    path = np.atleast_2d(np.asarray(line, np.float64))
    length = measure(text, hand)
    if len(path) == 1:
        path = path + np.array([[-align * length, 0], [(1 - align) * length, 0]])
    strokes = [_bent(desk, stroke, path, hand, align * (_length(path) - length)) for stroke in _strokes(text, hand)]
    if hand.clear:
        ribbons = [_ribbon(stroke, hand.width * 1.2 + pens.spare(desk), 0) for stroke in strokes]
        pens.veil(desk, pens.mask_of(desk, ribbons), reach=0.16 * hand.size + 0.35, strength=hand.clear)
    for stroke in strokes:
        pens.fill(
            desk,
            _ribbon(stroke, max(hand.width * desk.rng.uniform(0.88, 1.12) + pens.spare(desk), 0.02), hand.contrast),
            layer=desk.inks[hand.ink],
        )


def measure(text: str, hand: Hand) -> float:
    """Length of the lettered text, mm."""
    return (_advance(text, hand)[-1] - hand.spread) * hand.size / 8


def _advance(text: str, hand: Hand) -> list[float]:
    """Where each letter starts, and the end, in eighths of a capital's height."""
    x = [0.0]
    for char in text:
        share = 0.76 if char.islower() else 1.0
        x.append(x[-1] + (3.2 if char == " " else _wide(char.upper()) * share) + hand.spread)
    return x


def _wide(char: str) -> int:
    return max(int(point) for stroke in GLYPHS[char].split() for point in stroke.lstrip("~")[::2])


def _strokes(text: str, hand: Hand) -> list[Points]:
    """The strokes in eighths, with the base line at 0 and y down."""
    out: list[Points] = []
    for char, x in zip(text, _advance(text, hand), strict=False):
        share = 0.76 if char.islower() else 1.0
        for stroke in GLYPHS[char.upper()].split() if char != " " else []:
            digits = [int(d) for d in stroke.lstrip("~")]
            p = np.array([digits[::2], digits[1::2]], np.float64).T
            ring = bool(np.all(p[0] == p[-1]))
            smooth = pens.curve(p[: len(p) - ring], 0.5, closed=ring) if stroke[0] == "~" else pens.along(p, 0.6)
            out.append((smooth - [0, 8]) * share + [x, 0])
            out += _serifs(p, share, x, hand.serif) if stroke[0] != "~" else []
    return out


def _serifs(p: Points, share: float, x: float, length: float) -> list[Points]:
    """Short cross strokes where an upright stroke ends at the top or on the base line."""
    steep = abs(p[1, 1] - p[0, 1]) > 4
    ends = [point for point in p if length and steep and point[1] in (0, 8)]
    half = np.array([[-length / 2, 0], [length / 2, 0]])
    return [(pens.along(end + half, 0.4) - [0, 8]) * share + [x, 0] for end in ends]


def _length(path: Points) -> float:
    return float(np.hypot(*np.diff(path, axis=0).T).sum())


def _bent(desk: Desk, stroke: Points, path: Points, hand: Hand, start: float) -> Points:
    """Eighths to mm: lean, stand on the line, and tremble a little."""
    unit = hand.size / 8
    along, up = start + unit * (stroke[:, 0] - hand.slant * stroke[:, 1]), unit * stroke[:, 1]
    way = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    middle = float(np.clip(start + unit * stroke[:, 0].mean(), 0, way[-1]))
    foot = np.array([np.interp(middle, way, path[:, i]) for i in (0, 1)])
    ahead = np.array([np.interp(np.clip(middle + unit * 4, 0, way[-1]), way, path[:, i]) for i in (0, 1)])
    behind = np.array([np.interp(np.clip(middle - unit * 4, 0, way[-1]), way, path[:, i]) for i in (0, 1)])
    d = (ahead - behind) / np.hypot(*(ahead - behind))
    n = np.array([-d[1], d[0]])
    bent = foot + (along - middle)[:, None] * d + up[:, None] * n
    return np.asarray(bent + desk.rng.normal(0, 0.018 * hand.size, 2) + desk.rng.normal(0, 0.012, bent.shape))


def _ribbon(stroke: Points, width: float, contrast: float) -> Points:
    """Outline of a broad-nib stroke: uprights full, level strokes thinner by `contrast`."""
    n = pens.normals(stroke)
    w = width / 2 * (1 - contrast * np.abs(n[:, 1])) if contrast else np.full(len(stroke), width / 2)
    d = np.stack([n[:, 1], -n[:, 0]], 1)
    long = stroke.copy()
    long[0] -= d[0] * width * 0.3
    long[-1] += d[-1] * width * 0.3
    return np.vstack([long + n * w[:, None], (long - n * w[:, None])[::-1]])
