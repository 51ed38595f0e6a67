"""Uploaded files until they are imported: where they lie, what is known of them, and the commands that run on them.

A file lies in a folder named by its content hash; the name it came under is data and part of no path. Every step is a
command of `auditor` run as a job, so a page that is closed, or a server that is started anew, loses nothing.
"""

from __future__ import annotations

import hashlib
import json
import re
import secrets
import shutil
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, BinaryIO

from auditor import jobs
from auditor.errors import AuditorError
from auditor.store import Store

#: Largest file that is taken [bytes]; a slice of it that one request brings; a mapping's text.
UPLOAD_BYTES = 2_000_000_000
SLICE_BYTES = 900_000
MAPPING_BYTES = 200_000
#: Room that must stay free on the disk, as a multiple of the file: its original, and the database that grows by it.
ROOM = 3
#: After so long an upload that was not imported is swept away, and one that was broken off [s].
KEPT_S, BROKEN_S = 14 * 86_400, 6 * 3_600
NAME_CHARACTERS = 120

SUFFIXES = (".csv", ".tsv", ".txt", ".xlsx", ".xlsm", ".json", ".jsonl", ".ndjson", ".parquet")
#: Files for whose columns a mapping can be proposed.
MAPPABLE = (".csv", ".tsv", ".txt", ".xlsx", ".xlsm")
#: What a refusal says where a mapping is wanted.
WANTS_MAPPING = "auditor map"

#: Figures of a report of which the last counts, where others add up.
LAST = ("import_id", "seen_in", "mends", "still_open")

_HASH = re.compile(r"[0-9a-f]{64}")
_TOKEN = re.compile(r"[0-9a-f]{32}")


@dataclass(frozen=True)
class Upload:
    """A file that waits. `jobs` holds the number of the last job of each kind: preview, map, import.

    `mapping` names the file of the mapping that was given, `sheet` and `lengths` are what a person said for a proposal,
    `replace_circuits` and `older` what they said of the import.
    """

    sha256: str
    name: str
    size: int
    received: float
    mapping: str = ""
    sheet: str = ""
    lengths: str = ""
    replace_circuits: bool = False
    older: bool = False
    jobs: dict[str, int] = field(default_factory=dict)

    @property
    def suffix(self) -> str:
        """The suffix of its name, which says how it is read."""
        return Path(self.name).suffix.lower()

    @property
    def last(self) -> str:
        """The kind of the job that was started last, "" before the first."""
        return max(self.jobs, key=lambda kind: self.jobs[kind], default="")


def plain_name(text: str) -> str:
    """The name of a file without folders and what cannot be shown; AuditorError where its kind is not read."""
    name = re.split(r"[/\\]", text)[-1]
    name = "".join(c for c in name if c.isprintable()).strip()
    suffix = Path(name).suffix.lower()
    if suffix not in SUFFIXES or not Path(name).stem.strip(". "):
        raise AuditorError(f"{name[:60] or 'This'}: a record file is .csv, .xlsx, .json, .jsonl or .parquet.")
    stem = name[: -len(suffix)]
    return stem[: NAME_CHARACTERS - len(suffix)] + suffix


def begin(store: Store, name: str, size: int) -> str:
    """Make room for a file and return the token that its slices must name; AuditorError where it is not taken."""
    name = plain_name(name)
    if not 0 < size <= UPLOAD_BYTES:
        most = f"{UPLOAD_BYTES / 1e9:g} GB"
        raise AuditorError(f"{name}: holds nothing." if size <= 0 else f"{name}: is larger than {most}. Split it.")
    store.incoming.mkdir(parents=True, exist_ok=True)
    _sweep(store)
    if shutil.disk_usage(store.incoming).free < ROOM * size:
        raise AuditorError(f"{name}: the disk of {store.root} has too little room left for it.")
    token = secrets.token_hex(16)
    _part(store, token).touch()
    _note(store, token).write_text(json.dumps({"name": name, "size": size}), "utf-8")
    return token


