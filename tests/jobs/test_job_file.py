"""I check how a job file is read: which job it is, where things go, and what is said about what it cannot mean."""

from __future__ import annotations

from pathlib import Path

import pytest

from stitchbed.core.errors import BadSettings
from stitchbed.jobs.job_file import files_in, files_of, job_of, page_jobs, unknown_key

STEPS = ("join", "clean", "export.print", "export.web")


def written(folder: Path, text: str, name: str = "job.toml") -> Path:
    """A job file in its folder."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def refused(folder: Path, text: str) -> BadSettings:
    """What is said about a job file that cannot be done."""
    with pytest.raises(BadSettings) as caught:
        job_of(written(folder, text), STEPS)
    assert caught.value.expected and caught.value.attempt
    return caught.value


def test_names_start_at_the_file_and_are_called_by_its_folder(tmp_path: Path) -> None:
    job = job_of(written(tmp_path / "harbor", 'pieces = ["scans", "more/one.tif"]\n[join]\n'), STEPS)
    assert job.name == "harbor" and not job.pages
    assert job.pieces == (tmp_path / "harbor/scans", tmp_path / "harbor/more/one.tif")
    assert (job.out, job.records) == (tmp_path / "harbor/out", tmp_path / "harbor/out/records")


def test_what_is_left_out_has_a_default_and_what_is_said_counts(tmp_path: Path) -> None:
    path = written(tmp_path / "harbor", "[clean]\n", "evening.toml")
    assert (job_of(path, STEPS).name, job_of(path, STEPS).pieces) == ("evening", (tmp_path / "harbor",))
    said = written(tmp_path / "harbor", 'name = "map"\nout = "done"\n[join]\n')
    assert (job_of(said, STEPS).name, job_of(said, STEPS).out) == ("map", tmp_path / "harbor/done")
    assert job_of(said, STEPS, out=tmp_path / "elsewhere").records == tmp_path / "elsewhere/records"


def test_results_stay_in_the_folder_of_the_job_file_unless_the_command_says_another(tmp_path: Path) -> None:
    (tmp_path / "harbor").mkdir()
    (tmp_path / "harbor" / "link").symlink_to(tmp_path)
    for said in ("../done", str(tmp_path / "done"), "link/done", "in/../../done"):
        path = written(tmp_path / "harbor", f"out = {said!r}\n[join]\n")
        with pytest.raises(BadSettings, match="outside"):
            job_of(path, STEPS)
        assert job_of(path, STEPS, out=tmp_path / "done").out == tmp_path / "done"


def test_steps_come_in_the_order_of_a_job_whatever_the_order_in_the_file(tmp_path: Path) -> None:
    text = '[export.web]\nlong = 2\n[clean]\nsteps = ["tone"]\n[export.print]\n[join]\n'
    tables = job_of(written(tmp_path, text), STEPS).tables
    assert list(tables) == ["join", "clean", "export.print", "export.web"]
    assert (tables["clean"], tables["export.web"]) == ({"steps": ["tone"]}, {"long": 2})


def test_pages_are_jobs_of_their_own_called_as_their_files_are(tmp_path: Path) -> None:
    job = job_of(written(tmp_path / "book", 'pages = ["."]\n[clean]\n'), STEPS)
    assert job.pages and job.name == "book"
    for name in ("b.tif", "a_page.tif", "notes.txt"):
        (tmp_path / "book" / name).write_text("")
    pages = page_jobs(job)
    assert [(page.name, page.pieces) for page in pages] == [
        ("a", (tmp_path / "book/a_page.tif",)), ("b", (tmp_path / "book/b.tif",)),
    ]  # fmt: skip
    assert {page.pages for page in pages} == {False} and {page.out for page in pages} == {tmp_path / "book/out"}
    (tmp_path / "book" / "b.png").write_text("")
    with pytest.raises(BadSettings, match="two pages called b"):
        page_jobs(job)
    assert "pages together with" in refused(tmp_path, 'pages = ["."]\npieces = ["."]\n[clean]\n').found
    assert "pages together with" in refused(tmp_path, 'pages = ["."]\n[join]\n').found


def test_a_folder_is_its_job_file(tmp_path: Path) -> None:
    written(tmp_path / "with", "[clean]\n")
    (tmp_path / "plain").mkdir()
    assert list(job_of(tmp_path / "with", STEPS).tables) == ["clean"]
    with pytest.raises(BadSettings, match="no job file"):
        job_of(tmp_path / "plain", STEPS)


@pytest.mark.parametrize(
    ("text", "said", "near"),
    [
        ("[joyn]\n", "'joyn'", "'join'"),
        ('piece = ["."]\n[join]\n', "'piece'", "'pieces'"),
        ("[export.wep]\n[join]\n", "'wep'", "'web'"),
        ("[Clean]\n", "'Clean'", "'clean'"),
    ],
)
def test_a_key_nobody_owns_is_named_with_its_nearest(text: str, said: str, near: str, tmp_path: Path) -> None:
    error = refused(tmp_path, text)
    assert said in error.found and near in error.attempt


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "no step"),
        ('pieces = ["."]\n', "no step"),
        ("[join\n", "line 1"),
        ("join = 3\n", "join = 3"),
        ("export = 3\n", "export = 3"),
        ("[export]\nweb = 3\n", "export.web = 3"),
        ('pieces = "."\n[join]\n', "pieces = '.'"),
        ("pieces = []\n[join]\n", "pieces = []"),
        ("pieces = [3]\n[join]\n", "pieces = [3]"),
        ("out = 3\n[join]\n", "out = 3"),
        ('out = "."\n[join]\n', "as the folder of the pieces and of the results"),
        ('name = "a/b"\n[join]\n', "a/b"),
        ('name = ".."\n[join]\n', ".."),
        ('name = ""\n[join]\n', "name = ''"),
        ("name = 1\n[join]\n", "name = 1"),
    ],
)
def test_what_cannot_be_meant_is_told(text: str, said: str, tmp_path: Path) -> None:
    assert said in refused(tmp_path, text).found


def test_files_that_are_no_job_files_are_told(tmp_path: Path) -> None:
    with pytest.raises(BadSettings, match=r"no job file .*missing\.toml"):
        job_of(tmp_path / "missing.toml", STEPS)
    (tmp_path / "scan.tif").write_bytes(b"II*\0\xff\xfe")
    with pytest.raises(BadSettings, match=r"scan\.tif"):
        job_of(tmp_path / "scan.tif", STEPS)


def test_an_unknown_key_far_from_all_gets_no_advice_of_another() -> None:
    assert "spelling" in unknown_key("zzz", ["dpi", "codec"], "in [join]").attempt
    assert "no keys at all" in unknown_key("zzz", [], "in [join]").expected


def test_pieces_are_files_and_what_may_be_pieces_in_folders(tmp_path: Path) -> None:
    for name in ("b.tif", "a.tif", "job.toml", "a.json", ".hidden.tif", "notes.TXT"):
        written(tmp_path / "in", "x", name)
    (tmp_path / "in" / "out").mkdir()
    found = files_of([tmp_path / "in", tmp_path / "in/b.tif", tmp_path / "in/notes.TXT"])
    assert [path.name for path in found] == ["a.tif", "b.tif", "notes.TXT"]
    with pytest.raises(BadSettings, match=r"nowhere"):
        files_of([tmp_path / "nowhere"])


def test_files_named_anywhere_in_a_table_are_found(tmp_path: Path) -> None:
    for name in ("mask.png", "card.txt"):
        written(tmp_path, "x", name)
    table = {"repair": {"mask": "mask.png"}, "list": [["card.txt", 3]], "codec": "zstd", "empty": "", "dot": "."}
    assert files_in(table, tmp_path) == [tmp_path / "mask.png", tmp_path / "card.txt"]
