"""What every page and sheet that can lead to work says."""

from __future__ import annotations

CAUTION = (
    "A pass is a recomputed record, not a safe or compliant installation: nothing here inspects. Local codes and the"
    " authority having jurisdiction decide, and a licensed person does the work."
)
WORK_CAUTIONS = (
    "Suspected open neutral or hot connection: stop, keep the solar off, and call the utility or a licensed"
    " electrician. No further measuring round.",
    "Never raise a trip level or time, or turn on volt-watt, to quiet a complaint before neutral and connections are"
    " cleared. Settings change only with the utility's consent.",
    "Trunk connectors are not load-break: open the branch breaker, prove dead, then unplug; cap unused drops with the"
    " listed part. A back-fed breaker or disconnect may be live on both sides; module leads stay live in daylight.",
    "Live readings need a qualified person, a meter of the right category and protective equipment; never inside the"
    " meter enclosure. A remedy never enlarges a breaker.",
)
