"""I show a drawn page as other scanners see it, or as it would be if it were drawn smaller.

In: a page, a way of looking. Out: a page of black and bare cells, as `flats` has it on its map at 300 dpi.
"""

from __future__ import annotations

import cv2
import numpy as np
from drawn_pages.pages import LINE, DrawnPage
from drawn_pages.sheet import Bytes

ROUGH = 20  # of 255, one sd of what a soft edge is off by
SMALL = 0.65  # of its size
WAYS = ("300", "small", "rough", "small rough", "600")
WORN = ("worn", "rough worn", "small worn")
BREAK = (0.6, 1.5)  # of what wears lines, in sd: from where on, on a page
DEEP = 2.5  # how much of a line goes for each sd beyond
BOLD = 5  # px; of a line as wide only the rims wear


def looked_at(page: DrawnPage, way: str, seed: int) -> DrawnPage:
    """The page as it is seen. way : one of WAYS or WORN. seed : of what is rough or worn."""
    alpha, truth = page.alpha, page.truth
    if "worn" in way:
        alpha = _worn(alpha, np.random.default_rng([seed, 2]))
    if "rough" in way:
        noise = np.random.default_rng(seed).normal(0, 1, alpha.shape).astype(np.float32)
        noise = cv2.GaussianBlur(noise, (0, 0), 0.9)
        alpha = np.clip(alpha + noise * (ROUGH / noise.std()), 0, 255).astype(np.uint8)
    if way == "600":  # a cell of four pixels is on a line where one of them is
        fine = cv2.resize(alpha, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC) >= LINE
        high, wide = alpha.shape
        return DrawnPage(255 * fine.reshape(high, 2, wide, 2).any(axis=(1, 3)).astype(np.uint8), truth)
    if "small" in way:
        alpha = cv2.resize(alpha, None, fx=SMALL, fy=SMALL, interpolation=cv2.INTER_AREA)
        truth = cv2.resize(truth, alpha.shape[::-1], interpolation=cv2.INTER_NEAREST)
    return DrawnPage(255 * (alpha >= LINE).astype(np.uint8), np.asarray(truth, np.int32))


def _worn(alpha: Bytes, rng: np.random.Generator) -> Bytes:
    """Fine lines break here and there, as dry ink and faint scans do; on some pages level ones for a millimeter."""
    far = float(np.exp(rng.uniform(0.2, 1.6)))
    spreads = [(far, far), (14.0, 1.0), (1.0, 14.0)] if rng.random() < 0.6 else [(far, far)]
    left = np.ones(alpha.shape, np.float32)
    for n, (across, down) in enumerate(spreads):
        wear = cv2.GaussianBlur(rng.normal(0, 1, alpha.shape).astype(np.float32), (0, 0), across, sigmaY=down)
        begins = rng.uniform(*BREAK) + 0.4 * (n > 0)
        left = np.minimum(left, np.clip(1 - DEEP * (wear / wear.std() - begins), 0, 1))
    bold = cv2.morphologyEx(alpha, cv2.MORPH_OPEN, np.ones((BOLD, BOLD), np.uint8))
    return np.maximum(bold, np.rint(alpha * left).astype(np.uint8))
