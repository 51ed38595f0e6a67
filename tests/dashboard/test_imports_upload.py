"""Uploads without a browser: slices, names, limits, who may, and the way from file to import by jobs alone."""

from __future__ import annotations

import hashlib
import io
import json
import os
import time
from pathlib import Path

import pytest
from dash import html
from flask.testing import FlaskClient

from auditor import jobs
from auditor.errors import AuditorError, StoreBusyError
from auditor.store import Store
from auditor.store.originals import original_path, read_manifest
from auditor.store.snapshot import snapshot_numbers
from dashboard import incoming
from dashboard.app import create_app
from dashboard.context import Context
from dashboard.guard import Access
from dashboard.incoming import Upload
from dashboard.pages import imports
from dashboard.pages.imports_upload import panel
from dashboard.snapshots import Snapshots
from dashboard.upload import HEADER

SENT = {HEADER: "1"}
ROWS = b"system_id,circuit_id,service,inverter_count,breaker_a\nS1,1,120/240,12,20\nS1,2,120/240,twelve,20\n"
FOREIGN = b"Job No,Branch,Breaker (A),Odd\nS1,1,20,x\nS2,1,15,y\n"
PATIENCE_S = 90.0


@pytest.fixture
def own(tmp_path: Path) -> Store:
    return Store(tmp_path / "store")


@pytest.fixture
def context_of_own(own: Store) -> Context:
    return Context(own, Snapshots(own))


@pytest.fixture
def asking(own: Store) -> FlaskClient:
    return create_app(own, access=Access()).server.test_client()


def send(asking: FlaskClient, name: str, data: bytes, slice_bytes: int = incoming.SLICE_BYTES) -> dict[str, object]:
    """Send a file as the page does; return the last answer."""
    begun = asking.post("/upload", json={"name": name, "size": len(data)}, headers=SENT)
    assert begun.status_code == 200, begun.text
    at: int = 0
    while True:
        piece = data[at : at + slice_bytes]
        answer = asking.post(f"/upload/{begun.json['token']}?at={at}", data=piece, headers=SENT)
        assert answer.status_code == 200, answer.text
        at = answer.json["at"]
        if "upload" in answer.json or at >= len(data):
            return dict(answer.json)


def taken(store: Store, name: str, data: bytes) -> Upload:
    """An upload at its place, without its preview."""
    token = incoming.begin(store, name, len(data))
    incoming.append(store, token, 0, io.BytesIO(data))
    upload = incoming.finish(store, token)
    assert upload is not None
    return upload


def ended(store: Store, upload: Upload) -> jobs.Job:
    """The upload's last job once it has ended."""
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        held = incoming.load(store, upload.sha256)
        assert held is not None
        job = incoming.job_of(store, held)
        if job is not None and not job.open:
            return job
        time.sleep(0.05)
    pytest.fail("the job does not end")


def again(store: Store, upload: Upload) -> Upload:
    found = incoming.load(store, upload.sha256)
    assert found is not None
    return found


def said(component: object) -> str:
    return json.dumps(component, default=lambda o: o.to_plotly_json() if hasattr(o, "to_plotly_json") else str(o))


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


@pytest.mark.parametrize(
    "name",
    [
        "../../../etc/cron.csv", "..\\..\\windows\\x.csv", "/etc/passwd.csv", "C:\\x.csv", "a/b/c.csv", "\u202egnp.csv",
        "a\x00b.csv", "a\nb.csv", "-o.csv", "--store=x.csv", "x" * 5_000 + ".csv", "<img src=x>.csv", "'; DROP.csv",
        "{0}.csv", ".csv.csv", "~root.csv", "con.csv", "$(id).csv",
    ],
)  # fmt: skip
def test_a_name_is_data_and_part_of_no_path(asking: FlaskClient, own: Store, tmp_path: Path, name: str) -> None:
    before = {path for path in tmp_path.rglob("*") if own.root not in path.parents and path != own.root}
    answer = send(asking, name, ROWS)
    upload = incoming.load(own, str(answer["upload"]))
    assert upload is not None
    assert ended(own, upload).state == "done", name
    folder = own.incoming / str(answer["upload"])
    assert {path.name for path in folder.iterdir()} == {"records.csv", "about.json", "preview.json"}
    assert [path.name for path in own.incoming.iterdir()] == [answer["upload"]]
    assert {path for path in tmp_path.rglob("*") if own.root not in path.parents and path != own.root} == before
    assert len(upload.name) <= incoming.NAME_CHARACTERS
    assert upload.name.isprintable()
    assert not set("/\\") & set(upload.name)


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


