"""What a run judges by, as its snapshot holds it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from pydantic import ValidationError

from auditor.catalog import Catalog
from auditor.errors import AuditorError
from auditor.policy import Policy
from auditor.store.records_db import Connection


@dataclass(frozen=True)
class Rules:
    """Catalog, policy and as-of date."""

    catalog: Catalog
    policy: Policy
    as_of: date


def rules_of(con: Connection, schema: str = "main") -> Rules:
    """The rules of a snapshot's run; `schema` is what the snapshot is attached as.

    AuditorError where they were written by a version whose rules this one cannot read.
    """
    run, catalog, policy, as_of = con.execute(f"SELECT run, catalog, policy, as_of FROM {schema}.audit").fetchall()[0]
    try:
        return Rules(Catalog.from_json(catalog), Policy.model_validate_json(policy), date.fromisoformat(as_of))
    except ValidationError as error:
        raise AuditorError(
            f"Run {run} was made by another version, whose rules cannot be read any more. Run: auditor audit"
        ) from error
