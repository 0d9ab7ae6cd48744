"""I am `desk`: the whole job in a page of one's own browser.

In: a folder or a job file. Out: pages on this machine alone, until Ctrl-C.
"""

from __future__ import annotations

import webbrowser
from pathlib import Path

import click

from stitchbed.cli.options import Bytes


@click.command("desk", short_help="The whole job in a page of your browser.")
@click.argument("job", default=".", type=click.Path(path_type=Path), metavar="[FOLDER or JOB.toml]")
@click.option("--port", type=click.IntRange(0, 65_535), default=0, help="Port on this machine  [default: a free one]")
@click.option("--browser/--no-browser", default=True, help="Open the page in the browser.", show_default=True)
@click.option("--memory", type=Bytes(), default="1GiB", show_default=True, help="Memory to work in.")
@click.option("--workers", type=click.IntRange(1, 64), default=2, show_default=True, help="Threads to use.")
def command(job: Path, port: int, browser: bool, memory: int, workers: int) -> None:
    """Drop scans on a page, see at once what is wrong with them, join them, and go on to files ready for color.

    Everything stays on this machine. The job is a folder with a job.toml in it, as `run` takes it; what is done on the
    desk is a change of that file, and `stitchbed run` makes the same files from it.
    """
    from stitchbed.desk.access import Access
    from stitchbed.desk.job.begin import job_at
    from stitchbed.desk.server import app_of, listening, serve
    from stitchbed.desk.session import Session

    session = Session(job_at(job), workers=workers, memory=memory)
    with listening(port) as sock:
        access = Access(sock.getsockname()[1])

        def told(address: str) -> None:
            click.echo(f"The desk for another browser: {address}")

        def ready() -> None:
            click.echo(f"The desk is open: {access.address()}\nCtrl-C ends it; the job stays as it is.")
            if browser:
                webbrowser.open(access.address())

        serve(app_of(session, access, told), sock, ready, session.hub.close)