def test_from_file_to_import_under_its_own_name(own: Store, context_of_own: Context) -> None:
    upload = incoming.preview(own, taken(own, "Jobs 2020.csv", ROWS))
    assert ended(own, upload).state == "done"
    shown = said(panel(context_of_own, upload.sha256)[0])
    for words in ("Jobs 2020.csv", "'twelve' is not a whole number", "Import", "Discard the file"):
        assert words in shown
    imports.done(context_of_own, "commit", {}, f"?upload={upload.sha256}")
    assert ended(own, upload).state == "done"
    entry = read_manifest(own)[0]
    assert (entry.file_name, entry.sha256) == ("Jobs 2020.csv", upload.sha256)
    assert original_path(own, entry.sha256, entry.file_name).read_bytes() == ROWS
    assert snapshot_numbers(own) == [1]
    assert "Imported as import 1" in said(panel(context_of_own, upload.sha256)[0])
    imports.followed(context_of_own, f"?upload={upload.sha256}", None, None)
    assert incoming.waiting(own) == []


def test_an_import_refuses_where_the_store_has_moved(own: Store, context_of_own: Context) -> None:
    upload = incoming.preview(own, taken(own, "a.csv", ROWS))
    assert ended(own, upload).state == "done"
    other = incoming.preview(own, taken(own, "b.csv", ROWS.replace(b"S1", b"S2")))
    assert ended(own, other).state == "done"
    incoming.commit(own, again(own, other))
    assert ended(own, other).state == "done"
    incoming.commit(own, again(own, upload))
    job = ended(own, upload)
    assert job.state == "failed"
    shown = said(panel(context_of_own, upload.sha256)[0])
    assert "holds 1 import by now, not 0; nothing was imported" in shown
    assert "Look at it again" in shown
    assert len(read_manifest(own)) == 1
    incoming.preview(own, again(own, upload))
    assert ended(own, upload).state == "done"
    incoming.commit(own, again(own, upload))
    assert ended(own, upload).state == "done"
    assert len(read_manifest(own)) == 2


def test_nothing_is_imported_without_a_preview(own: Store) -> None:
    upload = taken(own, "a.csv", ROWS)
    with pytest.raises(AuditorError, match="Look at the preview first"):
        incoming.commit(own, upload)


def test_a_foreign_header_is_proposed_a_mapping_which_is_kept(own: Store, context_of_own: Context) -> None:
    upload = incoming.preview(own, taken(own, "field.csv", FOREIGN))
    assert ended(own, upload).state == "failed"
    search = f"?upload={upload.sha256}"
    imports.followed(context_of_own, search, None, None)
    assert again(own, upload).last == "map"
    assert ended(own, upload).state == "done"
    shown = said(panel(context_of_own, upload.sha256)[0])
    for words in ("Job No", "system_id", "sure", "Left alone: ", "Odd", "field.csv"):
        assert words in shown, words
    proposed = incoming.path_of(own, upload, "proposed.toml").read_text("utf-8")
    assert 'name = "field.csv"' in proposed
    imports.done(context_of_own, "use-mapping", {"mapping": proposed}, search)
    assert ended(own, upload).state == "done"
    assert incoming.told(own, upload, "preview.json")["files"][0]["accepted"] == 2
    imports.done(context_of_own, "commit", {}, search)
    assert ended(own, upload).state == "done"
    assert len(list(own.mappings.glob("*.toml"))) == 1
    later = incoming.preview(own, taken(own, "next.csv", FOREIGN.replace(b"S1", b"S3")))
    assert ended(own, later).state == "done"


def test_a_mapping_that_is_none_says_so_under_the_users_names(own: Store, context_of_own: Context) -> None:
    upload = taken(own, "field.csv", FOREIGN)
    for text, sentence in (("[columns\n", "the mapping"), ('[columns]\nsystem_id = "Nowhere"\n', "field.csv")):
        imports.done(context_of_own, "use-mapping", {"mapping": text}, f"?upload={upload.sha256}")
        job = ended(own, upload)
        assert job.state == "failed"
        told = incoming.refusal(own, again(own, upload), job)
        assert sentence in told
        assert str(own.root) not in told
        assert sentence in said(panel(context_of_own, upload.sha256)[0])
    with pytest.raises(AuditorError, match="longer than"):
        incoming.give_mapping(own, upload, "x" * (incoming.MAPPING_BYTES + 1))


def test_circuits_that_are_gone_are_looked_at_before_they_go(own: Store, context_of_own: Context) -> None:
    upload = incoming.preview(own, taken(own, "a.csv", ROWS))
    assert ended(own, upload).state == "done"
    assert "stay as they are" in said(panel(context_of_own, upload.sha256)[0])
    imports.done(context_of_own, "replace", {}, f"?upload={upload.sha256}")
    job = ended(own, upload)
    assert (job.state, "--replace" in job.args, "--dry-run" in job.args) == ("done", True, True)
    assert "are taken as gone" in said(panel(context_of_own, upload.sha256)[0])
    imports.done(context_of_own, "commit", {}, f"?upload={upload.sha256}")
    assert ended(own, upload).state == "done"
    assert read_manifest(own)[0].replace_circuits


