"""I check that imports go down only, that none go round in a circle, and that every file says what it is.

In: the package's source, read with `ast`. Out: a list of offending imports, which must be empty.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import networkx as nx
import pytest

PACKAGE = Path(__file__).parents[2] / "stitchbed"
# floors of the house; two rooms of one floor never import each other: mosaic and photos are two roads
RANKS = {
    "core": 0,
    "imaging": 1,
    "blending": 2,
    "color": 2,
    "drawing": 2,
    "matching": 2,
    "output": 2,
    "reading": 2,
    "card": 3,
    "planning": 3,
    "report": 3,
    "mosaic": 4,
    "page": 4,
    "photos": 4,
    "copies": 5,
    "inspection": 5,
    "pipelines": 6,
    "jobs": 7,
    "desk": 8,
    "cli": 9,
    "": 10,
}


def _name(path: Path) -> str:
    parts = ["stitchbed", *path.relative_to(PACKAGE).with_suffix("").parts]
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


SOURCES = {_name(path): path for path in sorted(PACKAGE.rglob("*.py"))}


def _part(module: str) -> str:
    """The part of the house a module lives in; "" for the package's own front door."""
    pieces = module.split(".")
    return pieces[1] if len(pieces) > 1 and pieces[1] in RANKS else ""


def _nodes(tree: ast.AST, types_too: bool) -> Iterator[ast.AST]:
    """All nodes, without (or with) what only a type checker reads."""
    for node in ast.iter_child_nodes(tree):
        if not types_too and isinstance(node, ast.If) and ast.unparse(node.test).endswith("TYPE_CHECKING"):
            continue
        yield node
        yield from _nodes(node, types_too)


@cache
def _parsed(module: str) -> ast.Module:
    return ast.parse(SOURCES[module].read_text(encoding="utf-8"))


@cache
def _imported(module: str, *, types_too: bool = True) -> tuple[str, ...]:
    """Modules of the package that a module imports, also inside functions."""
    found = []
    for node in _nodes(_parsed(module), types_too):
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names if alias.name in SOURCES]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module}: relative import; house words are absolute"
            for alias in node.names:
                inner = f"{node.module}.{alias.name}"
                found += [name for name in (inner, str(node.module)) if name in SOURCES][:1]
    return tuple(found)


def _allowed(importer: str, imported: str) -> bool:
    above, below = _part(importer), _part(imported)
    return above == below or RANKS[above] > RANKS[below]


def test_every_part_is_ranked() -> None:
    folders = {path.parent.name for path in PACKAGE.glob("*/__init__.py")}
    assert folders == set(RANKS) - {""}


def test_imports_go_down_only() -> None:
    wrong = [f"{one} -> {two}" for one in SOURCES for two in _imported(one) if not _allowed(one, two)]
    assert wrong == []


def test_the_rule_would_notice() -> None:
    assert not _allowed("stitchbed.imaging.box", "stitchbed.reading.base.tile")
    assert not _allowed("stitchbed.mosaic.survey.survey", "stitchbed.photos.survey.photo")
    assert not _allowed("stitchbed.mosaic.registration.tie_points", "stitchbed.photos.geometry.plane_pose")
    assert not _allowed("stitchbed.pipelines.join", "stitchbed")
    assert _allowed("stitchbed.cli.commands.join", "stitchbed.pipelines.join") and _allowed(
        "stitchbed", "stitchbed.cli.commands.join"
    )
    # the joining floor does import the placing floor: an empty list above is not for want of imports
    assert "stitchbed.mosaic.registration.placement" in set(_imported("stitchbed.mosaic.compositing.tile_layer"))


def test_no_circles() -> None:
    """Two modules may name each other's types; they may not run each other."""
    graph = nx.DiGraph([(one, two) for one in SOURCES for two in _imported(one, types_too=False)])
    assert graph.number_of_edges() > 200
    assert list(nx.simple_cycles(graph)) == []


@pytest.mark.parametrize("module", [name for name, path in SOURCES.items() if not path.name.startswith("__")])
def test_a_file_opens_with_the_sentence_it_says_of_itself(module: str) -> None:
    said = ast.get_docstring(_parsed(module)) or ""
    assert said.startswith("I ") and "In:" in said and "Out:" in said


def test_no_assert_and_no_print_in_the_package() -> None:
    found = []
    for module in SOURCES:
        for node in ast.walk(_parsed(module)):
            called = isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print"
            if called or isinstance(node, ast.Assert):
                found.append(f"{module}:{node.lineno}")
    assert found == []


def test_no_folder_holds_more_than_a_look_takes_in() -> None:
    """At most 13 files in a folder, and no folder with a sixth of all lines."""
    lines: dict[Path, list[int]] = {}
    for path in SOURCES.values():
        lines.setdefault(path.parent, []).append(len(path.read_text(encoding="utf-8").splitlines()))
    assert max(map(len, lines.values())) <= 13
    assert max(map(sum, lines.values())) < 0.16 * sum(map(sum, lines.values()))