def append(store: Store, token: str, at: int, data: BinaryIO) -> int:
    """Add a slice at its place; return how much has come. AuditorError where it does not follow what came before."""
    if not _TOKEN.fullmatch(token) or not _note(store, token).exists():
        raise AuditorError("This upload is not known any more. Choose the file again.")
    size = json.loads(_note(store, token).read_text("utf-8"))["size"]
    path = _part(store, token)
    with path.open("r+b") as file:
        if file.seek(0, 2) != at:
            raise AuditorError("A piece of the file was lost on the way. Choose the file again.")
        piece = data.read(SLICE_BYTES + 1)
        if len(piece) > SLICE_BYTES or at + len(piece) > size:
            raise AuditorError("The file is longer than was announced. Choose the file again.")
        file.write(piece)
    return at + len(piece)


def finish(store: Store, token: str) -> Upload | None:
    """The upload once all of it has come, at its place; None before."""
    part, note = _part(store, token), _note(store, token)
    announced = json.loads(note.read_text("utf-8"))
    if part.stat().st_size < announced["size"]:
        return None
    with part.open("rb") as file:
        sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    upload = Upload(sha256, announced["name"], announced["size"], time.time())
    folder = store.incoming / sha256
    _refuse_busy(store, sha256)
    if folder.exists():
        shutil.rmtree(folder)
    folder.mkdir()
    part.replace(records(store, upload))
    _keep(store, upload)
    note.unlink()
    return upload


def records(store: Store, upload: Upload) -> Path:
    """Where an upload's file lies."""
    return store.incoming / upload.sha256 / f"records{upload.suffix}"


def path_of(store: Store, upload: Upload, name: str) -> Path:
    """A file beside it: mapping.toml, proposed.toml, preview.json, proposal.json, outcome.json."""
    return store.incoming / upload.sha256 / name


def found(store: Store, upload: Upload, name: str) -> dict[str, Any]:
    """What an import, or its preview, says of the file; of mended rows of several files, all together."""
    whole: dict[str, Any] = {}
    for part in told(store, upload, name).get("files") or []:
        for key, value in part.items():
            last = key not in whole or key in LAST or isinstance(value, str)
            whole[key] = value if last else whole[key] + value
    return whole


