"""I put pictures from before and after a step into the proof page.

In: encoded pictures with their words. Out: HTML whose pictures are inside it; every word is escaped.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape


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
