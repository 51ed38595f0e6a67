"""Settings files that people write in TOML: read, checked against a model, and every fault told in words.

A fault names the entry as it stands in the file, the value found, what may stand there, and the likely fix.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable, Iterable, Sequence
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails, InitErrorDetails, PydanticCustomError
from rapidfuzz import fuzz, process

from auditor.errors import AuditorError

Loc = tuple[int | str, ...]
Model = TypeVar("Model", bound=BaseModel)
#: How an entry's place is written, and whether it is a table.
Writer = Callable[[Loc, bool], str]

#: Likeness, 0 to 100, from which a name is offered as the one that may have been meant.
_ALIKE = 65
#: Names are listed in a sentence up to so many.
_LISTED = 40
_LONGEST_VALUE = 60


def read_toml(path: Path) -> dict[str, Any]:
    """Return the file's content; AuditorError where it cannot be read, is not UTF-8 or is not TOML."""
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise AuditorError(f"{path}: cannot be read: {error.strerror}.") from error
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        raise AuditorError(f"{path}: line {line} is not UTF-8 text. Save the file as UTF-8.") from error
    except tomllib.TOMLDecodeError as error:
        raise AuditorError(
            f"{path}: is not a TOML file: {error}. Text stands in quotes, and so does a name that is not made of"
            " letters, digits, - and _ alone."
        ) from error


def raise_faults(title: str, faults: Sequence[tuple[Loc, str]]) -> None:
    """Raise one ValidationError for faults that a model's own validator found, each with its place; none: return."""
    lines = [
        InitErrorDetails(type=PydanticCustomError("value_error", "{said}", {"said": said}), loc=loc, input=None)
        for loc, said in faults
    ]
    if lines:
        raise ValidationError.from_exception_data(title, lines)


def nearest(name: str, known: Iterable[str], limit: int = 3) -> list[str]:
    """Return the known names that are most like a name, best first, or none where none is close."""
    found = process.extract(
        name, list(known), scorer=fuzz.ratio, processor=_folded, limit=limit, score_cutoff=_ALIKE
    )  # fmt: skip
    return [close for close, *_ in found]


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """Return " Did you mean x or y?", or nothing where no known name is close."""
    close = nearest(name, known, 2)
    return f" Did you mean {' or '.join(close)}?" if close else ""


def inner_entry(loc: Loc, is_table: bool = False) -> str:
    """An entry within one that is named already: `branch_limits, item 2, units`."""
    return ", ".join(_key(part) if isinstance(part, str) else f"item {part + 1}" for part in loc)


def entry(loc: Loc, is_table: bool = False) -> str:
    """An entry as TOML writes it: `[rise] target_pct`, `[[transformer]] entry 2, r_pct`, `[terminal.top_pu] "230"`."""
    names = [_key(part) if isinstance(part, str) else part for part in loc]
    first = next((at for at, part in enumerate(names) if isinstance(part, int)), len(names))
    of_list = first + 1 < len(names) or (first < len(names) and is_table)
    head = names[:first] if of_list or (is_table and first == len(names)) else names[: max(first - 1, 0)]
    tail = names[len(head) :]
    table = ".".join(map(str, head))
    told = [part if isinstance(part, str) else f"{'entry' if of_list and not at else 'item'} {part + 1}"
            for at, part in enumerate(tail)]  # fmt: skip
    where = f"[[{table}]]" if of_list else f"[{table}]" if table else ""
    return " ".join(part for part in (where, ", ".join(told)) if part)


def checked(model: type[Model], data: dict[str, Any], write: Writer = entry) -> tuple[Model | None, list[str]]:
    """Return the model of the data, or None with a sentence for each fault; `write` says how a place is written.

    What can only be judged once the rest is sound is judged too, on the data without its faulty entries.
    """
    rest: Any = _tuples(data)
    sentences: list[str] = []
    found: list[ErrorDetails] = []
    gone: set[Loc] = set()
    while True:
        try:
            made = model.model_validate(rest)
        except ValidationError as error:
            schema = _schema(model)
            problems = [p for p in error.errors() if not any(p["loc"][: len(loc)] == loc for loc in gone)]
            found += problems
            told = [_sentence(p, schema, write) for p in problems if not _said_already(p, found, schema)]
            sentences += [sentence for sentence in told if sentence not in sentences]
            cut = {_faulty(p) for p in error.errors()} - {()}
            if not cut:
                return None, sentences
            gone |= cut
            rest = _without(rest, cut)
        else:
            return (None, sentences) if sentences else (made, [])


