"""The way from a file to its import by jobs alone: looked at, mapped, imported, stopped, discarded, swept."""

from __future__ import annotations

import json
import os
import time

import pytest
from dash import html
from flask.testing import FlaskClient
from uploads import FOREIGN, ROWS, again, ended, said, taken

from auditor import jobs
from auditor.errors import AuditorError, StoreBusyError
from auditor.store import Store
from auditor.store.originals import original_path, read_manifest
from auditor.store.snapshot import snapshot_numbers
from dashboard import incoming
from dashboard.context import Context
from dashboard.incoming import Upload
from dashboard.pages import imports
from dashboard.pages.imports_upload import panel


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