def told(store: Store, upload: Upload, name: str) -> dict[str, Any]:
    """What a command wrote beside it; empty where it did not."""
    try:
        found = json.loads(path_of(store, upload, name).read_text("utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def load(store: Store, sha256: str) -> Upload | None:
    """An upload by its content hash, or None."""
    if not _HASH.fullmatch(sha256):
        return None
    try:
        return Upload(**json.loads((store.incoming / sha256 / "about.json").read_text("utf-8")))
    except (OSError, ValueError, TypeError):
        return None


def waiting(store: Store) -> list[Upload]:
    """The uploads that are not imported yet, the latest first."""
    found = [load(store, path.name) for path in store.incoming.glob("*") if _HASH.fullmatch(path.name)]
    here = [upload for upload in found if upload is not None and records(store, upload).exists()]
    return sorted(here, key=lambda upload: (-upload.received, upload.sha256))


def settle(store: Store, upload: Upload) -> None:
    """Remove the file of an upload that was imported: the store holds it. What came of it stays to be shown."""
    records(store, upload).unlink(missing_ok=True)


def discard(store: Store, upload: Upload) -> None:
    """Remove an upload; what was imported of it stays in the store."""
    _refuse_busy(store, upload.sha256)
    shutil.rmtree(store.incoming / upload.sha256, ignore_errors=True)


def give_mapping(store: Store, upload: Upload, text: str) -> Upload:
    """Keep the mapping that a person wrote or mended; the preview then reads by it. Without text it is taken away."""
    if len(text.encode("utf-8", "replace")) > MAPPING_BYTES:
        raise AuditorError(f"The mapping is longer than {MAPPING_BYTES:,} bytes.")
    path = path_of(store, upload, "mapping.toml")
    if text.strip():
        path.write_text(text, "utf-8", newline="\n")
    else:
        path.unlink(missing_ok=True)
    return _keep(store, replace(upload, mapping="mapping.toml" if text.strip() else ""))


def meant(upload: Upload, *, gone: bool | None = None, older: bool | None = None) -> Upload:
    """The upload with what a person says of it: circuits that it does not list are gone, its values are right though
    older. The next command keeps it.
    """
    gone = upload.replace_circuits if gone is None else gone
    return replace(upload, replace_circuits=gone, older=upload.older if older is None else older)


def preview(store: Store, upload: Upload) -> Upload:
    """Start the dry run: what the import would do, without doing it."""
    path_of(store, upload, "preview.json").unlink(missing_ok=True)
    options = ["--dry-run", "--report", path_of(store, upload, "preview.json")]
    return _run(store, upload, "preview", _importing(store, upload, options), f"the preview of {upload.name}")


def commit(store: Store, upload: Upload) -> Upload:
    """Start the import, which refuses where the store holds other imports than at the preview."""
    seen = told(store, upload, "preview.json").get("imports")
    if not isinstance(seen, int):
        raise AuditorError("Look at the preview first.")
    options = ["--if-unchanged", seen, "--report", path_of(store, upload, "outcome.json")]
    options += ["--keep-mapping"] * bool(upload.mapping)
    return _run(store, upload, "import", _importing(store, upload, options), f"the import of {upload.name}")


def propose(store: Store, upload: Upload, sheet: str = "", lengths: str = "") -> Upload:
    """Start the proposal of a mapping; `sheet` and `lengths` are what a person said of the file."""
    output, report = path_of(store, upload, "proposed.toml"), path_of(store, upload, "proposal.json")
    output.unlink(missing_ok=True)
    report.unlink(missing_ok=True)
    args = ["map", records(store, upload), "--store", store.root, "-o", output, "--report", report]
    args += [f"--name={upload.name}"]
    args += [f"--sheet={sheet}"] * bool(sheet) + [f"--lengths={lengths}"] * bool(lengths)
    changed = replace(upload, sheet=sheet, lengths=lengths)
    return _run(store, changed, "map", args, f"the mapping of {upload.name}")


def job_of(store: Store, upload: Upload) -> jobs.Job | None:
    """The upload's last job, or None."""
    return jobs.read(store, upload.jobs[upload.last]) if upload.last else None


def refusal(store: Store, upload: Upload, job: jobs.Job) -> str:
    """What a failed command said, under the names that the user knows."""
    text = job.refusal
    for path, name in (
        (records(store, upload), upload.name),
        (path_of(store, upload, "mapping.toml"), "the mapping"),
        (path_of(store, upload, "proposed.toml"), "the proposed mapping"),
    ):
        text = text.replace(str(path), name).replace(path.name, name)
    return text


def wants_mapping(job: jobs.Job, upload: Upload) -> bool:
    """Whether a preview was refused for want of a mapping that can be proposed."""
    return (
        upload.last == "preview"
        and job.state == "failed"
        and not upload.mapping
        and upload.suffix in MAPPABLE
        and WANTS_MAPPING in job.err
    )


def _importing(store: Store, upload: Upload, options: list[Any]) -> list[Any]:
    args = ["import", records(store, upload), "--store", store.root, f"--name={upload.name}", *options]
    if upload.mapping:
        args += ["--mapping", path_of(store, upload, upload.mapping)]
    return args + ["--replace"] * upload.replace_circuits + ["--older"] * upload.older


def _run(store: Store, upload: Upload, kind: str, args: list[Any], note: str) -> Upload:
    job = jobs.start(store, [str(arg) for arg in args], note)
    return _keep(store, replace(upload, jobs=upload.jobs | {kind: job.number}))


def _keep(store: Store, upload: Upload) -> Upload:
    path = path_of(store, upload, "about.json")
    part = path.with_suffix(f".{secrets.token_hex(4)}.part")
    part.write_text(json.dumps(asdict(upload)), "utf-8")
    part.replace(path)
    return upload


def _refuse_busy(store: Store, sha256: str) -> None:
    """Refuse to touch an upload that a job works on."""
    held = load(store, sha256)
    job = job_of(store, held) if held else None
    if job is not None and job.open:
        raise AuditorError(f"{job.note} is still running. Stop it first, or wait.")


def _part(store: Store, token: str) -> Path:
    return store.incoming / f"{token}.part"


def _note(store: Store, token: str) -> Path:
    return store.incoming / f"{token}.note"


def _old(store: Store) -> Iterator[Path]:
    now = time.time()
    for path in store.incoming.glob("*"):
        if now - path.stat().st_mtime > (KEPT_S if path.is_dir() else BROKEN_S):
            yield path


def _sweep(store: Store) -> None:
    for path in list(_old(store)):
        if path.is_dir():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)
