"""I name pieces and outputs as nobody should, and check that no page, drawing, archive or record obeys such a name."""

from __future__ import annotations

import json
import re
import zipfile
from html.parser import HTMLParser
from pathlib import Path, PurePosixPath
from xml.etree import ElementTree

import joined
import pytest
import truth
from small_jobs import invoke, page

from stitchbed.core.errors import BadSettings
from stitchbed.drawing.svg import SvgPage, Words, svg

NASTY = {
    "markup": "<img src=x onerror=alert(1)>.tif",
    "script": "<script>alert(1)<&script>.tif",
    "quotes": "\" onload='alert(1)' x=\".tif",
    "shell": ";rm -rf ~ $(id) `id` && x.tif",
    "lines": "one\ntwo\r\nthree.tif",
    "backward": "a\u202egpj.exe\u2066.tif",
    "xml": "]]>&amp;&#x41;<!--.tif",
    "bytes": b"\xff\xfe \xc3.tif".decode("utf-8", "surrogateescape"),
}


class Elements(HTMLParser):
    """Every element with its attributes, and every word of text outside of scripts and styles."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))


@pytest.mark.parametrize("kind", NASTY)
def test_a_piece_of_that_name_is_only_text_in_everything_written(kind: str, tmp_path: Path) -> None:
    pieces, out = tmp_path / "in", tmp_path / "out"
    out.mkdir()
    paths = truth.write_set(pieces, joined.pair()[1], joined.DPI)
    calm = invoke(("join", *map(str, paths), "-o", "OUT/calm.tif", "--proof", "OUT/calm.html", "--workers", "1"), out)
    assert calm.exception is None
    paths[0] = paths[0].rename(pieces / NASTY[kind])
    words = ("join", *map(str, paths), "-o", "OUT/c.tif", "--proof", "OUT/c.html", "--workers", "1", "--json")
    result = invoke(words, out)
    assert result.exception is None
    told, kept = json.loads(result.stdout), json.loads((out / "c.json").read_text(encoding="utf-8"))
    assert told["canvas"] == kept["canvas"]
    assert len({row["tile"] for row in kept["placements"]}) == 2
    harmless, nasty = (Elements((out / name).read_text(encoding="utf-8")) for name in ("calm.html", "c.html"))
    # the same elements in the same order: the name made none, and closed none
    assert [tag for tag, _ in nasty.found] == [tag for tag, _ in harmless.found]
    handlers = [name for _, attributes in nasty.found for name in attributes if name.startswith("on")]
    assert handlers == []
    assert {path.name.split(".")[0] for path in out.glob("[!.]*")} == {"c", "calm"}


@pytest.mark.parametrize("kind", [kind for kind in NASTY if kind != "bytes"])
def test_layers_of_that_name_stay_an_archive(kind: str, tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    (tmp_path / "out").mkdir()
    source = page(tmp_path / "in" / NASTY[kind])
    result = invoke(("export", str(source), "-o", "OUT", "--make", "layers", "--workers", "1"), tmp_path / "out")
    assert result.exception is None
    (archive,) = (tmp_path / "out").glob("*.ora")
    with zipfile.ZipFile(archive) as layers:
        names = layers.namelist()
        stack = ElementTree.fromstring(layers.read("stack.xml"))
        assert layers.testzip() is None
    assert names[0] == "mimetype" and len(set(names)) == len(names)
    for name in names:
        assert not PurePosixPath(name).is_absolute() and ".." not in PurePosixPath(name).parts and "\\" not in name
    sources = [layer.get("src") for layer in stack.iter("layer")]
    assert sources and set(sources) <= set(names)
    assert all(element.tag in ("image", "stack", "layer") for element in stack.iter())


@pytest.mark.parametrize("stem", ["../escaped", "/tmp/escaped", "a/b", "..", "a\\..\\b"])
def test_copies_stay_in_their_folder(stem: str, tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    source = page(tmp_path / "page.tif")
    before = sorted(path.name for path in tmp_path.iterdir())
    result = invoke(
        ("export", str(source), "-o", "OUT", "--make", "web", "--name", stem, "--workers", "1"), tmp_path / "out"
    )
    if result.exception is None:  # a name that is one name here
        assert all(path.parent == tmp_path / "out" for path in (tmp_path / "out").rglob("*"))
    else:
        assert isinstance(result.exception, BadSettings)
        assert list((tmp_path / "out").iterdir()) == []
    assert sorted(path.name for path in tmp_path.iterdir()) == before


@pytest.mark.parametrize("kind", [kind for kind in NASTY if kind not in ("bytes", "lines")])
def test_a_drawing_holds_words_as_words(kind: str) -> None:
    drawn = svg(SvgPage(50, 50, (Words(5, 5, NASTY[kind], 4),), NASTY[kind]))
    root = ElementTree.fromstring(drawn)
    plain = ElementTree.fromstring(svg(SvgPage(50, 50, (Words(5, 5, "x", 4),), "x")))
    assert [element.tag for element in root.iter()] == [element.tag for element in plain.iter()]
    assert NASTY[kind] in [element.text for element in root.iter()]


@pytest.mark.parametrize("text", ["a\x00b", "a\x0bb", "\ud800", "one\ntwo"])
def test_a_drawing_of_what_xml_cannot_hold_is_still_a_drawing(text: str) -> None:
    drawn = svg(SvgPage(50, 50, (Words(5, 5, text, 4),), text))
    ElementTree.fromstring(drawn.encode("utf-8"))


def test_a_name_never_reaches_a_shell() -> None:
    """The package starts no other program but by name and list, and never through a shell."""
    import stitchbed

    sources = sorted(Path(stitchbed.__file__).parent.rglob("*.py"))
    assert len(sources) > 150
    for source in sources:
        text = source.read_text(encoding="utf-8")
        for word in ("os.system", "shell=True", "os.popen", "pickle.load", "eval(", "exec(", "yaml.load", "extractall"):
            assert not re.search(rf"(?<!\w){re.escape(word)}", text), f"{word} in {source.name}"
