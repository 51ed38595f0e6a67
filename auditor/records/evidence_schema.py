"""Readings, events and complaints: what meters, inverters and people reported, declared as the record tables are.

An *instant* is a moment, kept in UTC without a zone of its own; a file writes it with its offset, or its import states
the zone. Local standard time follows from the system's longitude (`auditor.likelihood.sky.zone_h`), as the model's
hours do.
"""

from __future__ import annotations

from auditor.records.schema import Column, Table

#: Where readings are taken, from the source outwards.
PLACES = ("service", "main panel", "combiner", "junction box", "unit")

TRIP, OTHER_TRIP, LOST, LOGGING, SETTINGS = (
    *("overvoltage trip", "other trip", "communication lost", "logging", "settings changed"),
)
#: What alarm words say besides: output held down by the voltage, an alarm that stops nothing, a word without an alarm,
#: and one that the device does not fill. None of them is a trip.
CURTAILED, OTHER_ALARM, NOTHING, NOT_REPORTED = ("curtailed", "other alarm", "no alarm", "not reported")
EVENT_KINDS = (TRIP, OTHER_TRIP, LOST, LOGGING, SETTINGS, CURTAILED, OTHER_ALARM, NOTHING, NOT_REPORTED)

_SYSTEM_ID = Column("system_id", "id", "The system's own id, as in its record")
_CIRCUIT_ID = Column("circuit_id", "id", "The branch circuit's id within the system; empty where it is not one circuit")
_UNIT = Column("unit", "id", "The unit's serial number or place; empty where it is not one unit")

READING = Table(
    "reading",
    ("system_id", "place", "circuit_id", "unit", "leg", "start"),
    (
        _SYSTEM_ID,
        Column("place", "choice", "Where it was measured; service is the meter, or the PCC", choices=PLACES),
        _CIRCUIT_ID,
        _UNIT,
        Column("leg", "id", "A pair or a leg to neutral, such as L1-L2, L1-N, A-N; empty across the unit's terminals"),
        Column("start", "instant", "When the interval begins"),
        Column("duration_s", "number", "Length of the interval", "s", 1, 86_400),
        Column("mean_v", "number", "Mean voltage over the interval, above 0", "V", 0.001, 1_000),
        Column("max_v", "number", "Highest voltage within the interval", "V", 0.001, 1_000),
        Column("power_kw", "number", "The whole system's own output, positive towards the panel", "kW", -1e5, 1e5),
        Column("solar", "choice", "Whether the system ran while it was measured", choices=("on", "off")),
        Column("instrument", "text", "What it was measured with; differences count between readings of one instrument"),
        Column("error_v", "number", "How far the instrument may be off, whatever it reads", "V", 0, 100),
        Column("error_pct", "number", "How far it may be off besides, of what it reads", "%", 0, 20),
    ),
)

EVENT = Table(
    "event",
    ("system_id", "circuit_id", "unit", "start", "kind", "words"),
    (
        _SYSTEM_ID,
        _CIRCUIT_ID,
        _UNIT,
        Column("start", "instant", "When it began"),
        Column("end", "instant", "When it ended; empty while it lasts"),
        Column(
            "kind",
            "choice",
            "What it is; logging is time in which trips would have been recorded, and time without it shows nothing",
            choices=EVENT_KINDS,
        ),
        Column("words", "text", "What the source calls it, kept as it is"),
        Column("source", "text", "Who or what reported it"),
    ),
)

COMPLAINT = Table(
    "complaint",
    ("complaint_id",),
    (
        Column("complaint_id", "id", "The complaint's own id"),
        _SYSTEM_ID,
        Column("opened", "date", "Day on which it was made"),
        Column("closed", "date", "Day on which it was settled; empty while it is open"),
        Column("status", "choice", "Whether it still stands", choices=("open", "closed")),
        Column("text", "text", "What the customer says, kept as it is"),
    ),
)

EVIDENCE_TABLES = (READING, EVENT, COMPLAINT)
#: What a file may be imported as, besides records, and the table it fills.
IMPORTED_AS = {"readings": READING, "events": EVENT, "complaints": COMPLAINT}
#: When a row of each table begins and when it ends, in SQL.
SPANS = {
    READING.name: ("start", "start"),
    EVENT.name: ("start", 'coalesce("end", start)'),
    COMPLAINT.name: ("opened::TIMESTAMP", "coalesce(closed, opened)::TIMESTAMP"),
}
#: Columns that every row of a file needs; the other key columns may be empty.
REQUIRED = {
    READING.name: ("system_id", "place", "start", "duration_s", "mean_v"),
    EVENT.name: ("system_id", "start", "kind"),
    COMPLAINT.name: ("complaint_id", "system_id", "opened"),
}
