"""A what-if that was asked for: the command that judges again, and what is known of it until somebody decides on it.

It lies in a folder of its own in the store, and goes with a decision or the next what-if. Nothing of the catalog or the
policy is written: the command is told the one figure that differs.
"""

from __future__ import annotations

import json
import secrets
import shutil
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from auditor import jobs
from auditor.store import Store


@dataclass(frozen=True)
class WhatIf:
    """What was asked of which run, on which systems ("" for all), and the job that works it out.

    `then` says that its run is the earlier one to compare: by the rules of design dates, before those of today.
    """

    token: str
    base: int
    words: str
    part: str
    job: int
    then: bool = False

    def run(self, store: Store) -> int | None:
        """The run that was made; None as long as there is none."""
        try:
            told: Any = json.loads((_folder(store) / self.token / "report.json").read_text("utf-8"))
            return int(told["run"])
        except (OSError, ValueError, KeyError, TypeError):
            return None


def _folder(store: Store) -> Path:
    return store.root / "what_if"


def start(
    store: Store,
    base: int,
    options: Sequence[str],
    words: str,
    part: str = "",
    ids: Sequence[str] | None = None,
    then: bool = False,
) -> WhatIf:
    """Start the re-check of run `base` with these options, on the systems `ids`, or on all; StoreBusyError as a job."""
    token = secrets.token_hex(8)
    folder = _folder(store) / token
    folder.mkdir(parents=True)
    args = ["recheck", "--store", str(store.root), "--run", str(base), *options]
    args += ["--report", str(folder / "report.json")]
    if ids is not None:
        (folder / "systems.txt").write_text("\n".join(ids) + "\n", "utf-8")
        args += ["--systems", str(folder / "systems.txt"), f"--part={part}"]
    try:
        job = jobs.start(store, args, f"the what-if: {words}")
    except Exception:
        shutil.rmtree(folder, ignore_errors=True)
        raise
    made = WhatIf(token, base, words, part, job.number, then)
    (folder / "about.json").write_text(json.dumps(asdict(made)), "utf-8")
    for other in _folder(store).glob("*/"):
        if other.name != token:
            shutil.rmtree(other, ignore_errors=True)
    return made


def waiting(store: Store) -> WhatIf | None:
    """The what-if that nobody has decided on yet."""
    for path in _folder(store).glob("*/about.json"):
        try:
            return WhatIf(**json.loads(path.read_text("utf-8")))
        except (OSError, ValueError, TypeError):
            continue
    return None


def settle(store: Store, asked: WhatIf) -> None:
    """It was decided on: it is asked of nobody any more."""
    shutil.rmtree(_folder(store) / asked.token, ignore_errors=True)
