"""A small portfolio whose rises follow by hand.

Sixteen units of 1.00 A, fed at the end, raise 240 V by 1.33 %: 1 + 2 + ... + 16 = 136 currents through a section and
back. So a circuit of n units has 1.33 % x n(n + 1)/2 / 136, times what current and resistance are multiplied by.
Home runs and feeders have no length. The branch limit is 16 A of a 20 A breaker. No grid profile is recorded, so
nothing is expected of trips, and an audit needs no tables.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

from auditor.catalog import Catalog, load_catalog
from auditor.policy import load_policy
from auditor.publish import Published, publish
from auditor.store import Store
from auditor.store.importing import import_file
from auditor.store.records_db import open_records

AS_OF = date(2026, 1, 31)
SECTION_OHM = 0.0133 * 240 / (2 * 136)

INVERTER = """
[[inverter]]
model = "{model}"
revision = {revision}
effective = {effective}
invented = true
rated_w = 240.0
connection = "line-line"
current_a = {{ "240" = "{current_a:.2f}" }}
"""
TRUNK = """
[[trunk]]
model = "{model}"
revision = 1
effective = 2010-01-01
invented = true
conductor_material = "copper"
conductor_size = "12 AWG"
conductors = 2
rated_a = 40.0
max_breaker_a = 40.0
section_length_m = {{ portrait = 1.0, landscape = 1.0 }}
r_ohm_per_km = {r_ohm_per_km}
x_ohm_per_km = 0.0
r_temp_c = 75.0
connectors_included = true
"""
HEADER = (
    "system_id,circuit_id,site_label,utility,designer,crew,contact,design_date,region,service,installation_code,"
    "code_edition,inverter_model,inverter_count,trunk_model,orientation,feed,breaker_a,home_run_length_m,"
    "feeder_length_m"
)


def equipment(changed_a: float = 1.0, trunk_times: float = 1.0, later_a: float | None = None) -> str:
    """Unit A of `changed_a` and Trunk A of so many times the resistance; Unit B and Trunk B never change.

    With `later_a`, Unit A has a second revision from 2020 on.
    """
    parts = [INVERTER.format(model="Unit A", revision=1, effective="2010-01-01", current_a=changed_a)]
    if later_a is not None:
        parts.append(INVERTER.format(model="Unit A", revision=2, effective="2020-01-01", current_a=later_a))
    parts.append(INVERTER.format(model="Unit B", revision=1, effective="2010-01-01", current_a=1.0))
    for model, times in (("Trunk A", trunk_times), ("Trunk B", 1.0)):
        parts.append(TRUNK.format(model=model, r_ohm_per_km=1000 * SECTION_OHM * times))
    return "".join(parts)


def row(
    system: str, units: int, inverter: str = "Unit A", trunk: str = "Trunk A", circuit: int = 1, **facts: str
) -> str:
    """A line of the file."""
    usual = {"utility": "Vale Power", "designer": "Ada", "crew": "1", "contact": f"{system}@x.invalid"}
    usual |= {"design_date": "2015-06-01", "region": "Vale", "breaker_a": "20"}
    told = usual | facts
    named = [told[name] for name in ("utility", "designer", "crew", "contact", "design_date", "region")]
    plain = [inverter, str(units), trunk, "portrait", "end", told["breaker_a"], "0", "0"]
    return ",".join([system, str(circuit), f"Site {system}", *named, "120/240", "NEC", "2020", *plain])


def new_catalog(folder: Path, text: str) -> Catalog:
    """A catalog with this equipment."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "equipment.toml").write_text(text, "utf-8")
    return load_catalog([folder])


def new_store(root: Path, rows: Sequence[str], text: str) -> Store:
    """A store with these rows and this equipment, audited once."""
    store = Store(root)
    store.create()
    (store.catalog / "equipment.toml").write_text(text, "utf-8")
    bring(store, rows)
    audit(store)
    return store


def bring(store: Store, rows: Sequence[str], name: str = "rows.csv") -> None:
    """Import rows."""
    path = store.root / name
    path.write_text("\n".join([HEADER, *rows]) + "\n", "utf-8")
    with store.locked("import"), open_records(store) as con:
        import_file(con, store, path, imported_on="2026-01-31")


def audit(store: Store, as_of: date = AS_OF) -> Published:
    """Audit and publish."""
    with store.locked("audit"), open_records(store) as con:
        return publish(con, store, load_catalog([store.catalog]), load_policy(), as_of)
