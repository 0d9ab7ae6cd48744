"""I lay out the picture of the proof page and what one can switch, zoom and choose around it.

In: the shapes there are. Out: HTML; what it does is in `viewer/proof.js`.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise
from typing import Any

from stitchbed.report.overlays import HEAT_STEPS, MOST_ARROWS


def picture_bench(shapes: Mapping[str, Any]) -> str:
    """The picture with its switches."""
    return (
        '<section class="look" aria-label="The picture"><div class="bench">'
        f"{_switches(shapes)}{_arrow_choice(shapes)}{_zoom_and_mat()}"
        '<p id="status" class="quiet" role="status" aria-live="polite"></p></div>'
        '<div class="stage" id="stage"><div id="picture"></div>'
        '<p id="missing" hidden>The tiles are missing: keep the folder of the same name beside this page.</p>'
        '<p id="place">zoom and move to look closer</p>'
        '<button type="button" id="leave" data-act="leave">Back to the page</button></div></section>'
    )


def _switches(shapes: Mapping[str, Any]) -> str:
    labels = {
        "pieces": "Pieces",
        "seams": "Seams",
        "arrows": "Residuals",
        "heat": "Heat of residuals",
        "dust": "Dust",
        "lift": "Lift",
    }
    filled = {**shapes, "heat": (shapes.get("heat") or {}).get("cells")}
    if not filled.get("pieces"):
        # of one step, not of a join: most of these cannot be
        labels = {key: label for key, label in labels.items() if filled.get(key)}
    if not labels:
        return ""
    buttons = "".join(
        f'<button type="button" class="switch" data-shows="{key}" aria-pressed="false"'
        f'{"" if filled.get(key) else " disabled"}><i class="s-{key}"></i>{label}<kbd>{index}</kbd></button>'
        for index, (key, label) in enumerate(labels.items(), start=1)
    )
    return f'<fieldset><legend>Lay over the picture</legend><div class="col">{buttons}</div></fieldset>'


def _arrow_choice(shapes: Mapping[str, Any]) -> str:
    if not shapes.get("arrows"):
        return ""
    options = "".join(
        f'<option value="{factor}"{" selected" if factor == 200 else ""}>{factor} times as long</option>'
        for factor in (50, 200, 1000)
    )
    edges = ["0", *(f"{step:g}" for step in HEAT_STEPS)]
    names = [f"{low}–{high}" for low, high in pairwise(edges)] + [f"{edges[-1]} and more"]
    key = "".join(f'<li><i class="h{index}"></i>{name}</li>' for index, name in enumerate(names))
    few = f"; {MOST_ARROWS} of them are drawn" if len(shapes["arrows"]) >= MOST_ARROWS else ""
    return (
        f'<fieldset><legend><label for="factor">Residual arrows</label></legend><select id="factor">{options}</select>'
        f'<ul class="key">{key}</ul><p class="quiet">px between two pieces after the join{few}</p></fieldset>'
    )


def _zoom_and_mat() -> str:
    buttons = {"in": "Closer", "out": "Back", "all": "All", "one": "1:1", "full": "Fill the screen"}
    acts = "".join(f'<button type="button" data-act="{act}">{label}</button>' for act, label in buttons.items())
    mats = "".join(
        f'<label><input type="radio" name="mat" value="{name}"{" checked" if name == "middle" else ""}> {name}</label>'
        for name in ("light", "middle", "dark")
    )
    return (
        f'<fieldset><legend>Zoom <output id="zoom"></output></legend><div class="row">{acts}</div></fieldset>'
        f'<fieldset><legend>Surround</legend><div class="row">{mats}</div></fieldset>'
    )


@dataclass(frozen=True)
class Shown:
    """One picture: JPEG or PNG bytes, width, height px, and what it shows, for those who do not see it."""

    data: bytes
    width: int
    height: int
    words: str


@dataclass(frozen=True)
class PagePair:
    """One place or step: its title, a sentence, one picture that holds both sides, or one each before and after."""

    title: str
    words: str
    pictures: tuple[Shown, ...]


def pairs_section(pairs: Sequence[PagePair]) -> str:
    """All pairs, one below the other; empty without any."""
    return "".join(
        f'<figure class="both"><h3>{escape(pair.title)}</h3><div class="sides n{len(pair.pictures)}">'
        f"{''.join(_picture(shown) for shown in pair.pictures)}</div>"
        f"<figcaption>{escape(pair.words)}</figcaption></figure>"
        for pair in pairs
    )


def _picture(shown: Shown) -> str:
    kind = "png" if shown.data.startswith(b"\x89PNG") else "jpeg"
    data = base64.b64encode(shown.data).decode()
    words = escape(shown.words, quote=True)
    return f'<img src="data:image/{kind};base64,{data}" width="{shown.width}" height="{shown.height}" alt="{words}">'
