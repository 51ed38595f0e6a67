"""Uploads without a browser: slices, names, limits, and who may."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from uploads import ROWS, SENT, ended, said, send

from auditor import jobs
from auditor.cli import main
from auditor.errors import AuditorError
from auditor.store import Store
from auditor.store.originals import read_manifest
from dashboard import incoming
from dashboard.app import create_app
from dashboard.context import Context
from dashboard.guard import Access
from dashboard.incoming import Upload
from dashboard.pages import imports
from dashboard.pages.imports_upload import panel
from dashboard.snapshots import Snapshots


def test_a_file_comes_in_slices_and_lies_under_its_hash(asking: FlaskClient, own: Store) -> None:
    answer = send(asking, "jobs 2020.csv", ROWS, slice_bytes=17)
    sha256 = hashlib.sha256(ROWS).hexdigest()
    assert answer["upload"] == sha256
    upload = incoming.load(own, sha256)
    assert upload is not None
    assert (upload.name, upload.size) == ("jobs 2020.csv", len(ROWS))
    assert incoming.records(own, upload).read_bytes() == ROWS
    assert ended(own, upload).state == "done"
    assert incoming.told(own, upload, "preview.json")["files"][0]["rejected"] == 1
    assert read_manifest(own) == []
    assert not own.records.exists()


NAMES = (
    "../../../etc/cron.csv", "..\\..\\windows\\x.csv", "/etc/passwd.csv", "C:\\x.csv", "a/b/c.csv", "\u202egnp.csv",
    "a\x00b.csv", "a\nb.csv", "-o.csv", "--store=x.csv", "x" * 5_000 + ".csv", "<img src=x>.csv", "'; DROP.csv",
    "{0}.csv", ".csv.csv", "~root.csv", "con.csv", "$(id).csv",
)  # fmt: skip


def sent_under(name: str, asking: FlaskClient, own: Store, folder: Path) -> Upload:
    """A file sent under a name, which must lie nowhere but under its hash."""
    before = outside(own, folder)
    answer = send(asking, name, ROWS)
    upload = incoming.load(own, str(answer["upload"]))
    assert upload is not None, name
    assert [path.name for path in own.incoming.iterdir()] == [answer["upload"]], name
    assert outside(own, folder) == before, name
    assert len(upload.name) <= incoming.NAME_CHARACTERS, name
    assert upload.name.isprintable(), name
    assert not set("/\\") & set(upload.name), name
    return upload


def outside(own: Store, folder: Path) -> set[Path]:
    return {path for path in folder.rglob("*") if own.root not in path.parents and path != own.root}


def looked_at(own: Store, upload: Upload) -> None:
    """The preview lies beside the file, and nothing else does."""
    assert {path.name for path in (own.incoming / upload.sha256).iterdir()} == {
        "records.csv", "about.json", "preview.json",
    }  # fmt: skip


def test_a_name_is_data_and_part_of_no_path(
    asking: FlaskClient, own: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The preview's command of each name, run in this process."""
    commands: list[list[str]] = []

    def started(store: Store, args: list[str], note: str = "") -> jobs.Job:
        commands.append(args)
        return jobs.Job(len(commands), tuple(args), note, "2026-01-31T00:00:00+00:00")

    monkeypatch.setattr(jobs, "start", started)
    for name in NAMES:
        before = outside(own, tmp_path)
        upload = sent_under(name, asking, own, tmp_path)
        with pytest.raises(SystemExit) as ended:
            main(commands[-1])
        assert ended.value.code == 0, name
        looked_at(own, upload)
        assert outside(own, tmp_path) == before, name
        incoming.discard(own, upload)
    assert len(commands) == len(NAMES)


@pytest.mark.parametrize("name", [NAMES[0], "a\x00b.csv", "-o.csv"])
def test_a_name_is_data_for_a_job_too(asking: FlaskClient, own: Store, tmp_path: Path, name: str) -> None:
    upload = sent_under(name, asking, own, tmp_path)
    assert ended(own, upload).state == "done"
    looked_at(own, upload)
    assert read_manifest(own) == []


