"""I check who is let in: nobody without token or cookie, under another name, or from a page of another place."""

from __future__ import annotations

from pathlib import Path

import pytest
from desks import HOME, OWN, PORT, client_of, small_job

from stitchbed.desk.access import Access


@pytest.fixture(scope="module", name="folder")
def _folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_job(tmp_path_factory.mktemp("desk"), ())


READS = ("/", "/at/canvas", "/folders", "/events", "/static/desk.js", "/tile/a/b/0/0/0", "/guide")
WRITES = ("/act", "/history/undo", "/start", "/stop", "/pieces/dropped")


@pytest.mark.parametrize("path", [*READS, "/?token=wrong", "/nothing"])
def test_no_cookie_no_answer(path: str, folder: Path) -> None:
    with client_of(folder) as (client, _, _):
        client.cookies.clear()
        answer = client.get(path)
    assert answer.status_code == 403 and "open the desk with the address" in answer.text


def test_a_token_is_good_once_and_the_cookie_is_hidden_from_scripts(folder: Path) -> None:
    with client_of(folder) as (client, _, access):
        client.cookies.clear()
        address = access.address()
        first = client.get(address)
        assert first.status_code == 303 and first.headers["location"] == "/"
        said = first.headers["set-cookie"].lower()
        assert "httponly" in said and "samesite=strict" in said and "path=/" in said
        client.cookies.clear()
        assert client.get(address).status_code == 403
        # the cookie's name holds the port, so that two desks do not take each other's
        assert access.cookie == f"stitchbed_{PORT}"


@pytest.mark.parametrize("path", WRITES)
@pytest.mark.parametrize(
    "headers",
    [
        {"host": "evil.example"},
        {"host": f"evil.example:{PORT}"},
        {"host": "127.0.0.1:1"},
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": f"http://localhost:{PORT}"},  # another page's name for this machine
        {"origin": HOME, "sec-fetch-site": "cross-site"},
        {},  # no origin at all
    ],
)
def test_foreign_requests_change_nothing(path: str, headers: dict[str, str], folder: Path) -> None:
    before = (folder / "job.toml").read_bytes()
    with client_of(folder) as (client, _, _):
        answer = client.post(path, json={"act": "name", "name": "taken"}, headers=headers)
    assert answer.status_code == 403 and answer.text.startswith("Refused")
    assert (folder / "job.toml").read_bytes() == before


@pytest.mark.parametrize(
    "headers", [{"host": "evil.example"}, {"origin": "http://evil.example"}, {"sec-fetch-site": "same-site"}]
)
def test_foreign_pages_read_nothing(headers: dict[str, str], folder: Path) -> None:
    with client_of(folder) as (client, _, access):
        assert client.get("/", headers=headers).status_code == 403
        address = access.address()
        assert client.get(address, headers=headers).status_code == 403
        assert client.get(address).status_code == 303  # and the token was not spent by it


def test_every_answer_is_careful(folder: Path) -> None:
    with client_of(folder) as (client, _, _):
        for path in ("/", "/at/canvas", "/static/desk.css", "/nothing", "/guide"):
            headers = client.get(path).headers
            policy = headers["content-security-policy"]
            assert "default-src 'none'" in policy and "frame-ancestors 'none'" in policy
            assert "unsafe" not in policy and "http" not in policy
            assert headers["x-content-type-options"] == "nosniff" and headers["referrer-policy"] == "no-referrer"
            assert "access-control-allow-origin" not in headers
        page = client.get("/").text
    assert "<style" not in page and " style=" not in page and "onclick" not in page
    assert "//" not in page.replace(HOME, "").replace("<!--", "")  # no address of anywhere else


def test_it_listens_on_this_machine_alone() -> None:
    from stitchbed.desk.server import listening

    with listening(0) as sock:
        assert sock.getsockname()[0] == "127.0.0.1"


def test_refusals_have_reasons() -> None:
    access = Access(PORT)
    fine = {"host": f"127.0.0.1:{PORT}", **OWN}
    assert access.refusal("POST", fine, access.secret) == ""
    assert access.refusal("GET", {"host": f"localhost:{PORT}"}, access.secret) == ""
    assert "address" in access.refusal("POST", fine, None) and "address" in access.refusal("POST", fine, "x")
