"""I check that the guide says the same in the shell and on the desk, and that its pictures are drawn."""

from __future__ import annotations

import html
import re
from pathlib import Path
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner
from desks import client_of

from stitchbed.cli.desk.guide import command
from stitchbed.core.errors import BadSettings
from stitchbed.desk.guide.drawings import DRAWINGS, drawing
from stitchbed.desk.guide.topics import TOPICS


@pytest.mark.parametrize("name", TOPICS)
def test_the_same_words_in_the_shell_and_on_the_desk(name: str, tmp_path: Path) -> None:
    told = CliRunner().invoke(command, [name])
    assert told.exit_code == 0 and max(map(len, told.output.splitlines())) <= 78
    with client_of(tmp_path) as (client, _, _):
        page = client.get(f"/guide/{name}").text
    flat = " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page)).split())
    shell = " ".join(re.sub(r"^([-=]+$|- )", "", told.output, flags=re.MULTILINE).split())
    for part in TOPICS[name].parts:
        for words in (part.heading, *part.words, *part.points):
            assert " ".join(words.replace("`", " ").split()) in flat and " ".join(words.split()) in shell
        assert not part.picture or part.picture in DRAWINGS
    assert page.count("<svg") == sum(bool(part.picture) for part in TOPICS[name].parts)


def test_topics_are_listed_and_others_told(tmp_path: Path) -> None:
    told = CliRunner().invoke(command, [])
    assert all(name in told.output for name in TOPICS)
    wrong = CliRunner().invoke(command, ["sorcery"])
    assert isinstance(wrong.exception, BadSettings)
    with client_of(tmp_path) as (client, _, _):
        assert client.get("/guide/sorcery").status_code == 409
        assert client.get("/guide").status_code == 200


@pytest.mark.parametrize("name", DRAWINGS)
def test_pictures_are_drawings_with_a_name(name: str) -> None:
    root = ElementTree.fromstring(drawing(name))
    assert root.get("aria-label") and len(root) > 3
    assert "style" not in drawing(name)
    assert {picture.picture for topic in TOPICS.values() for picture in topic.parts} >= {name}
