"""Join scans or photographs of one artwork into one true master, then make it ready for print and color.

Each command is one function `name(inputs, output, settings, *, progress, cancel)` that returns its record, a mapping as
it is also written beside the output; each has a class of settings. All of them raise `StitchbedError`.

>>> from stitchbed import PlanSettings, plan
>>> record = plan((), None, PlanSettings(art="A2", bed="216x297mm"))
>>> len(record["layout"]["captures"])
8
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from stitchbed.core.errors import StitchbedError
    from stitchbed.pipelines.card import CardSettings, make_card
    from stitchbed.pipelines.check import CheckSettings, check
    from stitchbed.pipelines.clean import CleanSettings, clean
    from stitchbed.pipelines.color import ColorSettings, correct_color
    from stitchbed.pipelines.compare import CompareSettings, compare
    from stitchbed.pipelines.export import ExportSettings, export
    from stitchbed.pipelines.flats import FlatsSettings, fill_flats
    from stitchbed.pipelines.join import JoinSettings, join
    from stitchbed.pipelines.lines import LinesSettings, lift_lines
    from stitchbed.pipelines.plan import PlanSettings, plan
    from stitchbed.pipelines.rectify import RectifySettings, rectify

__version__ = "0.1.0"
__all__ = [
    "CardSettings",
    "CheckSettings",
    "CleanSettings",
    "ColorSettings",
    "CompareSettings",
    "ExportSettings",
    "FlatsSettings",
    "JoinSettings",
    "LinesSettings",
    "PlanSettings",
    "RectifySettings",
    "StitchbedError",
    "__version__",
    "check",
    "clean",
    "compare",
    "correct_color",
    "export",
    "fill_flats",
    "join",
    "lift_lines",
    "make_card",
    "plan",
    "rectify",
]

# command -> its settings and its function; loaded when first asked for, so that `stitchbed --help` does not wait for
# the numeric libraries
PIPELINES = {
    "plan": ("PlanSettings", "plan"),
    "check": ("CheckSettings", "check"),
    "join": ("JoinSettings", "join"),
    "card": ("CardSettings", "make_card"),
    "rectify": ("RectifySettings", "rectify"),
    "color": ("ColorSettings", "correct_color"),
    "clean": ("CleanSettings", "clean"),
    "lines": ("LinesSettings", "lift_lines"),
    "flats": ("FlatsSettings", "fill_flats"),
    "export": ("ExportSettings", "export"),
    "compare": ("CompareSettings", "compare"),
}
_HOMES = {name: f"stitchbed.pipelines.{command}" for command, names in PIPELINES.items() for name in names}
_HOMES["StitchbedError"] = "stitchbed.core.errors"


def __getattr__(name: str) -> Any:
    """The public names, loaded on demand (PEP 562)."""
    if name not in _HOMES:
        raise AttributeError(f"module 'stitchbed' has no attribute {name!r}")
    return getattr(importlib.import_module(_HOMES[name]), name)
