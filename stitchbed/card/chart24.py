"""I know the classic chart of 24 patches: what its patches are, and where they lie in a picture.

In: a small picture. Out: the chart's patches as quadrilaterals, or none; reference colors of both editions.

References: McCamy, Marcus & Davidson (1976), "A color-rendition chart", J. Appl. Photogr. Eng. 2(3):95-99, for the
chart; CIELAB D50, 2 degree observer, of charts made before and from November 2014 as carried by colour-science 0.4.7.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.card.cgats import References
from stitchbed.core.arrays import Array

EDITIONS = ("before-2014", "from-2014")  # November 2014
WORST_COST = 0.02  # of the detector: true charts cost at most .012, a grid of random colors .055 (measured)
SMALLEST_PX = 80  # four rows of the smallest patches that are found
WIDEST = 3  # pictures longer than this many times their height are filled up: the detector enlarges narrow ones
MOST_ROWS = 30  # a file with more patches describes another chart, even if its names begin alike
NEUTRALS = tuple(str(number) for number in range(19, 25))

BEFORE: tuple[tuple[float, float, float], ...] = (
    (37.986, 13.555, 14.059),  # dark skin
    (65.711, 18.130, 17.810),  # light skin
    (49.927, -4.880, -21.905),  # blue sky
    (43.139, -13.095, 21.905),  # foliage
    (55.112, 8.844, -25.399),  # blue flower
    (70.719, -33.397, -0.199),  # bluish green
    (62.661, 36.067, 57.096),  # orange
    (40.020, 10.410, -45.964),  # purplish blue
    (51.124, 48.239, 16.248),  # moderate red
    (30.325, 22.976, -21.587),  # purple
    (72.532, -23.709, 57.255),  # yellow green
    (71.941, 19.363, 67.857),  # orange yellow
    (28.778, 14.179, -50.297),  # blue
    (55.261, -38.342, 31.370),  # green
    (42.101, 53.378, 28.190),  # red
    (81.733, 4.039, 79.819),  # yellow
    (51.935, 49.986, -14.574),  # magenta
    (51.038, -28.631, -28.638),  # cyan
    (96.539, -0.425, 1.186),  # white 9.5
    (81.257, -0.638, -0.335),  # neutral 8
    (66.766, -0.734, -0.504),  # neutral 6.5
    (50.867, -0.153, -0.270),  # neutral 5
    (35.656, -0.421, -1.231),  # neutral 3.5
    (20.461, -0.079, -0.973),  # black 2
)
FROM: tuple[tuple[float, float, float], ...] = (
    (37.54, 14.37, 14.92),  # dark skin
    (64.66, 19.27, 17.50),  # light skin
    (49.32, -3.82, -22.54),  # blue sky
    (43.46, -12.74, 22.72),  # foliage
    (54.94, 9.61, -24.79),  # blue flower
    (70.48, -32.26, -0.37),  # bluish green
    (62.73, 35.83, 56.50),  # orange
    (39.43, 10.75, -45.17),  # purplish blue
    (50.57, 48.64, 16.67),  # moderate red
    (30.10, 22.54, -20.87),  # purple
    (71.77, -24.13, 58.19),  # yellow green
    (71.51, 18.24, 67.37),  # orange yellow
    (28.37, 15.42, -49.80),  # blue
    (54.38, -39.72, 32.27),  # green
    (42.43, 51.05, 28.62),  # red
    (81.80, 2.67, 80.41),  # yellow
    (50.63, 51.28, -14.12),  # magenta
    (49.57, -29.71, -28.32),  # cyan
    (95.19, -1.03, 2.93),  # white 9.5
    (81.29, -0.57, 0.44),  # neutral 8
    (66.89, -0.75, -0.06),  # neutral 6.5
    (50.76, -0.13, 0.14),  # neutral 5
    (35.63, -0.46, -0.48),  # neutral 3.5
    (20.64, 0.07, -0.46),  # black 2
)


def references24(edition: str) -> References:
    """Reference colors by patch number, "1" (dark skin) to "24" (black), row by row."""
    values = BEFORE if edition == EDITIONS[0] else FROM
    lab = {str(number): np.array(row) for number, row in enumerate(values, start=1)}
    return References(lab, {}, f"chart of 24 patches, {edition}")


def find_chart24(rgb: NDArray[np.uint8]) -> dict[str, Array] | None:
    """Patch number -> (4, 2) px of an area inside it, in a small picture (h, w, 3); None when no chart is seen."""
    detector = cv2.mcc.CCheckerDetector.create()
    detector.setColorChartType(cv2.mcc.MCC24)  # left unset it is random
    if min(rgb.shape[:2]) < SMALLEST_PX or not detector.process(_not_narrow(rgb)[..., ::-1].copy(), 1):
        return None
    chart = detector.getBestColorChecker()
    if chart.getCost() > WORST_COST:
        return None
    quads = np.asarray(chart.getColorCharts(), dtype=np.float64).reshape(24, 4, 2)
    return {str(number): quad for number, quad in enumerate(quads, start=1)}


def _not_narrow(rgb: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The picture with gray added below or at the right, so that no side is WIDEST times the other."""
    h, w = rgb.shape[:2]
    down, across = max(0, -(-w // WIDEST) - h), max(0, -(-h // WIDEST) - w)
    return np.pad(rgb, ((0, down), (0, across), (0, 0)), constant_values=128)


def numbered(lab: dict[str, Array]) -> dict[str, Array] | None:
    """The same colors by patch number, for files that name patches 1..24, A1..D6 (row, column) or A1..F4 (column, row).

    None when the names are none of these, or many more than 24.
    """
    plain = {str(number) for number in range(1, 25)}
    by_row = {f"{row}{column}": str(6 * i + column) for i, row in enumerate("ABCD") for column in range(1, 7)}
    by_column = {
        f"{column}{row}": str(6 * (row - 1) + i + 1) for i, column in enumerate("ABCDEF") for row in range(1, 5)
    }
    if len(lab) > MOST_ROWS:
        return None
    if plain <= set(lab):
        return {name: lab[name] for name in sorted(plain, key=int)}
    for names in (by_row, by_column):
        if set(names) <= set(lab):
            return {names[name]: lab[name] for name in names}
    return None


def mirrored24(places: dict[str, Array]) -> bool:
    """True when the patches found run round the other way than on a true chart."""
    first, sixth, last = (places[name].mean(0) for name in ("1", "6", "19"))
    across, down = sixth - first, last - first
    return bool(across[0] * down[1] - across[1] * down[0] < 0)
