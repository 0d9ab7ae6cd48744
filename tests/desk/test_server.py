"""I check the desk's server without a browser: what it takes in, what it refuses, and that files stay what they are."""

from __future__ import annotations

import hashlib
import os
import shutil
import struct
import time
from pathlib import Path
from typing import Any

import pytest
import tifffile
from desks import DEMO, OWN, PIECES, client_of, small_job
from starlette.testclient import TestClient

from stitchbed.desk.job import pieces as pieces_room
from stitchbed.desk.session import Session
from stitchbed.jobs.job_file import job_of
from stitchbed.jobs.steps import STEPS

TIFF = (DEMO / PIECES[0]).read_bytes()


def _drop(client: TestClient, name: str, data: bytes, **headers: str) -> Any:
    return client.put("/pieces", params={"name": name}, content=data, headers={**OWN, **headers})


def _act(client: TestClient, act: str, **taken: Any) -> Any:
    return client.post("/act", json={"act": act, **taken}, headers=OWN)


def _quiet(session: Session) -> None:
    """No look at pieces by itself: these tests are about the server alone."""

    async def nothing() -> None:
        return None

    session.look_about = nothing  # type: ignore[method-assign]


def _files(folder: Path) -> list[str]:
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file())


def test_dropped_files_are_copied_byte_for_byte(tmp_path: Path) -> None:
    digest = hashlib.sha256(TIFF).hexdigest()
    with client_of(tmp_path) as (client, session, _):
        _quiet(session)
        assert _drop(client, "ä b.tif", TIFF, **{"x-sha256": digest}).json() == {"name": "ä b.tif"}
        assert _drop(client, "ä b.tif", TIFF).json() == {"name": "ä b.tif"}  # the same once more
        assert _drop(client, "ä b.tif", TIFF + b"\0").json() == {"name": "ä b-2.tif"}
        page = client.get("/").text
    assert (tmp_path / "pieces" / "ä b.tif").read_bytes() == TIFF
    assert "ä b.tif" in page and "850 x 1169 px" in page and "216 x 297 mm" in page
    assert (tmp_path / "job.toml").is_file()


def test_the_job_file_names_where_pieces_lie_and_only_what_is_there(tmp_path: Path) -> None:
    beside, chosen = tmp_path / "beside", tmp_path / "chosen"
    for folder in (beside, chosen / "scans"):
        folder.mkdir(parents=True)
        shutil.copy(DEMO / PIECES[0], folder / "one.tif")
    with client_of(beside) as (client, session, _):  # pictures lie in the folder itself, one more is dropped
        _quiet(session)
        assert _drop(client, "two.tif", TIFF).status_code == 200
        assert [one.name for one in session.job.pieces()] == ["one.tif", "two.tif"]
        client.post("/history/undo", headers=OWN)
        assert [one.name for one in session.job.pieces()] == ["one.tif"]
    with client_of(chosen) as (client, session, _):  # nothing was dropped: a folder is chosen instead
        _quiet(session)
        client.get("/folders", params={"id": session.folders.starts(session.job.file)[1].id})
        id = next(id for id, path in session.folders.known.items() if path.name == "scans")
        assert _act(client, "add_folder", folder=id).status_code == 200
        assert job_of(chosen, list(STEPS)).pieces == (chosen / "scans",)
        assert len(session.job.pieces()) == 1


@pytest.mark.parametrize(
    "name",
    [
        "../a.tif",
        "/etc/a.tif",
        "..",
        "",
        ".hidden.tif",
        "a/b.tif",
        "a\\b.tif",
        "a\0.tif",
        "a\n.tif",
        "x" * 300 + ".tif",
    ],
)
def test_names_that_lead_elsewhere_are_refused(name: str, tmp_path: Path) -> None:
    job = tmp_path / "job"
    job.mkdir()
    with client_of(job) as (client, session, _):
        _quiet(session)
        answer = _drop(client, name, TIFF)
    assert answer.status_code == 409 and answer.json()["found"]
    assert _files(tmp_path) == []


@pytest.mark.parametrize(
    ("name", "data", "headers", "words"),
    [
        ("a.tif", b"<script>alert(1)</script>", {}, "a text file"),
        ("a.tif", b"", {}, "empty"),
        ("a.tif", b"GIF89a not here", {}, "a GIF picture"),
        ("a.exe", TIFF, {}, "ending of no picture"),
        ("a.tif", TIFF, {"x-sha256": "0" * 64}, "did not come as it was sent"),
    ],
)
def test_what_is_no_picture_leaves_nothing(
    name: str, data: bytes, headers: dict[str, str], words: str, tmp_path: Path
) -> None:
    with client_of(tmp_path) as (client, session, _):
        _quiet(session)
        answer = _drop(client, name, data, **headers)
    assert answer.status_code == 409 and words in answer.json()["found"]
    assert not (tmp_path / "pieces").exists() or _files(tmp_path / "pieces") == []


