"""The invented company: Quillfern Solar, its people, its places and what it tends to build. All of it is made up.

The places lie at sea on purpose, so that no real street is ever meant.
"""

from __future__ import annotations

import datetime
import random
from dataclasses import dataclass

INSTALLER = "Quillfern Solar"
CONTACT = "desk@quillfern.invalid"


@dataclass(frozen=True)
class Place:
    """A region with its utility, office, crews, middle of its map [deg] and coldest and hottest design days [°C]."""

    region: str
    utility: str
    office: str
    crews: tuple[str, ...]
    designers: tuple[str, ...]
    latitude_deg: float
    longitude_deg: float
    low_c: float
    ambient_c: tuple[float, ...]
    distribution_feeders: tuple[str, ...]


ENNICK = Place(
    "Upper Ennick",
    "Ennick Valley Electric",
    "Ennick Town",
    ("Ennick 1", "Ennick 2", "Ennick 3"),
    ("Odalys", "Brannoc"),
    43.2,
    -38.4,
    -18.0,
    (30.0, 33.0, 36.0),
    ("EV-011", "EV-014", "EV-102", "EV-230"),
)
LOWMARSH = Place(
    "Lowmarsh Coast",
    "Lowmarsh Power",
    "Saltgate",
    ("Saltgate 1", "Saltgate 2"),
    ("Tevin", "Ilse"),
    31.6,
    -42.9,
    -2.0,
    (38.0, 41.0, 44.0),
    ("LP-3", "LP-7", "LP-08", "LP-21"),
)
TALLIS = Place(
    "Tallis Isles",
    "Tallis Lines",
    "Port Tallis",
    ("Tallis 1", "Tallis 2"),
    ("Maren",),
    -37.3,
    158.2,
    2.0,
    (35.0, 38.0, 40.0),
    ("TL-A", "TL-B", "TL-C"),
)
#: The far end of the Tallis region, with lines of its own; a place that is sea with its coordinates exchanged, too.
QUENNA = Place(
    TALLIS.region,
    "Quenna Reach Lines",
    "Quenna Landing",
    ("Quenna 1", "Quenna 2"),
    ("Yannel",),
    -44.0,
    55.0,
    TALLIS.low_c,
    TALLIS.ambient_c,
    ("QR-1", "QR-2"),
)
NEC_EDITIONS = ((2014, "2011"), (2017, "2014"), (2020, "2017"), (2023, "2020"), (9999, "2023"))


def pick_place(rng: random.Random, service: str) -> Place:
    """Return a place with such a service."""
    return TALLIS if service in ("230", "400Y/230") else rng.choice((ENNICK, LOWMARSH))


def pick_designer(rng: random.Random, place: Place) -> str:
    """Return a designer: mostly the place's own, now and then one from the other office on the mainland."""
    if place is not TALLIS and rng.random() < 0.2:
        return rng.choice(ENNICK.designers + LOWMARSH.designers)
    return rng.choice(place.designers)


def code_edition(code: str, permit: datetime.date) -> str:
    """Return the edition the place had adopted at that date; invented adoption dates."""
    if code == "NEC":
        return next(edition for before, edition in NEC_EDITIONS if permit.year < before)
    if code == "AS/NZS 3000":
        return "2007" if permit.year < 2019 else "2018"
    return "2005"


def pick_model(rng: random.Random, service: str, year: int) -> str:
    """Return an inverter model that was on sale then."""
    if service == "480Y/277":
        return "Merrow N300"
    if service in ("230", "400Y/230"):
        return "Brindle E235" if year < 2019 else rng.choice(("Brindle E350", "Brindle E350", "Brindle E235"))
    if year < 2014:
        return rng.choice(("Larkfield U215", "Larkfield U240"))
    if year < 2017:
        return rng.choice(("Larkfield U215", "Larkfield U240", "Larkfield U240"))
    if year < 2021:
        return rng.choice(("Larkfield U240", "Larkfield U290"))
    return rng.choice(("Larkfield U240", "Larkfield U290", "Larkfield U380"))


