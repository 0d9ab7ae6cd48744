"""I make the pages that are learned from, each of a kind and a seed, or of a drawing in a file.

In: a kind of KINDS and a seed, or the path of an SVG drawing, black on white; dpi. Out: a `Sheet`.
"""

from __future__ import annotations

import io
import subprocess
from collections.abc import Callable

import numpy as np
from lone_marks.pictures import botany, comic, night, tram
from lone_marks.scattered import alone, birds, chart, fur, leaders, pebbles, shaded, staves
from lone_marks.sheets import Sheet, blank
from lone_marks.techniques import etching, scraper, sparse, spray, typed
from PIL import Image

KINDS: dict[str, Callable[[Sheet, np.random.Generator], None]] = {
    kind.__name__: kind
    for kind in (night, comic, tram, botany, sparse, scraper, spray, typed, etching)
    + (birds, staves, chart, leaders, fur, pebbles, shaded, alone)
}
DARK = 128  # of 255; what is darker in a drawing is ink
LONGEST_S = 60.0  # that a drawing may take


def drawn(kind: str, seed: int, dpi: float) -> Sheet:
    """A page of a kind; the same for the same seed."""
    sheet = blank(dpi)
    KINDS[kind](sheet, np.random.default_rng([list(KINDS).index(kind), seed]))
    return sheet


def printed(path: str, dpi: float) -> Sheet:
    """A drawing fitted to the sheet from its top left."""
    sheet = blank(dpi)
    high, wide = sheet.ink.shape
    command = ["rsvg-convert", "-w", str(wide), "-h", str(high), "-a", "-b", "white", path]
    made = subprocess.run(command, capture_output=True, timeout=LONGEST_S, check=True).stdout
    picture = np.asarray(Image.open(io.BytesIO(made)).convert("L"))[:high, :wide]
    sheet.ink[: picture.shape[0], : picture.shape[1]] = picture < DARK
    return sheet
