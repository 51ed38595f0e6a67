"""Files that are sent to the dashboard, without a browser."""

from __future__ import annotations

import io
import json
import time

import pytest
from flask.testing import FlaskClient

from auditor import jobs
from auditor.store import Store
from dashboard import incoming
from dashboard.incoming import Upload
from dashboard.upload import HEADER

SENT = {HEADER: "1"}
ROWS = b"system_id,circuit_id,service,inverter_count,breaker_a\nS1,1,120/240,12,20\nS1,2,120/240,twelve,20\n"
FOREIGN = b"Job No,Branch,Breaker (A),Odd\nS1,1,20,x\nS2,1,15,y\n"
PATIENCE_S = 90.0


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