def pick_module(model: str, year: int) -> str:
    """Return the module sold with an inverter model."""
    fixed = {
        "Larkfield U215": "Sollan 60-265",
        "Larkfield U290": "Sollan 66-345",
        "Larkfield U380": "Sollan 108-425",
        "Merrow N300": "Sollan 66-345",
        "Brindle E350": "Sollan 108-425",
    }
    return fixed.get(model, "Sollan 60-265" if year < 2017 else "Sollan 60-305")


def pick_profile(rng: random.Random, place: Place, year: int) -> str:
    """Return the grid profile the utility asked for at that time."""
    if place is ENNICK:
        return "Ennick Valley 2012" if year < 2018 else "Ennick Valley 2018"
    if place is LOWMARSH:
        return "Lowmarsh Rule 9"
    return "Tallis Harbour" if year >= 2016 and rng.random() < 0.15 else "Tallis General"


def system_facts(rng: random.Random, number: int, service: str, energized: datetime.date) -> dict[str, object]:
    """Return the system's columns that the wiring does not depend on."""
    place = pick_place(rng, service)
    permit = energized - datetime.timedelta(days=rng.randrange(20, 90))
    design = permit - datetime.timedelta(days=rng.randrange(7, 60))
    code = "NEC" if place is not TALLIS else rng.choices(("AS/NZS 3000", "IEC 60364"), weights=(4, 1))[0]
    facts: dict[str, object] = {
        "site_label": f"Site {number:04d}",
        "region": place.region,
        "utility": place.utility,
        "distribution_feeder_id": rng.choice(place.distribution_feeders),
        "latitude_deg": round(place.latitude_deg + rng.uniform(-0.6, 0.6), 4),
        "longitude_deg": round(place.longitude_deg + rng.uniform(-0.6, 0.6), 4),
        "designer": pick_designer(rng, place),
        "office": place.office,
        "crew": rng.choice(place.crews),
        "contact": CONTACT,
        "design_date": design,
        "permit_date": permit,
        "energized_date": energized,
        "installation_code": code,
        "code_edition": code_edition(code, permit),
        "grid_profile": pick_profile(rng, place, energized.year),
        "transformer_kva": rng.choice((15, 25, 37.5, 50))
        if service in ("120/240", "230")
        else rng.choice((112.5, 300)),
        "customers_on_transformer": rng.randrange(1, 9) if service in ("120/240", "230") else 1,
        "tilt_deg": rng.choice((5, 10, 18, 22.5, 27, 34)),
        "azimuth_deg": (rng.choice((90, 135, 180, 200, 225, 270)) + (180 if place is TALLIS else 0)) % 360,
        "low_design_temp_c": place.low_c + rng.choice((0.0, 0.0, 2.0)),
    }
    if rng.random() < 0.05:
        facts["power_factor"] = rng.choice((0.95, 0.98))
        facts["power_factor_mode"] = rng.choice(("absorbs", "absorbs", "injects"))
    return facts


def settle(rng: random.Random, facts: dict[str, object], place: Place) -> None:
    """Move a system to another place of its region, under its utility and its people."""
    facts |= {
        "utility": place.utility,
        "latitude_deg": round(place.latitude_deg + rng.uniform(-0.6, 0.6), 4),
        "longitude_deg": round(place.longitude_deg + rng.uniform(-0.6, 0.6), 4),
        "designer": rng.choice(place.designers),
        "office": place.office,
        "crew": rng.choice(place.crews),
    }
    if "distribution_feeder_id" in facts:
        facts["distribution_feeder_id"] = rng.choice(place.distribution_feeders)


def place_of(region: str) -> Place:
    """Return the place of that name."""
    return next(place for place in (ENNICK, LOWMARSH, TALLIS) if place.region == region)
