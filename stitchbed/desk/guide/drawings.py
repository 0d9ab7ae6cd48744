"""I draw the pictures of the guide: a sheet and the beds laid over it, a lifted strip, the line of stops.

In: a picture's name. Out: SVG whose colors the page's own style gives, so that it suits light and dark.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

Box = tuple[float, float, float, float]  # x, y, width, height

# a drawn coast with a tram line, as on the sheets of the demonstration
COAST = "M6 62 C20 50 34 66 48 58 S76 44 92 56 S124 70 146 50"
TRAM = "M10 20 L44 20 L70 34 L104 34 L140 18"


def drawing(name: str) -> str:
    """The picture of a name, "" where there is none."""
    make = DRAWINGS.get(name)
    return make() if make else ""


def _svg(width: float, height: float, title: str, parts: Sequence[str]) -> str:
    return (
        f'<svg class="drawing" viewBox="0 0 {width:g} {height:g}" role="img" aria-label="{title}">'
        f"<title>{title}</title>{''.join(parts)}</svg>"
    )


def _box(box: Box, kind: str, turn: float = 0) -> str:
    x, y, width, height = box
    middle = f"{x + width / 2:g} {y + height / 2:g}"
    turned = f' transform="rotate({turn:g} {middle})"' if turn else ""
    return f'<rect class="{kind}" x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}"{turned}></rect>'


def _sheet(box: Box = (2, 6, 148, 80)) -> list[str]:
    return [
        _box(box, "paper"),
        f'<path class="ink" d="{COAST}"></path>',
        f'<path class="track" d="{TRAM}"></path>',
        *(f'<circle class="halt" cx="{x}" cy="{y}" r="2"></circle>' for x, y in ((10, 20), (44, 20), (104, 34))),
    ]


def _words(x: float, y: float, words: str) -> str:
    return f'<text x="{x:g}" y="{y:g}">{words}</text>'


def _overlap() -> str:
    beds = [_box((x, 2, 62, 88), "bed") for x in (-3, 44, 92)]
    shared = [_box((x, 6, width, 80), "shared") for x, width in ((44, 15), (92, 14))]
    lead = '<path class="lead" d="M52 92 L52 87"></path>'
    return _svg(
        156, 100, "A sheet scanned in three pieces; neighbors share a fifth",
        [*_sheet(), *shared, *beds, _words(36, 98, "a fifth is shared"), lead],
    )  # fmt: skip


def _turned() -> str:
    beds = [_box((0, 2, 70, 88), "bed"), _box((56, 2, 62, 88), "bed"), _box((84, 12, 88, 62), "bed")]
    words = [_words(20, 98, "upright"), _words(66, 98, "upright"), _words(112, 98, "turned by a quarter")]
    return _svg(176, 100, "Two pieces upright and one turned by a quarter", [*_sheet(), *beds, *words])


def _lifted() -> str:
    parts = [
        '<path class="glass" d="M20 52 L140 52"></path>',
        '<path class="ink" d="M8 34 C14 36 20 47 30 48 L130 48 C140 47 146 40 156 34"></path>',
        _box((8, 46, 14, 16), "frame"),
        _box((140, 46, 14, 16), "frame"),
        _box((22, 44, 14, 12), "wrong"),
        _box((124, 44, 14, 12), "wrong"),
        _words(24, 76, "lifts"),
        _words(68, 76, "flat on the glass"),
        _words(124, 76, "lifts"),
    ]
    return _svg(164, 82, "From the side: along the frame the sheet lifts off the glass", parts)


def _marks() -> str:
    return _svg(
        156, 92, "A piece with its left side marked as lifted and a ninth as soft",
        [*_sheet(), _box((2, 6, 8, 80), "wrong"), _box((101, 33, 49, 27), "wrong")],
    )  # fmt: skip


def _lost() -> str:
    beds = [_box((0, 2, 60, 88), "bed"), _box((47, 2, 50, 88), "bed"), _box((112, 2, 44, 88), "bed alone")]
    return _svg(
        160, 100, "Two pieces hang together, the third shares nothing with them",
        [*_sheet(), *beds, _words(118, 98, "no place")],
    )  # fmt: skip


def _line() -> str:
    places = [(16, "full"), (56, "full"), (96, "look"), (136, "open")]
    rails = [f'<path class="rail {kind}" d="M{x - 40 + 6} 14 L{x - 6} 14"></path>' for x, kind in places[1:]]
    dots = [f'<circle class="stop {kind}" cx="{x}" cy="14" r="6"></circle>' for x, kind in places]
    dots.append('<circle class="stop inner" cx="96" cy="14" r="2.4"></circle>')
    words = [_words(x, 30, text) for x, text in ((10, "done"), (50, "done"), (82, "needs a look"), (124, "not begun"))]
    return _svg(160, 36, "Stops: filled is done, with a dot needs a look, hollow is not begun", [*rails, *dots, *words])


DRAWINGS: dict[str, Callable[[], str]] = {
    "overlap": _overlap,
    "turned": _turned,
    "lifted": _lifted,
    "marks": _marks,
    "lost": _lost,
    "line": _line,
}