def test_one_job_at_a_time_and_a_file_that_is_worked_on_stays(own: Store, context_of_own: Context) -> None:
    own.create()
    with own.locked("test"):
        upload = taken(own, "a.csv", ROWS)
        job = jobs.start(own, ["import", str(incoming.records(own, upload)), "--store", str(own.root), "--wait"], "it")
        incoming._keep(own, Upload(**(upload.__dict__ | {"jobs": {"import": job.number}})))
        with pytest.raises(StoreBusyError):
            incoming.preview(own, upload)
        with pytest.raises(AuditorError, match="still running"):
            incoming.discard(own, upload)
        shown, _ = panel(context_of_own, upload.sha256)
        assert f"stop {job.number}" in said(shown)
        imports.done(context_of_own, f"stop {job.number}", {}, "")
        assert ended(own, upload).state == "stopped"
    assert "Stopped. Nothing was changed." in said(panel(context_of_own, upload.sha256)[0])
    assert imports.done(context_of_own, "discard", {}, f"?upload={upload.sha256}&reason=x") == "?reason=x"
    assert incoming.load(own, upload.sha256) is None


def test_old_uploads_are_swept(own: Store) -> None:
    upload, half = taken(own, "a.csv", ROWS), incoming.begin(own, "half.csv", 10)
    kept = taken(own, "b.csv", ROWS + b"\n")
    long_ago = time.time() - incoming.KEPT_S - 10
    for path in (own.incoming / upload.sha256, own.incoming / f"{half}.part", own.incoming / f"{half}.note"):
        os.utime(path, (long_ago, long_ago))
    incoming.begin(own, "c.csv", 10)
    assert [u.sha256 for u in incoming.waiting(own)] == [kept.sha256]
    assert not (own.incoming / f"{half}.part").exists()


def test_hashes_from_the_address_are_hashes(own: Store, context_of_own: Context) -> None:
    for sha256 in ("..", "../originals", "x" * 64, "A" * 64, "0" * 63, "0" * 64):
        assert incoming.load(own, sha256) is None
    assert "not here any more" in said(panel(context_of_own, "0" * 64)[0])
    with pytest.raises(AuditorError, match="not here any more"):
        imports.done(context_of_own, "commit", {}, "?upload=" + "0" * 64)


def test_the_page_is_drawn_anew_only_where_it_changed(own: Store, context_of_own: Context) -> None:
    upload = incoming.preview(own, taken(own, "a.csv", ROWS))
    assert ended(own, upload).state == "done"
    search = f"?upload={upload.sha256}"
    first = imports.followed(context_of_own, search, None, None)
    assert {"panel", "drawn", "body", "listed", "still"} == set(first)
    drawn = json.loads(json.dumps(first["drawn"]))
    assert set(imports.followed(context_of_own, search, drawn, first["listed"])) == {"still"}
    assert first["still"] is True


def test_a_job_that_ends_while_the_page_is_drawn_is_asked_for_again(
    context_of_own: Context, monkeypatch: pytest.MonkeyPatch
) -> None:
    runs = {"now": True}

    def drawn(context: Context, sha256: str) -> tuple[html.Div, str]:
        runs["now"] = False
        return html.Div("running"), "running"

    monkeypatch.setattr(imports, "_busy", lambda context: runs["now"])
    monkeypatch.setattr(imports, "panel", drawn)
    assert imports.followed(context_of_own, "", None, None)["still"] is False
    runs["now"] = True
    (poll,) = (c for c in imports.layout(context_of_own, "", "").children if getattr(c, "id", "") == "import-poll")
    assert poll.disabled is False


def test_a_mapping_can_be_saved(asking: FlaskClient, own: Store) -> None:
    upload = incoming.give_mapping(own, taken(own, "a.csv", ROWS), '[columns]\nsystem_id = "x"\n')
    answer = asking.get(f"/upload/{upload.sha256}/mapping.toml")
    assert answer.text == '[columns]\nsystem_id = "x"\n'
    assert "attachment" in answer.headers["Content-Disposition"]
    assert asking.get(f"/upload/{upload.sha256}/proposed.toml").status_code == 404
    assert asking.get(f"/upload/{upload.sha256}/about.toml").status_code == 404
    assert asking.get(f"/upload/{'0' * 64}/mapping.toml").status_code == 404
