"""The inputs in which two runs differ, each a factor that can be switched by itself."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Literal

from auditor.catalog import Catalog, alias_key
from auditor.catalog.equipment import Equipment
from auditor.catalog.grid import GridProfile
from auditor.compare.rules import Rules
from auditor.policy import Policy

Kind = Literal["inverter", "trunk", "module", "grid_profile", "table", "policy", "as_of", "records", "evidence"]
#: Tables of the catalog whose entries have revisions, and all whose entries are switched one by one; every other table
#: is switched as a whole.
DATED = ("inverter", "trunk", "module")
BY_ENTRY = (*DATED, "grid_profile")
#: Words for kinds and tables.
WORDS = {"trunk": "trunk cable", "grid_profile": "grid profile"}
#: Between the parts of a path to a figure of the policy: no name holds it.
SEPARATOR = "\0"
#: What of a policy no verdict and no band rests on: its name, how complaints are weighed, and what is said of figures.
IDLE, REMARKS = {"name", "triage"}, ("rests_on", "source")
#: Lists whose entries only make sense together.
WHOLE_LISTS = (("trips", "band"),)
AS_OF = "as-of date"
RECORDS = "records"
EVIDENCE = "logs and readings"
_SHOWN = 60


@dataclass(frozen=True)
class Factor:
    """One input that differs. `key` tells it apart within its kind; `name` and `detail` are for people.

    An entry of the catalog has a key made of its model's name in all its revisions, or its grid profile's; a policy's
    is the path to the figure.
    """

    kind: Kind
    key: str
    name: str
    detail: str


def model_key(text: str) -> str:
    """A model's name as it is compared: case, and space around and between words, do not count."""
    return " ".join(text.lower().split())


def rule_factors(before: Rules, after: Rules) -> tuple[Factor, ...]:
    """The entries of the catalog, tables, figures of the policy and dates in which two runs' rules differ."""
    found = [*_entries(before.catalog, after.catalog), *_tables(before.catalog, after.catalog)]
    found += [Factor("policy", path, _policy_name(path), told) for path, told in _figures(before.policy, after.policy)]
    if before.as_of != after.as_of:
        found.append(Factor("as_of", "", AS_OF, _turned(before.as_of, after.as_of)))
    return tuple(found)


def switched(before: Rules, after: Rules, chosen: Iterable[Factor]) -> Rules:
    """The rules before, with the chosen factors as they are after."""
    chosen = tuple(chosen)
    tables: dict[str, tuple[Any, ...]] = {}
    for table in BY_ENTRY:
        keys = {factor.key for factor in chosen if factor.kind == table}
        if keys:
            kept = [entry for entry in getattr(before.catalog, table) if _key(entry) not in keys]
            tables[table] = (*kept, *(entry for entry in getattr(after.catalog, table) if _key(entry) in keys))
    tables |= {factor.key: getattr(after.catalog, factor.key) for factor in chosen if factor.kind == "table"}
    catalog = before.catalog.model_copy(update=tables) if tables else before.catalog
    policy = _with_figures(before.policy, after.policy, {f.key for f in chosen if f.kind == "policy"})
    as_of = after.as_of if any(factor.kind == "as_of" for factor in chosen) else before.as_of
    return Rules(catalog, policy, as_of)


def _key(entry: Equipment | GridProfile) -> str:
    return alias_key(entry.name) if isinstance(entry, GridProfile) else model_key(entry.model)


def _entries(before: Catalog, after: Catalog) -> list[Factor]:
    found = []
    for kind in BY_ENTRY:
        old, new = (_grouped(getattr(catalog, kind)) for catalog in (before, after))
        for key in sorted(old.keys() | new.keys()):
            pair = old.get(key, ()), new.get(key, ())
            if pair[0] != pair[1]:
                one = (pair[1] or pair[0])[0]
                name = one.name if isinstance(one, GridProfile) else one.model
                found.append(Factor(kind, key, f"{WORDS.get(kind, kind)} {name}", _difference(*pair)))  # type: ignore[arg-type]
    return found


