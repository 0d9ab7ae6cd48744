"""I check the desk's pages: every stop and every topic is drawn, and words of files are never markup."""

from __future__ import annotations

from html.parser import HTMLParser
from pathlib import Path

import jinja2
import pytest
from desks import client_of, small_job

from stitchbed.core.errors import BadSettings
from stitchbed.desk.guide.topics import TOPICS
from stitchbed.desk.look.pages import REMEDIES, frame, guide_page, written
from stitchbed.desk.stops import STOPS
from stitchbed.jobs.steps import STEPS

NASTY = "<script>alert(1)</script>"


class Tags(HTMLParser):
    """Names of the tags of a page, and of those left open."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.seen: list[str] = []
        self.text = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Count it."""
        self.seen.append(tag)

    def handle_data(self, data: str) -> None:
        """Keep the words."""
        self.text += data


def test_every_stop_is_drawn_with_the_job_s_own_words_escaped(tmp_path: Path) -> None:
    folder = small_job(tmp_path / "job")
    text = (folder / "job.toml").read_text().replace('name = "map"', f'name = "map"\nout = "{NASTY}"').replace(
        'out = "out"\n', ""
    )  # fmt: skip
    (folder / "job.toml").write_text(text)
    with client_of(folder) as (_, session, _):
        for stop in STOPS:
            page = frame(session, stop.name)
            tags = Tags(page)
            assert NASTY not in page
            assert stop.title in tags.text and stop.about in tags.text
            for other in STOPS:
                assert other.title in tags.text  # the line of stops is on every page


@pytest.mark.parametrize("name", TOPICS)
def test_every_topic_of_the_guide_is_a_page(name: str) -> None:
    tags = Tags(guide_page(name))
    assert TOPICS[name].title in tags.text
    for part in TOPICS[name].parts:
        assert part.heading in tags.text
    assert tags.seen.count("svg") >= sum(bool(part.picture) for part in TOPICS[name].parts)


def test_an_unknown_topic_is_told() -> None:
    with pytest.raises(BadSettings):
        guide_page("no such")


def test_a_value_that_is_missing_is_an_error() -> None:
    with pytest.raises(jinja2.UndefinedError):
        written("frame.html")


def test_remedies_change_what_the_steps_know() -> None:
    for remedies in REMEDIES.values():
        for words, act, taken in remedies:
            assert words and act == "set" and taken["step"] in STEPS and taken["path"]
