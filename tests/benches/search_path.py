"""I let a bench started by hand find the scenes, the fixtures and the package of this checkout.

In: nothing; imported first. Out: the search path.
"""

from __future__ import annotations

import sys
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
PLACES = [str(TESTS.parent), str(TESTS), str(TESTS / "scenes"), str(TESTS / "fixtures")]
sys.path[:0] = PLACES
