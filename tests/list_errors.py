"""I list the errors that docstrings of public functions promise, and those that no test names beside the function.

By hand: python tests/list_errors.py
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

HERE = Path(__file__).parent
KNOWN = (
    "StitchbedError|UnreadableTile|MixedTiles|Disconnected|CardNotFound|CanvasTooLarge|WouldTouchOriginal|CannotWrite|"
    "BadSettings|WorksFailed|ValueError|KeyError"
)


def promised() -> Iterator[tuple[str, str, str]]:
    """Module, function and error of every Raises section."""
    for source in sorted((HERE.parent / "stitchbed").rglob("*.py")):
        for node in ast.walk(ast.parse(source.read_text(encoding="utf-8"))):
            said = ast.get_docstring(node) if isinstance(node, ast.FunctionDef) else None
            if not said or "Raises" not in said or node.name.startswith("_"):  # type: ignore[attr-defined]
                continue
            section = said.split("Raises", 1)[1].split("Reference")[0]
            for error in sorted(set(re.findall(rf"\b({KNOWN})\b", section))):
                yield str(source.relative_to(HERE.parent)), node.name, error  # type: ignore[attr-defined]


def main() -> None:
    """How many, and which of them no test file names together."""
    texts = [path.read_text(encoding="utf-8") for path in HERE.glob("*.py")]
    rows = list(promised())
    bare = [
        (module, name, error)
        for module, name, error in rows
        if not any(re.search(rf"\b{name}\b", text) and re.search(rf"\b{error}\b", text) for text in texts)
    ]
    functions = {row[:2] for row in rows}
    print(f"{len(functions)} functions promise {len(rows)} errors; no test names {len(bare)} of them:")
    print(*(f"  {module}: {name}: {error}" for module, name, error in bare), sep="\n")


if __name__ == "__main__":
    main()
