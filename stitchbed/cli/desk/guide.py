"""I am `guide`: short pages on how to scan a large sheet, what the verdicts mean, what to do when a piece is lost.

In: a topic, or none. Out: its text, or a line for each topic.
"""

from __future__ import annotations

import click

from stitchbed.cli.screen import say
from stitchbed.desk.guide.topics import all_topics, in_the_shell, topic_of


@click.command("guide", short_help="Short pages on how to work.")
@click.argument("topic", required=False)
def command(topic: str | None) -> None:
    """Show a page of the guide; without TOPIC, say which there are. The desk shows the same pages with pictures."""
    say(in_the_shell(topic_of(topic)) if topic else all_topics())
