"""Rules with single figures altered: a spec, a grid profile or the policy as it might be. Nothing is written anywhere.

A figure is named `KIND: NAME: FIGURE = VALUE`, and of the policy `policy: FIGURE = VALUE`: the tables and entries as
settings files name them, with a dot between the parts, and the items of a list by number from 1 on. Of a model's
revisions the one is altered that is in force on the rules' date.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel

from auditor.catalog import Catalog, alias_key
from auditor.catalog.equipment import Inverter, Module, Trunk
from auditor.catalog.grid import GridProfile
from auditor.compare.factors import IDLE, model_key
from auditor.compare.rules import Rules
from auditor.errors import AuditorError
from auditor.policy import Policy
from auditor.toml_file import Loc, checked, did_you_mean, node_at

POLICY = "policy"
KINDS: dict[str, type[BaseModel]] = {
    "inverter": Inverter,
    "trunk": Trunk,
    "module": Module,
    "grid_profile": GridProfile,
    POLICY: Policy,
}
#: What tells an entry, or a revision of it, apart is no figure of it.
_NO_FIGURES = ("revision",)
_EXAMPLE = "Write it like 'trunk: Example TC: rated_a = 16' or 'policy: rise.target_pct = 1.5'."


@dataclass(frozen=True)
class Figure:
    """A figure that can be altered: its path, what it is (with its unit), and what it is now."""

    path: str
    about: str
    value: float | int | str | None


@dataclass(frozen=True)
class Setting:
    """One figure as it might be. `value` is text as people write it; an empty one takes the figure away."""

    kind: str
    name: str
    path: str
    value: str

    @property
    def words(self) -> str:
        """How it is written."""
        place = [self.kind, self.path] if self.kind == POLICY else [self.kind, self.name, self.path]
        return f"{': '.join(place)} = {self.value}"


def setting_of(text: str) -> Setting:
    """Read what `Setting.words` writes; AuditorError says how it is written."""
    place, sign, value = text.rpartition("=")
    kind, _, rest = place.partition(":")
    kind = kind.strip()
    name, _, path = rest.rpartition(":") if kind != POLICY else ("", "", rest)
    if not sign or not path.strip() or (kind != POLICY and not name.strip()):
        raise AuditorError(f"--set {text}: cannot be read. {_EXAMPLE}")
    if kind not in KINDS:
        raise AuditorError(f"--set {text}: {kind} is no kind of spec.{did_you_mean(kind, KINDS)} There are: "
                           f"{', '.join(KINDS)}.")  # fmt: skip
    return Setting(kind, name.strip(), path.strip(), value.strip())


def names(rules: Rules, kind: str) -> tuple[str, ...]:
    """The models or grid profiles of the rules, each once; of the policy its own name."""
    if kind == POLICY:
        return (rules.policy.name,)
    return tuple(dict.fromkeys(_named(entry) for entry in getattr(rules.catalog, kind)))


def figures(rules: Rules, kind: str, name: str) -> tuple[Figure, ...]:
    """The figures of an entry as it stands on the rules' date: those that a number may stand for."""
    return tuple(_walk(KINDS[kind], _entry(rules, kind, name).model_dump(), (), ""))


def altered(rules: Rules, settings: Iterable[Setting]) -> Rules:
    """The rules with these figures altered; AuditorError names what is not known, and what may stand there."""
    for setting in settings:
        rules = _altered(rules, setting)
    return rules


def _altered(rules: Rules, setting: Setting) -> Rules:
    old = _entry(rules, setting.kind, setting.name)
    new = _set(old, setting)
    if isinstance(new, Policy):
        return Rules(rules.catalog, new, rules.as_of)
    table = tuple(new if entry is old else entry for entry in getattr(rules.catalog, setting.kind))
    catalog: Catalog = rules.catalog.model_copy(update={setting.kind: table})
    return Rules(catalog, rules.policy, rules.as_of)


def _named(entry: Any) -> str:
    return str(entry.name if isinstance(entry, GridProfile) else entry.model)


