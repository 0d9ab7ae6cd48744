"""I read what a PDF page paints, and say whether it is one picture and nothing over it.

In: a page. Out: the picture and the matrix it is painted with, or words on what else the page shows.

Writing that is not painted (the text that recognition of characters adds) is no drawing; nor is what lies under a
picture that fills the page. Reference: ISO 32000-2:2020, 8.2 (objects), 8.4 (state), 8.5 (paths), 9.3.6 (rendering
mode 3: neither filled nor stroked), 12.5 (annotations).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from stitchbed.reading.pdf.document import filters_of, plain_bytes

MOST_CONTENT = 8 * 2**20  # bytes of a page's program once unfolded; recognized text of a dense page takes .3 MB
MOST_PACKED = 2**20
MOST_STEPS = 200_000
DEEPEST = 8  # forms in forms
PAINTING = frozenset({"f", "F", "f*", "B", "B*", "b", "b*", "S", "s", "sh"})
WRITING = frozenset({"Tj", "TJ", "'", '"'})
FILL_COLORS = {"g": 1, "rg": 3, "k": 4}
UNSEEN = (3, 7)  # text rendering modes
QUIET_NOTES = ("/Link", "/Popup", "/Widget")  # annotations that paint nothing of their own over a scan

Matrix = tuple[float, float, float, float, float, float]
UNIT: Matrix = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0)


@dataclass(frozen=True)
class Painted:
    """A picture and how it is painted: `matrix` takes its unit square to the page, in points before the page's turn.

    black : the color for stencils is black. veiled : it is painted half transparent or through a mask of the state.
    """

    image: Any
    matrix: Matrix
    black: bool
    veiled: bool


@dataclass
class Shown:
    """What was met on a page, in order."""

    pictures: list[Painted] = field(default_factory=list)
    under: list[str] = field(default_factory=list)
    over: list[str] = field(default_factory=list)
    unseen_text: bool = False
    steps: int = 0

    def drawn(self, what: str) -> None:
        """Note something painted, before or after the first picture."""
        (self.over if self.pictures else self.under).append(what)


@dataclass(frozen=True)
class _State:
    matrix: Matrix = UNIT
    black: bool = True
    veiled: bool = False
    mode: int = 0

    def but(self, **changed: Any) -> _State:
        return _State(**{**vars(self), **changed})


def shown_on(document: Any, page: Any) -> Shown:
    """What a page (pikepdf.Page) paints.

    Raises
    ------
    ValueError : its program is damaged or far too long for a scan's.
    """
    shown = Shown()
    contents = page.obj.get("/Contents")
    _run(document, _joined(contents), page.obj.get("/Resources"), _State(), shown, 0)
    for note in page.obj.get("/Annots", []):
        if str(note.get("/Subtype")) not in QUIET_NOTES and not int(note.get("/F", 0)) & 2 and "/AP" in note:
            shown.over.append("a note laid over it")
    return shown


def _joined(contents: Any) -> bytes:
    import pikepdf

    if contents is None:
        return b""
    parts = [contents] if isinstance(contents, pikepdf.Stream) else list(contents)
    return b"\n".join(_program(part) for part in parts)


def _program(stream: Any) -> bytes:
    packed = stream.read_raw_bytes()
    if len(packed) > MOST_PACKED:
        raise ValueError(f"its page has a program of {len(packed):,} bytes, which draws more than a scan")
    return plain_bytes(packed, filters_of(stream), MOST_CONTENT)


def _run(document: Any, program: bytes, resources: Any, state: _State, shown: Shown, depth: int) -> None:
    """Follow a program of painting; what it paints goes into `shown`."""
    import pikepdf

    kept: list[_State] = []
    for step in pikepdf.parse_content_stream(pikepdf.Stream(document, program)):
        shown.steps += 1
        if shown.steps > MOST_STEPS:
            raise ValueError("its page has more steps of painting than a scan")
        if isinstance(step, pikepdf.ContentStreamInlineImage):
            shown.drawn("a small picture written into the page itself")
            continue
        word, operands = str(step.operator), step.operands
        if word == "q":
            kept.append(state)
        elif word == "Q":
            state = kept.pop() if kept else state
        elif word == "Do":
            _painted(document, _named(resources, "/XObject", operands[0]), resources, state, shown, depth)
        elif word in PAINTING:
            shown.drawn("lines or areas")
        elif word in WRITING and state.mode in UNSEEN:
            shown.unseen_text = True
        elif word in WRITING:
            shown.drawn("writing")
        else:
            state = _changed(state, word, operands, resources)


def _changed(state: _State, word: str, operands: Any, resources: Any) -> _State:
    """The state after an operator that paints nothing."""
    if word == "cm" and len(operands) == 6:
        return state.but(matrix=times(_matrix(operands), state.matrix))
    if word == "Tr" and operands:
        return state.but(mode=int(operands[0]))
    if word in FILL_COLORS and len(operands) == FILL_COLORS[word]:
        return state.but(black=_is_black(word, [float(value) for value in operands]))
    if word in ("sc", "scn"):
        return state.but(black=False)
    if word == "cs":
        return state.but(black=True)  # the first color of every device space is black (8.6.5.1)
    if word == "gs" and operands:
        return state.but(veiled=state.veiled or _veils(_named(resources, "/ExtGState", operands[0])))
    return state


def _is_black(word: str, values: list[float]) -> bool:
    return values == [0, 0, 0, 1] if word == "k" else not any(values)


def _veils(table: Any) -> bool:
    """Whether a table of state makes what follows half transparent or masks it (11.6.4)."""
    mask = table.get("/SMask")
    masked = mask is not None and str(mask) != "/None"
    return (
        masked or float(table.get("/ca", 1)) < 1 or str(table.get("/BM", "/Normal")) not in ("/Normal", "/Compatible")
    )


def _painted(document: Any, thing: Any, resources: Any, state: _State, shown: Shown, depth: int) -> None:
    kind = str(thing.get("/Subtype"))
    if kind == "/Image":
        shown.pictures.append(Painted(thing, state.matrix, state.black, state.veiled))
    elif kind == "/Form":
        if depth >= DEEPEST:
            raise ValueError("its page has forms in forms without end")
        inner = state.but(matrix=times(_matrix(thing.get("/Matrix", UNIT)), state.matrix))
        _run(document, _program(thing), thing.get("/Resources", resources), inner, shown, depth + 1)


def _named(resources: Any, group: str, name: Any) -> Any:
    table = None if resources is None else resources.get(group)
    found = None if table is None else table.get(str(name))
    if found is None:
        raise ValueError(f"its page paints {name}, which is not in the file")
    return found


def _matrix(values: Any) -> Matrix:
    a, b, c, d, e, f = (float(value) for value in values)
    return a, b, c, d, e, f


def times(first: Matrix, then: Matrix) -> Matrix:
    """The matrix that does `first`, then `then` (8.3.4: row vectors)."""
    a, b, c, d, e, f = first
    p, q, r, s, t, u = then
    return a * p + b * r, a * q + b * s, c * p + d * r, c * q + d * s, e * p + f * r + t, e * q + f * s + u