def node_at(model: type[BaseModel], loc: Loc) -> dict[str, Any]:
    """What a model says of the entry at a place, as JSON Schema has it: type, bounds, description; empty for none."""
    return _node(_schema(model), loc)


@cache
def _schema(model: type[BaseModel]) -> dict[str, Any]:
    return model.model_json_schema()


def _folded(name: str) -> str:
    return " ".join(name.lower().replace("_", " ").replace("-", " ").split())


def _key(name: str) -> str:
    bare = name.isascii() and name.replace("-", "_").replace("_", "a").isalnum()
    return name if bare else json.dumps(name, ensure_ascii=False)


def _tuples(value: Any) -> Any:
    """The value with its lists as tuples, the only sequence that a frozen, strict model holds."""
    if isinstance(value, list):
        return tuple(_tuples(item) for item in value)
    if isinstance(value, dict):
        return {key: _tuples(item) for key, item in value.items()}
    return value


def _faulty(problem: ErrorDetails) -> Loc:
    """What to leave out so that the rest can be judged: the entry, its table where it lacks one, a list as a whole."""
    loc = problem["loc"][:-1] if problem["type"] == "missing" else problem["loc"]
    while loc and isinstance(loc[-1], int):
        loc = loc[:-1]
    return loc


def _without(value: Any, cut: set[Loc]) -> Any:
    """The data without the entries at these places; a key that is none of the data, such as a type's name, is none."""
    if isinstance(value, tuple):
        return tuple(
            _without(item, {loc[1:] for loc in cut if loc[0] == at and len(loc) > 1}) for at, item in enumerate(value)
        )
    if not isinstance(value, dict):
        return value
    return {
        key: _without(item, {loc[1:] for loc in cut if loc[0] == key})
        for key, item in value.items()
        if (key,) not in cut
    }


def _said_already(problem: ErrorDetails, problems: list[ErrorDetails], schema: dict[str, Any]) -> bool:
    """Whether a missing entry is one that stands there misspelt."""
    if problem["type"] != "missing":
        return False
    *parent, name = problem["loc"]
    return any(
        other["type"] == "extra_forbidden"
        and [*other["loc"][:-1]] == parent
        and nearest(str(other["loc"][-1]), _names(schema, tuple(parent)), 1) == [name]
        for other in problems
    )


def _sentence(problem: ErrorDetails, schema: dict[str, Any], write: Writer) -> str:
    loc, given = problem["loc"], problem["input"]
    node = _node(schema, loc)
    if problem["type"] == "missing":
        return f"{write(loc, node.get('type') == 'object')}: is missing. Write {_allowed(node)}{_about(node)}."
    if problem["type"] == "extra_forbidden":
        meant = _instead(str(loc[-1]), _names(schema, loc[:-1]), schema)
        return f"{write(loc, isinstance(given, dict))}: there is no such entry.{meant}"
    if problem["type"] == "value_error":
        is_table = node.get("type") == "object" and "said" not in node
        place = f"{write(loc, is_table)}: " if loc else ""
        told = problem["msg"].removeprefix("Value error, ")
        return f"{place}{told}{'' if told[-1:] in '.?' else '.'}"
    return f"{write(loc, False)} = {_shown(given)}: must be {_allowed(node)}.{_hint(given, node, str(loc[-1]))}"


def _about(node: dict[str, Any]) -> str:
    """What the entry is, in parentheses, where the model says it and the sentence does not yet."""
    told = str(node.get("description", "")).splitlines()[:1]
    return f" ({told[0].rstrip('.')})" if told and told[0] and "said" not in node else ""


def _instead(name: str, known: list[str], schema: dict[str, Any]) -> str:
    """What an unknown entry may have been meant to be, and what there is."""
    meant = did_you_mean(name, known)
    if not meant:
        owners = [table for table in schema.get("properties", {}) if name in _names(schema, (table,))]
        meant = f" It belongs under {' or '.join(f'[{owner}]' for owner in owners)}." if owners else ""
    listed = ", ".join(known[:_LISTED]) + (" and more" if len(known) > _LISTED else "")
    return f"{meant} Allowed here: {listed}." if listed else meant


def _names(schema: dict[str, Any], loc: Loc) -> list[str]:
    return list(_node(schema, loc).get("properties", {}))


