"""Join scans or photographs of one artwork into one true master, then make it ready for print and color.

The names a library user needs: `join` for the main job with `JoinSettings`, and `StitchbedError` for all it may raise.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from stitchbed.core.errors import StitchbedError
    from stitchbed.pipelines.join import JoinSettings, join

__version__ = "0.1.0"
__all__ = ["JoinSettings", "StitchbedError", "__version__", "join"]

# name -> module; loaded when first asked for, so that `stitchbed --help` does not wait for the numeric libraries
_HOMES = {
    "JoinSettings": "stitchbed.pipelines.join",
    "StitchbedError": "stitchbed.core.errors",
    "join": "stitchbed.pipelines.join",
}


def __getattr__(name: str) -> Any:
    """The public names, loaded on demand (PEP 562)."""
    if name not in _HOMES:
        raise AttributeError(f"module 'stitchbed' has no attribute {name!r}")
    return getattr(importlib.import_module(_HOMES[name]), name)
