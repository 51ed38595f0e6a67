"""What every catalog entry shares: strict types, the words allowed, sizes and how far a value is confirmed."""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

#: How far a value is confirmed. A value "from memory" is shown as such wherever it leads to a verdict.
Mark = Literal["seen in two texts", "seen in one text", "derived", "from memory"]
Material = Literal["copper", "aluminium"]
Raceway = Literal["pvc", "aluminium", "steel", "cable", "free air"]
Service = Literal["120/240", "208Y/120", "480Y/277", "230", "400Y/230"]
RatingC = Literal[60, 75, 90]

#: One circular mil in square millimetres: a circle of 0.001 inch diameter, 1 inch = 25.4 mm.
MM2_PER_CMIL = 3.141592653589793 / 4.0 * 0.0254**2
#: Kilometres in a thousand feet: 1 ft = 0.3048 m exactly.
KM_PER_KFT = 0.3048

_SIZE = re.compile(r"([1-9][0-9]?) AWG|([1-4])/0 AWG|([1-9][0-9]{2,3}) kcmil|([1-9][0-9]*(?:\.[0-9]+)?|0\.[0-9]+) mm2")


def _size(value: str) -> str:
    if not _SIZE.fullmatch(value):
        raise ValueError(f"must read like 12 AWG, 4/0 AWG, 250 kcmil or 6 mm2, got {value!r}")
    return value


def _trimmed(value: str) -> str:
    if not value or value != value.strip():
        raise ValueError(f"must be a text without spaces at its ends, got {value!r}")
    return value


def size_mm2(size: str) -> float:
    """Area of a canonical size [mm²], to sort by; AWG by its definition (ASTM B258: 0.005 in x 92^((36-n)/39)).

    ValueError when the text is not a canonical size.
    """
    match = _SIZE.fullmatch(size)
    if match is None:
        raise ValueError(f"{size!r} must read like 12 AWG, 4/0 AWG, 250 kcmil or 6 mm2")
    gauge, noughts, kcmil, mm2 = match.groups()
    if mm2 is not None:
        return float(mm2)
    if kcmil is not None:
        return float(float(kcmil) * 1000.0 * MM2_PER_CMIL)
    number = int(gauge) if gauge is not None else 1 - int(noughts)
    mils = 5.0 * 92.0 ** ((36 - number) / 39.0)
    return float(mils * mils * MM2_PER_CMIL)


#: Canonical size text: "12 AWG", "4/0 AWG", "250 kcmil", "6 mm2".
Size = Annotated[str, AfterValidator(_size)]
Text = Annotated[str, AfterValidator(_trimmed)]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]


class Entry(BaseModel):
    """A frozen entry that refuses unknown fields, wrong types, NaN and infinity."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)
