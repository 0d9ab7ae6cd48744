"""I check that some test imports every module of the package, so that nothing is tested only by what lies above it.

In: the imports of the tests, read with `ast`. Out: the modules no test names, of which there must be none.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[2]


def _imported(path: Path) -> Iterator[str]:
    """Dotted names a file imports; of `from a import b` both `a` and `a.b`."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (one.name for one in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module
            yield from (f"{node.module}.{one.name}" for one in node.names)


def test_every_module_is_named_by_some_test() -> None:
    files = [path for path in (ROOT / "stitchbed").rglob("*.py") if path.name not in ("__init__.py", "__main__.py")]
    modules = {".".join(path.relative_to(ROOT).with_suffix("").parts) for path in files}
    named = {name for path in (ROOT / "tests").rglob("*.py") for name in _imported(path)}
    fresh = sorted(modules - named)
    names = ", ".join(fresh)
    assert not fresh, f"no test imports {names}: write one at the same place in tests/ that checks what each promises"
