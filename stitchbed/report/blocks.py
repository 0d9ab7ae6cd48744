"""I am what a proof page is made of: sections of words, facts, tables, charts and pictures.

In: nothing. Out: frozen data without markup; `templates/blocks.html` writes each kind.
"""

from __future__ import annotations

import base64
from dataclasses import dataclass, field
from typing import Any, ClassVar

from stitchbed.report.charts import Chart


@dataclass(frozen=True)
class Fact:
    """A value that stands out, and the words before and after it."""

    value: str
    after: str = ""
    before: str = ""


@dataclass(frozen=True)
class PlaceLink:
    """A table's cell that shows a place of the picture: index of the link, None where it has no place."""

    text: str
    index: int | None
    kind: ClassVar[str] = "place"


@dataclass(frozen=True)
class State:
    """A table's cell: one word that is good or bad, and why."""

    word: str
    good: bool
    reason: str
    kind: ClassVar[str] = "state"


@dataclass(frozen=True)
class Digest:
    """A table's cell: a hash, shown short, there whole for copying."""

    text: str
    kind: ClassVar[str] = "digest"


@dataclass(frozen=True)
class Swatches:
    """A table's cell: colors beside each other, CSS, None for none; and their numbers."""

    colors: tuple[str | None, ...]
    words: str
    kind: ClassVar[str] = "swatches"


Cell = str | float | int | PlaceLink | State | Digest | Swatches


@dataclass(frozen=True)
class Table:
    """A table in a frame that scrolls by keys on a narrow screen."""

    name: str
    head: tuple[str, ...]
    lines: tuple[tuple[Cell, ...], ...]
    kind: ClassVar[str] = "table"


@dataclass(frozen=True)
class Words:
    """A paragraph. quiet : it explains what follows."""

    text: str
    quiet: bool = False
    kind: ClassVar[str] = "words"


@dataclass(frozen=True)
class Facts:
    """Facts in one line."""

    items: tuple[Fact, ...]
    kind: ClassVar[str] = "facts"


@dataclass(frozen=True)
class Figure:
    """A chart and what it shows."""

    chart: Chart
    caption: str
    kind: ClassVar[str] = "figure"


@dataclass(frozen=True)
class Fold:
    """What is shown on asking: a table, or nested plain values."""

    title: str
    table: Table | None = None
    values: Any = None
    kind: ClassVar[str] = "fold"


@dataclass(frozen=True)
class Shown:
    """One picture: JPEG or PNG bytes, width, height px, and what it shows, for those who do not see it."""

    data: bytes
    width: int
    height: int
    words: str

    @property
    def uri(self) -> str:
        """The picture as a page holds it."""
        kind = "png" if self.data.startswith(b"\x89PNG") else "jpeg"
        return f"data:image/{kind};base64,{base64.b64encode(self.data).decode()}"


@dataclass(frozen=True)
class PagePair:
    """One place or step: its title, a sentence, one picture that holds both sides, or one each before and after.

    curtain : two pictures that show the same place; they lie over each other with a divider one can move.
    """

    title: str
    words: str
    pictures: tuple[Shown, ...]
    curtain: bool = False
    kind: ClassVar[str] = "pair"


Block = Table | Words | Facts | Figure | Fold | PagePair


@dataclass(frozen=True)
class Section:
    """A part of the page. terms : (word, its meaning) of what its words do not say plainly."""

    anchor: str
    title: str
    blocks: tuple[Block, ...]
    terms: tuple[tuple[str, str], ...] = field(default=())