@pytest.mark.parametrize("name", ["x.exe", "x", "", ".csv", "csv", "x.csv.html", "x.xls", "..csv/", "x.csv/.."])
def test_what_is_no_record_file_is_refused(asking: FlaskClient, own: Store, name: str) -> None:
    answer = asking.post("/upload", json={"name": name, "size": 10}, headers=SENT)
    assert (answer.status_code, "a record file is" in answer.text) == (409, True)
    assert not own.incoming.exists() or not list(own.incoming.iterdir())


def test_sizes_are_held(asking: FlaskClient, own: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    for size, sentence in ((0, "holds nothing"), (-1, "holds nothing"), (incoming.UPLOAD_BYTES + 1, "is larger than")):
        answer = asking.post("/upload", json={"name": "x.csv", "size": size}, headers=SENT)
        assert (answer.status_code, sentence in answer.text) == (409, True)
    monkeypatch.setattr(incoming, "ROOM", 10**15)
    answer = asking.post("/upload", json={"name": "x.csv", "size": 10}, headers=SENT)
    assert (answer.status_code, "too little room" in answer.text) == (409, True)
    for told in ({}, {"name": "x.csv"}, {"name": 1, "size": 2}, {"name": "x.csv", "size": "2"}, [], "x", None):
        assert asking.post("/upload", json=told, headers=SENT).status_code == 400, told


def test_slices_must_follow_each_other_and_end_where_announced(asking: FlaskClient) -> None:
    token = asking.post("/upload", json={"name": "x.csv", "size": 10}, headers=SENT).json["token"]

    def slice_at(at: object, data: bytes, token: str = token) -> int:
        return asking.post(f"/upload/{token}?at={at}", data=data, headers=SENT).status_code

    assert slice_at(0, b"12345") == 200
    assert slice_at(0, b"12345") == 409
    assert slice_at(9, b"1") == 409
    assert slice_at(5, b"123456") == 409
    for at in ("", "-1", "x", "1e3", "9" * 40):
        assert slice_at(at, b"1") == 400
    for other in ("0" * 32, "../about.json", "x"):
        assert slice_at(0, b"1", other) in (404, 405, 409)
    assert slice_at(5, b"x" * (incoming.SLICE_BYTES + 1)) in (409, 413)


def test_a_request_that_is_not_the_pages_own_is_refused(asking: FlaskClient, own: Store) -> None:
    told = {"name": "x.csv", "size": 10}
    assert asking.post("/upload", json=told).status_code == 403
    assert asking.post("/upload", json=told, headers=SENT | {"Origin": "http://evil.example"}).status_code == 403
    assert asking.post("/upload", json=told, headers=SENT | {"Sec-Fetch-Site": "cross-site"}).status_code == 403
    assert asking.post("/upload", json=told, headers=SENT | {"Host": "evil.example"}).status_code == 403
    assert not own.incoming.exists()


@pytest.mark.parametrize(
    ("access", "upload", "headers"),
    [(Access(), False, {}), (Access(proxy_header="X-Person"), True, {"X-Person": "mara"})],
    ids=["turned off", "a proxy's header alone"],
)
def test_who_takes_no_files_takes_none(own: Store, access: Access, upload: bool, headers: dict[str, str]) -> None:
    app = create_app(own, access=access, upload=upload)
    asking = app.server.test_client()
    for path in ("/upload", "/upload/" + "0" * 32 + "?at=0"):
        assert asking.post(path, json={"name": "x.csv", "size": 1}, headers=SENT | headers).status_code == 403
    closed = Context(own, Snapshots(own), upload=False)
    assert "takes no files" in said(panel(closed, "")[0])
    with pytest.raises(AuditorError, match="starts no commands"):
        imports.done(closed, "commit", {}, "")


def test_with_the_secret_files_are_taken(own: Store) -> None:
    asking = create_app(own, access=Access(secret="correct-horse-battery")).server.test_client()
    told = {"name": "x.csv", "size": 10}
    assert asking.post("/upload", json=told, headers=SENT).status_code == 401
    assert asking.post("/upload", json=told, headers=SENT, auth=("me", "correct-horse-battery")).status_code == 200
