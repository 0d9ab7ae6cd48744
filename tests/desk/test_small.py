"""I check that the desk's server is light until pictures are looked at, and that the command starts and ends well."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import urllib.request
from pathlib import Path
from typing import Any


def test_no_picture_library_until_a_picture_is_looked_at() -> None:
    words = (
        "import sys, stitchbed.desk.server; print([m for m in ('cv2', 'numba', 'scipy', 'PIL') if m in sys.modules])"
    )
    told = subprocess.run([sys.executable, "-c", words], capture_output=True, text=True, check=True)
    assert told.stdout.strip() == "[]"


def test_the_command_says_its_address_and_ends(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "stitchbed", "desk", str(tmp_path), "--no-browser"]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=dict(os.environ)
    ) as desk:
        assert desk.stdout is not None and desk.stderr is not None
        said = desk.stdout.readline()
        assert re.fullmatch(r"The desk is open: http://127\.0\.0\.1:\d+/\?token=[\w-]{40,}\n", said)
        address = said.split()[-1]
        with opened(address) as events:  # a page that listens does not hold it up
            assert events.readline().startswith(b":")
            desk.send_signal(signal.SIGTERM)
            assert desk.wait(15) in (0, 130, 143)
        assert "Traceback" not in desk.stderr.read()
    assert list(tmp_path.iterdir()) == []  # looking leaves nothing behind


def opened(address: str) -> Any:
    """The stream of events, by the cookie of an address with a token."""
    jar = urllib.request.HTTPCookieProcessor()
    page = urllib.request.build_opener(urllib.request.ProxyHandler({}), jar)
    with page.open(address, timeout=20) as answer:
        assert answer.status == 200
    return page.open(address.split("/?")[0] + "/events", timeout=20)


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "stitchbed", "desk", str(tmp_path / "none"), "--no-browser"]
    told = subprocess.run(command, capture_output=True, text=True)
    assert told.returncode == 1 and "Try: mkdir" in told.stderr
