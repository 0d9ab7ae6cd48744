"""I name what a long job calls to say how far it is.

In: step, done, of how many. Out: nothing.
"""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[str, int, int], None]