def _grouped(entries: Iterable[Any]) -> dict[str, tuple[Any, ...]]:
    groups: dict[str, tuple[Any, ...]] = {}
    for entry in sorted(entries, key=lambda e: getattr(e, "revision", 0)):
        groups[_key(entry)] = (*groups.get(_key(entry), ()), entry)
    return groups


def _difference(old: tuple[Any, ...], new: tuple[Any, ...]) -> str:
    """Which revisions came or went, and which fields of those that stay differ."""
    if not old or not new:
        return "came into the catalog" if new else "is gone from the catalog"
    before, after = ({getattr(entry, "revision", 0): dict(entry) for entry in entries} for entries in (old, new))
    parts = [f"revision {n} came in" for n in after if n not in before]
    parts += [f"revision {n} is gone" for n in before if n not in after]
    for number in before.keys() & after.keys():
        fields = (name for name, value in before[number].items() if after[number][name] != value)
        parts += [f"{name} {_turned(before[number][name], after[number][name])}" for name in fields]
    return "; ".join(parts)


def _tables(before: Catalog, after: Catalog) -> list[Factor]:
    tables = (name for name in Catalog.model_fields if name not in BY_ENTRY)
    return [
        Factor("table", name, f"table of {name.replace('_', ' ')}", "differs")
        for name in tables
        if getattr(before, name) != getattr(after, name)
    ]


def _figures(before: Policy, after: Policy) -> list[tuple[str, str]]:
    """Paths of the figures that differ, and from what to what."""
    old, new = (policy.model_dump(mode="json", exclude=IDLE) for policy in (before, after))
    return [(SEPARATOR.join(path), _turned(*pair)) for path, *pair in _differing(old, new, ())]


def _differing(old: Any, new: Any, path: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], Any, Any]]:
    """The figures that differ, with their path. Entries of a list are told apart where as many stand in both."""
    if old == new or (path and path[-1] in REMARKS):
        return
    if isinstance(old, dict) or isinstance(new, dict):
        first, second = old or {}, new or {}
        for name in {**first, **second}:
            yield from _differing(first.get(name), second.get(name), (*path, name))
    elif _alike(old, new) and path not in WHOLE_LISTS:
        for number, pair in enumerate(zip(old, new, strict=True), 1):
            yield from _differing(*pair, (*path, f"[{number}]"))
    else:
        yield path, old, new


def _alike(old: Any, new: Any) -> bool:
    """Whether both are lists of as many entries with names."""
    lists = isinstance(old, list) and isinstance(new, list) and len(old) == len(new)
    return lists and all(isinstance(entry, dict) for entry in (*old, *new))


def _with_figures(before: Policy, after: Policy, paths: set[str]) -> Policy:
    """The policy before with the figures at these paths as they are after."""
    if not paths:
        return before
    old, new = (policy.model_dump(mode="json") for policy in (before, after))
    for path in sorted(paths):
        *parts, last = path.split(SEPARATOR)
        place, source = old, new
        for part in parts:
            place = _inner(place, part)
            source = _inner(source, part)
        if source.get(last) is None:
            place.pop(last, None)
        else:
            place[last] = source[last]
    return Policy.model_validate_json(json.dumps(old))


def _inner(place: Any, part: str) -> Any:
    """What stands at a part of a path, made where there is nothing."""
    if isinstance(place, list):
        return place[int(part.strip("[]")) - 1]
    if place.get(part) is None:
        place[part] = {}
    return place[part]


def _policy_name(path: str) -> str:
    return f"policy {path.replace(SEPARATOR, '.').replace('.[', '[')}"


def _turned(old: object, new: object) -> str:
    return f"from {_short(old)} to {_short(new)}"


def _short(value: object) -> str:
    text = "none" if value is None else str(value)
    return text if len(text) <= _SHOWN else f"{text[: _SHOWN - 3]}..."
