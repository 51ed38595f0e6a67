"""Green Button feeds written out for tests, entry by entry, as usage.xsd v3.3.1 has them."""

from __future__ import annotations

HEAD = '<?xml version="1.0" encoding="UTF-8"?>\n<feed xmlns="http://www.w3.org/2005/Atom">\n'
ROOT = "https://utility.example/espi/1_1/resource"
POINT = f"{ROOT}/RetailCustomer/9/UsagePoint/1"


def entry(kind: str, own: str, inside: str, up: str = "", related: tuple[str, ...] = (), title: str = "") -> str:
    links = "".join(f'<link rel="related" href="{href}"/>' for href in related)
    upward = f'<link rel="up" href="{up}"/>' if up else ""
    return (
        f'<entry><id>urn:uuid:{abs(hash(own))}</id><link rel="self" href="{own}"/>{upward}{links}<title>{title}</title>'
        f'<content><espi:{kind} xmlns:espi="http://naesb.org/espi">{inside}</espi:{kind}></content></entry>\n'
    )


def reading_type(number: int, **facts: object) -> str:
    inside = "".join(f"<espi:{name}>{value}</espi:{name}>" for name, value in facts.items())
    return entry("ReadingType", f"{ROOT}/ReadingType/{number}", inside, up=f"{ROOT}/ReadingType")


def meter_reading(number: int, kind: int) -> str:
    own = f"{POINT}/MeterReading/{number}"
    related = (f"{own}/IntervalBlock", f"{ROOT}/ReadingType/{kind}")
    return entry("MeterReading", own, "", up=f"{POINT}/MeterReading", related=related)


def interval(start: int, value: object, quality: object = "", duration: int = 900) -> str:
    told = f"<espi:ReadingQuality><espi:quality>{quality}</espi:quality></espi:ReadingQuality>" if quality != "" else ""
    return (
        f"<espi:IntervalReading>{told}<espi:timePeriod><espi:duration>{duration}</espi:duration><espi:start>{start}"
        f"</espi:start></espi:timePeriod><espi:value>{value}</espi:value></espi:IntervalReading>"
    )


def block(number: int, *intervals: str) -> str:
    up = f"{POINT}/MeterReading/{number}/IntervalBlock"
    return entry("IntervalBlock", f"{up}/1", "".join(intervals), up=up)


def usage_point(title: str = "S1") -> str:
    return entry("UsagePoint", POINT, "", related=(f"{POINT}/MeterReading",), title=title)


def feed(*entries: str, head: str = HEAD) -> str:
    return head + "".join(entries) + "</feed>\n"