def test_a_full_disk_is_told_before_and_while_copying(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    usage = shutil.disk_usage(tmp_path)
    with client_of(tmp_path) as (client, session, _):
        _quiet(session)
        with monkeypatch.context() as patched:
            patched.setattr(shutil, "disk_usage", lambda path: usage._replace(free=2**28))
            answer = _drop(client, "a.tif", TIFF)
        assert (
            answer.status_code == 409
            and "MB free" in answer.json()["found"]
            and "nothing is copied" in answer.json()["try"]
        )

        def full(handle: int) -> None:
            raise OSError(28, "No space left on device")

        with monkeypatch.context() as patched:
            patched.setattr(os, "fsync", full)
            answer = _drop(client, "a.tif", TIFF)
        assert answer.status_code == 409 and "no space left" in answer.json()["found"]
        assert _files(tmp_path) == []
        assert _drop(client, "a.tif", TIFF).status_code == 200  # and with room it goes on


def test_a_picture_of_ten_gigapixels_is_told_and_not_opened(tmp_path: Path) -> None:
    entries = [(256, 4, 100_000), (257, 4, 100_000), (258, 3, 8), (259, 3, 1), (262, 3, 1), (273, 4, 8), (277, 3, 1)]
    entries += [(278, 4, 100_000), (279, 4, 10**10 % 2**32)]
    body = b"".join(struct.pack("<HHII", tag, kind, 1, value) for tag, kind, value in entries)
    huge = b"II*\0" + struct.pack("<I", 8) + struct.pack("<H", len(entries)) + body + b"\0\0\0\0"
    with client_of(tmp_path) as (client, session, _):
        _quiet(session)
        assert _drop(client, "huge.tif", huge).status_code == 200
        begun = time.perf_counter()
        page = client.get("/").text
        assert time.perf_counter() - begun < 5
    assert "cannot be read" in page and "huge.tif" in page and "/tile/" not in page


def test_markup_in_names_is_text(tmp_path: Path) -> None:
    name = "<img src=x onerror=alert(1)>\"'&.tif"
    (tmp_path / "pieces").mkdir()
    (tmp_path / "pieces" / name).write_bytes(TIFF)
    (tmp_path / "job.toml").write_text('name = "<b>bold</b>"\npieces = ["pieces"]\n[join]\n')
    with client_of(tmp_path) as (client, session, _):
        _quiet(session)
        page = client.get("/").text
    assert "<img src=x" not in page and "<b>bold" not in page
    assert "&lt;img src=x onerror=alert(1)&gt;" in page and "&lt;b&gt;bold&lt;/b&gt;" in page


def test_tiles_come_by_ids_that_were_shown(tmp_path: Path) -> None:
    with client_of(small_job(tmp_path)) as (client, session, _):
        _quiet(session)
        session.pictures.known(tmp_path / "job.toml")
        page = client.get("/").text
        address = page.split('<img src="')[1].split('"')[0]
        tile = client.get(address)
        assert (
            tile.status_code == 200
            and tile.content.startswith(b"\xff\xd8")
            and "immutable" in tile.headers["cache-control"]
        )
        assert client.get(address, headers={"if-none-match": tile.headers["etag"]}).status_code == 304
        stem = address.rsplit("/", 3)[0]
        for wrong in (
            f"{stem}/0/99/0",
            f"{stem}/9/0/0",
            f"{stem}/0/0/x",
            "/tile/../../etc/passwd/0/0/0",
            "/tile/x/y/0/0/0",
        ):
            assert client.get(wrong).status_code == 404
        # changed under it: the old address shows nothing, rather than the new picture
        path = next(one.path for one in session.job.pieces() if one.id in address)
        path.write_bytes(TIFF[:100])
        assert client.get(address).status_code == 404


@pytest.mark.parametrize(
    "name", ["../desk.py", "%2e%2e/server.py", "desk.js/..", "x.js", "desk.txt", "..%2f..%2fpyproject.toml"]
)
def test_static_files_are_those_of_the_desk(name: str, tmp_path: Path) -> None:
    with client_of(tmp_path) as (client, _, _):
        assert client.get(f"/static/{name}").status_code == 404


def test_folders_are_reached_by_ids_that_were_shown(tmp_path: Path) -> None:
    job, scans = tmp_path / "job", tmp_path / "scans"
    job.mkdir()
    scans.mkdir()
    shutil.copy(DEMO / PIECES[0], scans / "one.tif")
    before = (scans / "one.tif").read_bytes(), (scans / "one.tif").stat().st_mtime_ns
    with client_of(job) as (client, session, _):
        _quiet(session)
        for wrong in ("/etc", "../..", "0" * 16):
            assert client.get("/folders", params={"id": wrong}).status_code == 404
            assert _act(client, "add_folder", folder=wrong).status_code == 409
        client.get("/folders")
        up = next(id for id, path in session.folders.known.items() if path == job)
        client.get("/folders", params={"id": up})
        above = next(id for id, path in session.folders.known.items() if path == tmp_path)
        page = client.get("/folders", params={"id": above}).text
        assert "scans" in page and "1 picture" in page
        chosen = next(id for id, path in session.folders.known.items() if path == scans)
        assert _act(client, "add_folder", folder=chosen).status_code == 200
        assert "one.tif" in client.get("/").text
    assert (before[0], before[1]) == ((scans / "one.tif").read_bytes(), (scans / "one.tif").stat().st_mtime_ns)
    assert str(scans) in (job / "job.toml").read_text()


def test_links_out_of_the_folder_are_not_written_through(tmp_path: Path) -> None:
    job, outside = tmp_path / "job", tmp_path / "outside"
    (job / "pieces").mkdir(parents=True)
    outside.write_bytes(b"precious")
    (job / "pieces" / "a.tif").symlink_to(outside)
    with client_of(job) as (client, session, _):
        _quiet(session)
        assert _drop(client, "a.tif", TIFF).json() == {"name": "a-2.tif"}
    assert outside.read_bytes() == b"precious"


def test_undo_and_redo_and_a_setting_that_does_not_fit(tmp_path: Path) -> None:
    small_job(tmp_path)
    before = (tmp_path / "job.toml").read_bytes()
    with client_of(tmp_path) as (client, session, _):
        _quiet(session)
        wrong = _act(client, "set", step="join", path=["outside"], value="nowhere")
        assert wrong.status_code == 409 and "alpha" in wrong.json()["expected"]
        assert (tmp_path / "job.toml").read_bytes() == before
        assert _act(client, "set", step="join", path=["dpi"], value="600").status_code == 200
        after = (tmp_path / "job.toml").read_bytes()
        assert b"dpi = 600.0\n" in after and b"# all of them" in after
        assert client.post("/history/undo", headers=OWN).status_code == 200
        assert (tmp_path / "job.toml").read_bytes() == before
        client.post("/history/redo", headers=OWN)
        assert (tmp_path / "job.toml").read_bytes() == after
        assert "join.dpi = 600" in client.get("/").text
    with client_of(tmp_path) as (client, session, _):  # the history is there when the desk is opened again
        _quiet(session)
        client.post("/history/undo", headers=OWN)
    assert (tmp_path / "job.toml").read_bytes() == before


def test_the_job_folder_deleted_under_it_is_told(tmp_path: Path) -> None:
    job = tmp_path / "job"
    small_job(job)
    with client_of(job) as (client, session, _):
        _quiet(session)
        client.get("/")
        shutil.rmtree(job)
        assert client.get("/").status_code == 200
        answer = _act(client, "name", name="other")
        assert answer.status_code == 409 and "there is no folder" in answer.json()["found"]
        assert _drop(client, "a.tif", TIFF).status_code == 409
    assert not job.exists()


def test_a_broken_job_file_is_told_and_can_be_undone(tmp_path: Path) -> None:
    small_job(tmp_path)
    with client_of(tmp_path) as (client, session, _):
        _quiet(session)
        client.get("/")
        (tmp_path / "job.toml").write_text("name = [")
        page = client.get("/")
        assert page.status_code == 409 or "no TOML" in page.text
        assert client.post("/history/undo", headers=OWN).status_code == 200
        assert client.get("/").status_code == 200


@pytest.mark.parametrize("body", [b"", b"[]", b"\xff", b"{" * 5000, b'{"act": 3}', b" " * (2**20 + 2)])
def test_bodies_no_page_sends(body: bytes, tmp_path: Path) -> None:
    with client_of(small_job(tmp_path, ())) as (client, session, _):
        _quiet(session)
        assert client.post("/act", content=body, headers=OWN).status_code == 409
        assert client.post("/start", content=body, headers=OWN).status_code == 409


def test_more_bytes_than_announced_are_refused(tmp_path: Path) -> None:
    async def parts() -> Any:
        yield b"II*\0"
        yield b"more"

    async def take() -> None:
        await pieces_room.take_in(tmp_path, "a.tif", 6, "", parts())

    import asyncio

    with pytest.raises(Exception, match="more bytes came"):
        asyncio.run(take())
    assert _files(tmp_path) == []


def test_a_piece_is_looked_at_once_and_a_stop_is_quick(tmp_path: Path) -> None:
    """The real worker: a check, its verdicts on the page, and a stop within a second."""
    with client_of(small_job(tmp_path)) as (client, session, _):
        client.get("/")
        until = time.monotonic() + 60
        while session.job.checked() is None and time.monotonic() < until:
            time.sleep(0.1)
        page = client.get("/").text
        assert page.count('class="verdict usable"') == 2 and "Lifted" in page
        assert "Every piece has its place" in client.get("/at/placing").text
        assert client.post("/start", json={"stop": "canvas"}, headers=OWN).status_code == 200
        assert (
            client.post("/start", json={"stop": "canvas"}, headers=OWN).status_code == 200
        )  # a second tab: the same work
        busy = client.post("/start", json={"stop": "canvas2"}, headers=OWN)
        assert busy.status_code == 409
        begun = time.monotonic()
        assert client.post("/stop", headers=OWN).status_code == 200
        assert time.monotonic() - begun < 1.0
        assert session.running is None
    assert not list((tmp_path / "out").glob("*.tif")) if (tmp_path / "out").exists() else True
    first = tifffile.imread(tmp_path / "pieces" / PIECES[0])
    assert first.shape[0] == 1169