def _node(schema: dict[str, Any], loc: Loc) -> dict[str, Any]:
    """The part of a JSON schema that describes the entry at a place; empty where it describes none."""
    node = _settled(schema, schema)
    for part in loc:
        if isinstance(part, int):
            fixed = node.get("prefixItems", [])
            node = fixed[part] if part < len(fixed) else node.get("items", {})
        else:
            node = node.get("properties", {}).get(part, node.get("additionalProperties"))
        node = _settled(node if isinstance(node, dict) else {}, schema)
    return node


def _settled(node: dict[str, Any], schema: dict[str, Any]) -> dict[str, Any]:
    """A node with its reference followed and "or nothing" left out."""
    about = {key: node[key] for key in ("description",) if key in node}
    options = [option for option in node.get("anyOf", []) if option.get("type") != "null"]
    if len(options) == 1:
        return _settled(options[0], schema) | about
    if "$ref" in node:
        return schema["$defs"][node["$ref"].rpartition("/")[2]] | about  # type: ignore[no-any-return]
    return node


def _allowed(node: dict[str, Any]) -> str:
    """What may stand at a place, in words."""
    if "said" in node:
        return str(node["said"])
    if "enum" in node or "const" in node:
        return _either([_shown(choice) for choice in node.get("enum", [node.get("const")])])
    if node.get("format") == "date":
        return "a date such as 2024-03-25, without quotes"
    kind = node.get("type")
    if kind in ("integer", "number"):
        return f"{'a whole number' if kind == 'integer' else 'a number'}{_bounds(node)}"
    if kind == "string":
        one = node.get("maxLength") == 1
        return "one character in quotes" if one else f"text in quotes{', not empty' if node.get('minLength') else ''}"
    if kind == "array":
        count = node.get("minItems") if node.get("minItems") == node.get("maxItems") else None
        empty = ", not empty" if node.get("minItems") else ""
        return f"a list of {count} in brackets" if count else f"a list in brackets{empty}"
    return {"boolean": "true or false, without quotes", "object": "a table"}.get(str(kind), "another value")


def _either(words: list[str]) -> str:
    return " or ".join([part for part in (", ".join(words[:-1]), words[-1]) if part])


def _bounds(node: dict[str, Any]) -> str:
    """The bounds of a number: " above 0, up to 20"."""
    if "minimum" in node and "maximum" in node:
        return f" from {node['minimum']:g} to {node['maximum']:g}"
    words = {"exclusiveMinimum": "above {:g}", "minimum": "of {:g} or more"}
    words |= {"exclusiveMaximum": "below {:g}", "maximum": "up to {:g}"}
    told = [text.format(node[key]) for key, text in words.items() if key in node]
    return f" {', '.join(told)}" if told else ""


def _shown(value: Any) -> str:
    """A value as TOML writes it; a long one is cut, and of a table only that it is one is said."""
    if isinstance(value, dict):
        return "{ ... }"
    if isinstance(value, tuple):
        text = f"[{', '.join(_shown(item) for item in value)}]"
    elif isinstance(value, str | bool):
        text = json.dumps(value, ensure_ascii=False)
    else:
        text = str(value)
    return text if len(text) <= _LONGEST_VALUE else text[: _LONGEST_VALUE - 3] + "..."


def _hint(given: Any, node: dict[str, Any], name: str) -> str:
    """The likely fix of a value of the wrong kind, or of a misspelt choice."""
    kind = node.get("type")
    if "enum" in node and isinstance(given, str):
        close = nearest(given, [choice for choice in node["enum"] if isinstance(choice, str)], 1)
        return f" Did you mean {_shown(close[0])}?" if close else ""
    if kind == "array" and isinstance(given, dict):
        return f" Write its heading in double brackets: [[{name}]]."
    if kind == "array" and not isinstance(given, tuple):
        return f" Write it in brackets: [{_shown(given)}]."
    if kind == "string" and "format" not in node and isinstance(given, bool | int | float | date):
        return f' Write it in quotes: "{str(given).lower() if isinstance(given, bool) else given}".'
    if isinstance(given, str) and _unquoted(given, node):
        return f" Write it without quotes: {_unquoted(given, node)}"
    return ""


def _unquoted(given: str, node: dict[str, Any]) -> str:
    """A quoted number, date, true or false as it should stand; empty where the text is none."""
    text = given.strip()
    try:
        if node.get("format") == "date":
            return date.fromisoformat(text).isoformat()
        if node.get("type") in ("number", "integer"):
            return f"{float(text.replace(',', '.')):g}"
    except ValueError:
        return ""
    words = {"true": "true", "yes": "true", "false": "false", "no": "false"}
    return words.get(text.lower(), "") if node.get("type") == "boolean" else ""
