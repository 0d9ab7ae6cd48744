"""I check that the hints shown in the template of a job file are read as they stand there."""

from __future__ import annotations

import re
import tomllib
from importlib.resources import files

from stitchbed.mosaic.hints.hints import every, hints_of
from stitchbed.mosaic.hints.kinds import KINDS
from stitchbed.mosaic.hints.writing import key_of


def test_every_kind_stands_in_the_template_and_is_read() -> None:
    text = (files("stitchbed.jobs") / "templates" / "pieces.toml").read_text(encoding="utf-8")
    part = text[text.index("# [join.hints]") : text.index("# [rectify]")]
    lines = [line[2:] for line in part.splitlines() if re.match(r"# (\[|[a-z_]+ = )", line)]
    hints = hints_of(tomllib.loads("\n".join(lines))["join"]["hints"])
    assert [key_of(hint) for hint in every(hints)] == list(KINDS)