def _entry(rules: Rules, kind: str, name: str) -> BaseModel:
    """The policy, a grid profile by name or alias, or the revision of a model that is in force on the rules' date.

    A model that comes into force later is its first revision.
    """
    if kind == POLICY:
        return rules.policy
    if kind == "grid_profile":
        found: list[Any] = [p for p in rules.catalog.grid_profile if alias_key(name) in p.alias_keys]
    else:
        revisions = [entry for entry in getattr(rules.catalog, kind) if model_key(entry.model) == model_key(name)]
        revisions.sort(key=lambda entry: entry.effective)
        found = [entry for entry in revisions if entry.effective <= rules.as_of] or revisions[:1]
    if not found:
        meant = did_you_mean(name, names(rules, kind))
        raise AuditorError(f"{kind} {name}: the run's catalog holds none of that name.{meant}")
    entry: BaseModel = found[-1]
    return entry


def _set(entry: BaseModel, setting: Setting) -> BaseModel:
    """The entry with the figure altered."""
    data = entry.model_dump()
    loc = _loc(data, setting)
    node = node_at(type(entry), loc)
    if not _is_figure(node, loc) and not _is_choice(node):
        raise AuditorError(f"{setting.path} is no figure that can be altered.")
    place: Any = data
    for part in loc[:-1]:
        place[part] = dict(place[part]) if isinstance(place[part], dict) else list(place[part] or ())
        place = place[part]
    place[loc[-1]] = _read(setting.value, node)
    made, faults = checked(type(entry), data)
    if made is None:
        raise AuditorError(" ".join(faults))
    return made


def _loc(data: Any, setting: Setting) -> Loc:
    """Where a path leads; names that hold dots themselves are found by the longest that fits."""
    rest, loc, place = setting.path, [], data
    while rest:
        if isinstance(place, Mapping):
            known = [name for name in place if rest == name or rest.startswith(f"{name}.")]
            if not known:
                meant = did_you_mean(rest, list(place)) or f" There are: {', '.join(map(str, place))}."
                raise AuditorError(f"{setting.path}: there is no such entry.{meant}")
            key: Any = max(known, key=len)
            rest = rest[len(key) + 1 :]
        elif isinstance(place, list | tuple):
            number, _, rest = rest.partition(".")
            if not number.isdecimal() or not 1 <= int(number) <= len(place):
                raise AuditorError(f"{setting.path}: {number} is none of its {len(place)} items.")
            key = int(number) - 1
        else:
            raise AuditorError(f"{setting.path}: there is no such entry.")
        loc.append(key)
        place = place[key]
    return tuple(loc)


def _is_figure(node: Mapping[str, Any], loc: Loc) -> bool:
    if loc[-1] in _NO_FIGURES or loc[0] in IDLE:
        return False
    return node.get("type") in ("number", "integer") or _is_printed(loc)


def _is_printed(loc: Loc) -> bool:
    """A current of an inverter, which is kept as text with its digits as printed."""
    return len(loc) == 2 and loc[0] == "current_a"


def _is_choice(node: Mapping[str, Any]) -> bool:
    return "enum" in node or node.get("type") == "boolean"


def _read(text: str, node: Mapping[str, Any]) -> Any:
    """A value as its entry takes it; what cannot be read stays text, and the model says what may stand there."""
    if not text:
        return None
    kind = node.get("type")
    try:
        if kind == "integer":
            return int(text)
        if kind == "number":
            return float(text)
    except ValueError:
        return text
    return {"true": True, "false": False}.get(text, text) if kind == "boolean" else text


def _walk(model: type[BaseModel], value: Any, loc: Loc, head: str) -> Iterator[Figure]:
    """The figures below a place, in their order."""
    if isinstance(value, Mapping):
        for name, inner in value.items():
            yield from _walk(model, inner, (*loc, name), f"{head}.{name}" if head else str(name))
    elif isinstance(value, list | tuple):
        for number, inner in enumerate(value):
            yield from _walk(model, inner, (*loc, number), f"{head}.{number + 1}")
    elif loc and not isinstance(value, bool):
        node = node_at(model, loc)
        if _is_figure(node, loc):
            yield Figure(head, str(node.get("description", "")), value)
