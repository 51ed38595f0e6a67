"""The path as recorded, from the transformer to the trunks: what is there, and what the records leave out."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

import polars as pl

from auditor.one_system.case import Case
from auditor.one_system.order import natural

Recorded = Literal["recorded", "assumed", "absent"]
NOT_RECORDED = "not recorded"


@dataclass(frozen=True)
class Arm:
    """One arm of a trunk: its units from the feed point outwards."""

    units: int


@dataclass(frozen=True)
class Part:
    """One part of the path and what hangs on it.

    `kind` is one of transformer, service drop, PCC, service entrance, main panel, feeder, home run, trunk; `lines` say
    what the records hold of it; `arms` are those of a trunk, empty where they are not known.
    """

    kind: str
    name: str
    recorded: Recorded
    lines: tuple[str, ...]
    circuit_id: str | None = None
    arms: tuple[Arm, ...] = ()
    units: int | None = None
    beyond: tuple[Part, ...] = field(default=())

    def all_parts(self) -> list[Part]:
        """The part and everything beyond it, in the order of the path."""
        return [self, *(part for beyond in self.beyond for part in beyond.all_parts())]


def _figure(value: float, unit: str) -> str:
    return f"{value:.4g} {unit}"


def _piece(run: dict[str, Any]) -> str:
    """One run as it is recorded; what is missing is named."""
    length = _figure(run["length_m"], "m") if run["length_m"] is not None else "length not recorded"
    wire = f"{run['size'] or 'size not recorded'} {run['material'] or '(material not recorded)'}"
    sets = f", {run['parallel_sets']} sets" if (run["parallel_sets"] or 1) > 1 else ""
    raceway = f", {run['raceway']}" if run["raceway"] else ""
    rated = f", {_figure(run['rated_a'], 'A')} as installed" if run["rated_a"] is not None else ""
    return f"{length} of {wire}{sets}{raceway}{rated}"


def _runs(case: Case, role: str, **key: str | None) -> tuple[Recorded, tuple[str, ...]]:
    rows = case.records.run.filter(pl.col("role") == role)
    for column, value in key.items():
        rows = rows.filter(pl.col(column).eq_missing(pl.lit(value, pl.String)))
    pieces = tuple(_piece(row) for row in rows.sort("run_order").iter_rows(named=True))
    return ("recorded", pieces) if pieces else ("absent", (NOT_RECORDED,))


def _trunk(row: dict[str, Any], record: dict[str, Any]) -> Part:
    model = record["trunk_model"] or "trunk cable not recorded"
    lines = [f"{model}, {row['orientation']}" if row["orientation"] else model]
    counts = list(row["arms"]) if row["laid_out"] else []
    inverter = row["inverter_model"] or "inverter model not recorded"
    count = row["inverter_count"]
    if count is None and row["inverter_model"] is None:
        lines.append("inverters not recorded")
    else:
        others = " and others" if row["mixed_units"] else ""
        lines.append(f"{'unknown number of' if count is None else f'{count} ×'} {inverter}{others}")
    if counts:
        fed = "end-fed" if len(counts) == 1 else f"{len(counts)} arms, {'+'.join(map(str, counts))}"
        lines.append("centre-fed, " + fed if record["feed"] == "centre" and len(counts) > 1 else fed)
    else:
        lines.append("feed not recorded" if record["feed"] is None else f"{record['feed']}-fed, arms not settled")
    if record["first_section_m"] is not None:
        lines.append(f"first section {_figure(record['first_section_m'], 'm')}")
    if record["extra_trunk"]:
        lines.append(f"extra trunk (unit@m) {record['extra_trunk']}")
    known = record["trunk_model"] is not None or count is not None
    arms = tuple(Arm(int(units)) for units in counts)
    return Part("trunk", f"Trunk {row['circuit_id']}", "recorded" if known else "absent", tuple(lines),
                row["circuit_id"], arms, count)  # fmt: skip


def _circuit(case: Case, row: dict[str, Any]) -> Part:
    circuit = row["circuit_id"]
    record = case.records.circuit.filter(pl.col("circuit_id") == circuit).row(0, named=True)
    recorded, lines = _runs(case, "home run", circuit_id=circuit)
    breaker = record["breaker_a"]
    device = f"{_figure(breaker, 'A')} breaker" if breaker is not None else "breaker not recorded"
    phases = f"phases {row['circuit_phases']}" if row["circuit_phases"] else ""
    head = ", ".join(text for text in (device, phases) if text)
    lines = lines if recorded == "recorded" else ("home run not recorded",)
    return Part("home run", f"Circuit {circuit}", recorded, (head, *lines), circuit, beyond=(_trunk(row, record),))


def _feeders(case: Case) -> tuple[Part, ...]:
    circuits = case.prepared.circuit.partition_by("feeder_row", maintain_order=True, as_dict=True)
    found = []
    for feeder in case.prepared.feeder.iter_rows(named=True):
        combiner = feeder["combiner_id"]
        mine = circuits.get((feeder["feeder_row"],))
        rows = [] if mine is None else sorted(mine.iter_rows(named=True), key=lambda row: natural(row["circuit_id"]))
        recorded, lines = _runs(case, "feeder", combiner_id=combiner)
        name = f"Feeder to combiner {combiner}" if combiner else "Feeder"
        if combiner is None and len(rows) > 1:
            shared = case.policy.assume.one_feeder
            lines = (*lines, f"no combiner recorded: one shared feeder {'assumed' if shared else 'drawn'}")
            recorded = "assumed" if recorded == "recorded" else recorded
        found.append(Part("feeder", name, recorded, lines, beyond=tuple(_circuit(case, row) for row in rows)))
    return tuple(found)


def _customers(count: int) -> str:
    return "one customer on it" if count == 1 else f"{count} customers share it"


def _panel_lines(system: dict[str, Any]) -> tuple[Recorded, tuple[str, ...]]:
    lines = []
    if system["busbar_a"] is not None:
        lines.append(f"busbar {_figure(system['busbar_a'], 'A')}")
    if system["main_breaker_a"] is not None:
        lines.append(f"main {_figure(system['main_breaker_a'], 'A')}")
    if system["connection_side"] is not None:
        lines.append(f"connected on the {system['connection_side']} side")
    place = system["backfeed_position"]
    if place is not None:
        lines.append(f"solar breaker {'elsewhere on the busbar' if place == 'elsewhere' else f'at the {place}'}")
    return ("recorded", tuple(lines)) if lines else ("absent", (NOT_RECORDED,))


def path(case: Case) -> Part:
    """Return the path from the transformer outwards; parts the records do not hold are marked absent, never zero."""
    system = case.records.system.row(0, named=True)
    recorded, lines = _panel_lines(system)
    panel = Part("main panel", "Main panel", recorded, lines, beyond=_feeders(case))
    recorded, lines = _runs(case, "service entrance")
    entrance = Part("service entrance", "Service entrance", recorded, lines, beyond=(panel,))
    known = [text for text in (system["service"], system["utility"]) if text]
    pcc = Part("PCC", "Point of common coupling", "recorded" if system["service"] else "absent",
               tuple(known) or ("service not recorded",), beyond=(entrance,))  # fmt: skip
    recorded, lines = _runs(case, "service drop")
    drop = Part("service drop", "Service drop", recorded, lines, beyond=(pcc,))
    kva = system["transformer_kva"]
    about = [_figure(kva, "kVA")] if kva is not None else []
    if system["transformer_r_pct"] is not None and system["transformer_x_pct"] is not None:
        about.append(f"R {system['transformer_r_pct']:.3g} %, X {system['transformer_x_pct']:.3g} %")
    elif kva is not None:
        filled = case.prepared.system.row(0, named=True)
        r, x = filled["transformer_r_pct"], filled["transformer_x_pct"]
        about.append("impedance not recorded" if r is None else f"R {r:.3g} %, X {x:.3g} % assumed by its rating")
    if system["customers_on_transformer"] is not None:
        about.append(_customers(system["customers_on_transformer"]))
    return Part("transformer", "Service transformer", "recorded" if about else "absent",
                tuple(about) or (NOT_RECORDED,), beyond=(drop,))  # fmt: skip
