"""I name the kinds of arrays once, so that every docstring and signature means the same by them.

In: nothing. Out: aliases for type checkers; shapes and units stand in each docstring.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]  # points (N, 2), matrices, measured values
Floats = NDArray[np.float32]  # linear light 0..1, gray 0..255
Pixels = NDArray[Any]  # stored codes, uint8 or uint16, (h, w, channels)
Bytes = NDArray[np.uint8]  # stored codes of 8 bits, descriptors, masks for OpenCV
Mask = NDArray[np.bool_]
Labels = NDArray[np.int32]
Ints = NDArray[np.int64]
Indices = NDArray[np.intp]
