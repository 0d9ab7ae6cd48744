"""I check what a page's program is understood to paint, operator by operator.

Reference: ISO 32000-1:2008, 8.3.4 (matrices multiply row vectors), 8.4.2 (q and Q), 8.6.5.1 (the first color of device
spaces is black), 8.10.1 (forms), 9.3.6 (modes 3 and 7 of writing show nothing), 11.6.4 (what veils), 12.5.3 (notes).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pikepdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pikepdf import Array, Dictionary, Name

from stitchbed.reading.pdf import content
from stitchbed.reading.pdf.content import UNIT, Shown, shown_on, times


class Page:
    """A page of its own document, with two pictures /A and /B and whatever a test adds."""

    def __init__(self, *programs: str) -> None:
        self.document = pikepdf.new()
        self.page = self.document.add_blank_page(page_size=(100, 100))
        pictures = {f"/{name}": self.stream("", Subtype=Name.Image) for name in "AB"}
        self.page.obj.Resources = Dictionary(XObject=Dictionary(pictures), ExtGState=Dictionary())
        self.page.obj.Contents = Array([self.stream(program) for program in programs])

    def stream(self, text: str, **entries: Any) -> Any:
        """A stream of this document."""
        return self.document.make_stream(text.encode(), **entries)

    def adding(self, group: str, name: str, thing: Any) -> Page:
        """The page with one more resource."""
        self.page.obj.Resources[group][f"/{name}"] = thing
        return self

    def shown(self) -> Shown:
        """What it paints."""
        return shown_on(self.document, self.page)


def matrices(shown: Shown) -> list[tuple[float, ...]]:
    """How the pictures are painted."""
    return [one.matrix for one in shown.pictures]


def test_times_does_the_first_then_the_second() -> None:
    twice, shift = (2, 0, 0, 2, 0, 0), (1, 0, 0, 1, 3, 4)
    assert times(twice, shift) == (2, 0, 0, 2, 3, 4)
    assert times(shift, twice) == (2, 0, 0, 2, 6, 8)


@given(st.lists(st.integers(-9, 9), min_size=12, max_size=12))
@settings(max_examples=20, deadline=None)
def test_times_is_the_product_of_row_vector_matrices(numbers: list[int]) -> None:
    first, then = (np.array([[a, b, 0], [c, d, 0], [e, f, 1]]) for a, b, c, d, e, f in (numbers[:6], numbers[6:]))
    product = (first @ then)[:, :2].ravel()
    assert list(times(tuple(numbers[:6]), tuple(numbers[6:]))) == list(product)


def test_pictures_carry_the_matrix_of_their_place_in_the_program() -> None:
    shown = Page("q 2 0 0 3 10 20 cm /A Do 2 0 0 2 5 7 cm /B Do Q /A Do Q /A Do").shown()
    # the later cm comes first: (x, y) -> (2 x + 5, 2 y + 7) -> (2 (2 x + 5) + 10, 3 (2 y + 7) + 20)
    assert matrices(shown) == [(2, 0, 0, 3, 10, 20), (4, 0, 0, 6, 20, 41), UNIT, UNIT]
    assert shown.under == shown.over == []


def test_a_program_in_parts_is_one_program() -> None:
    assert matrices(Page("q 2 0 0 2 0", "0 cm /A Do Q").shown()) == [(2, 0, 0, 2, 0, 0)]


def test_an_empty_page_shows_nothing() -> None:
    page = Page()
    del page.page.obj["/Contents"]
    assert page.shown() == Shown()


@pytest.mark.parametrize("word", ["f", "F", "f*", "B", "B*", "b", "b*", "S", "s", "/P sh"])
def test_what_is_painted_lies_under_or_over(word: str) -> None:
    shown = Page(f"0 0 m 9 9 l {word} /A Do 0 0 m 9 9 l {word} {word}").shown()
    assert (shown.under, shown.over) == (["lines or areas"], ["lines or areas"] * 2)


def test_paths_that_are_not_painted_are_no_drawing() -> None:
    shown = Page("0 0 9 9 re W n /A Do 0 0 m 9 9 l n").shown()
    assert shown.under == shown.over == []


@pytest.mark.parametrize("word", ["(Quay) Tj", "[(Qu) -9 (ay)] TJ", "(Quay) '", '0 0 (Quay) "'])
def test_writing_is_drawing_where_it_is_shown(word: str) -> None:
    for mode in range(8):
        shown = Page(f"/A Do BT {mode} Tr {word} ET").shown()
        unseen = mode in (3, 7)
        assert (shown.over, shown.unseen_text) == ([] if unseen else ["writing"], unseen)


def test_the_mode_of_writing_ends_with_its_state() -> None:
    assert Page("/A Do q 3 Tr Q BT (Quay) Tj ET").shown().over == ["writing"]


def test_a_picture_written_into_the_page_is_a_drawing() -> None:
    shown = Page("BI /W 1 /H 1 /CS /G /BPC 8 ID \x01 EI /A Do").shown()
    assert shown.under == ["a small picture written into the page itself"]


@pytest.mark.parametrize(
    ("program", "black"),
    [
        ("", True), ("0 g", True), ("1 g", False), ("0.2 g", False), ("0 0 0 rg", True), ("0 0 1 rg", False),
        ("1 0 0 rg", False), ("0 0 0 1 k", True), ("0 0 0 0 k", False), ("1 0 0 1 k", False), ("1 g 0 G", False),
        ("1 g /DeviceRGB cs", True), ("/DeviceRGB cs 1 1 1 sc", False), ("/P cs /P1 scn", False), ("q 1 g Q", True),
    ],
)  # fmt: skip
def test_the_color_of_stencils(program: str, black: bool) -> None:
    (one,) = Page(f"{program} /A Do").shown().pictures
    assert one.black is black


@pytest.mark.parametrize(
    ("state", "veiled"),
    [
        ({}, False), ({"ca": 1}, False), ({"ca": 0.5}, True), ({"CA": 0.5}, False), ({"BM": Name.Normal}, False),
        ({"BM": Name.Compatible}, False), ({"BM": Name.Multiply}, True), ({"SMask": Name("/None")}, False),
        ({"SMask": Dictionary(S=Name.Luminosity)}, True),
    ],
)  # fmt: skip
def test_what_makes_a_picture_half_transparent(state: dict[str, Any], veiled: bool) -> None:
    page = Page("q /G gs /A Do Q /B Do").adding("/ExtGState", "G", Dictionary(**state))
    assert [one.veiled for one in page.shown().pictures] == [veiled, False]


def test_a_form_paints_with_its_matrix_in_the_state_round_it() -> None:
    page = Page("q 2 0 0 2 0 0 cm /F Do /B Do Q")
    form = page.stream("1 0 0 1 3 4 cm 1 g /A Do", Subtype=Name.Form, Matrix=Array([1, 0, 0, 1, 10, 0]))
    shown = page.adding("/XObject", "F", form).shown()
    # (x, y) -> (x + 3, y + 4) -> (x + 13, y + 4) -> twice that; what the form changes ends with it
    assert matrices(shown) == [(2, 0, 0, 2, 26, 8), (2, 0, 0, 2, 0, 0)]
    assert [one.black for one in shown.pictures] == [False, True]


def test_a_form_names_its_own_things_first() -> None:
    page = Page("/F Do")
    own = page.stream("", Subtype=Name.Image, Width=7)
    form = page.stream("/A Do", Subtype=Name.Form, Resources=Dictionary(XObject=Dictionary(A=own)))
    (one,) = page.adding("/XObject", "F", form).shown().pictures
    assert int(one.image.Width) == 7


@pytest.mark.parametrize(("depth", "fine"), [(8, True), (9, False)])
def test_forms_in_forms_end(depth: int, fine: bool) -> None:
    page = Page("/F1 Do")
    for level in range(1, depth + 1):
        inside = f"/F{level + 1} Do" if level < depth else "/A Do"
        page.adding("/XObject", f"F{level}", page.stream(inside, Subtype=Name.Form))
    if fine:
        assert len(page.shown().pictures) == 1
    else:
        with pytest.raises(ValueError, match="forms in forms"):
            page.shown()


def test_what_is_no_picture_and_no_form_paints_nothing() -> None:
    page = Page("/O Do")
    assert page.adding("/XObject", "O", page.stream("", Subtype=Name.PS)).shown() == Shown(steps=1)


@pytest.mark.parametrize(("program", "name"), [("/C Do", "/C"), ("/H gs", "/H")])
def test_things_that_are_not_there_are_named(program: str, name: str) -> None:
    with pytest.raises(ValueError, match=f"paints {name}, which is not in the file"):
        Page(program).shown()


def test_programs_longer_than_a_scan_s_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(content, "MOST_STEPS", 5)
    assert Page("q Q q Q", "q").shown().steps == 5
    with pytest.raises(ValueError, match="more steps"):
        Page("q Q q Q", "q Q").shown()
    monkeypatch.setattr(content, "MOST_PACKED", 5)
    assert Page("q Q q").shown().steps == 3
    with pytest.raises(ValueError, match="a program of 6 bytes"):
        Page("q Q q ").shown()


def test_notes_are_over_the_picture_when_they_show_something() -> None:
    look = Dictionary(N=Dictionary())
    cases = [
        (Dictionary(Subtype=Name.Stamp, AP=look), True),
        (Dictionary(Subtype=Name.Stamp, AP=look, F=4), True),  # to be printed
        (Dictionary(Subtype=Name.Stamp, AP=look, F=2), False),  # hidden
        (Dictionary(Subtype=Name.Stamp, AP=look, F=6), False),
        (Dictionary(Subtype=Name.Stamp), False),
        (Dictionary(Subtype=Name.Link, AP=look), False),
        (Dictionary(Subtype=Name.Popup, AP=look), False),
        (Dictionary(Subtype=Name.Widget, AP=look), False),
    ]
    for note, seen in cases:
        page = Page("/A Do")
        page.page.obj.Annots = Array([note])
        assert page.shown().over == (["a note laid over it"] if seen else [])
