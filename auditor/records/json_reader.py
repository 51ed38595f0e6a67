"""JSON and JSON Lines as a stream of system objects, figures kept as the text they are written in."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

from auditor.errors import AuditorError
from auditor.records.counting import survey

#: A decoded value: text (figures too), None, bool, a list, a dict, or one of the marks below.
Json = Any
BATCH_SYSTEMS = 4_096
#: The key under which an object's repeated keys are told.
REPEATED = "\0repeated"
_SPACE = re.compile(r"[ \t\r\n]*")


@dataclass(frozen=True)
class NotJson:
    """A line that is not JSON, or a figure such as NaN that JSON does not have."""

    raw: str
    sentence: str


def _object(pairs: list[tuple[str, Json]]) -> dict[str, Json]:
    result = dict(pairs)
    if len(result) != len(pairs):
        keys = [key for key, _ in pairs]
        result[REPEATED] = sorted({key for key in keys if keys.count(key) > 1})
    return result


def _decoder(decimal_mark: str | None) -> json.JSONDecoder:
    """Return a decoder that keeps figures as text, in the decimal mark under which the cells will be read."""
    as_text: Callable[[str], str] = str if decimal_mark != "," else lambda text: text.replace(".", ",")
    return json.JSONDecoder(
        object_pairs_hook=_object,
        parse_float=as_text,
        parse_int=str,
        parse_constant=lambda name: NotJson(name, f"{name} is not a number in JSON"),
    )


def json_systems(path: Path, decimal_mark: str | None, others: list[str]) -> Iterator[list[tuple[int, Json]]]:
    """Yield batches of (ordinal from 1, system) from {"systems": [...]}; other keys beside it are added to `others`.

    The text is held whole, its objects only a batch at a time. AuditorError names the line where the JSON breaks.
    """
    survey(path)
    text = path.read_text(encoding="utf-8-sig")
    systems = _elements(text, _decoder(decimal_mark), path, others)
    numbered = enumerate(systems, 1)
    while batch := list(islice(numbered, BATCH_SYSTEMS)):
        yield batch


def _elements(text: str, decoder: json.JSONDecoder, path: Path, others: list[str]) -> Iterator[Json]:
    try:
        yield from _walk(text, decoder, path, others)
    except json.JSONDecodeError as error:
        raise AuditorError(f"{path}: line {error.lineno} column {error.colno}: not JSON: {error.msg}") from error
    except RecursionError as error:
        raise AuditorError(f"{path}: is nested too deeply to be a record file") from error


def _walk(text: str, decoder: json.JSONDecoder, path: Path, others: list[str]) -> Iterator[Json]:
    form = f'{path}: a JSON file of records is an object {{"systems": [...]}}'
    position = _skip(text, _expect(text, 0, "{", form))
    found = False
    while text[position : position + 1] != "}":
        key, position = decoder.raw_decode(text, position)
        if not isinstance(key, str):
            raise json.JSONDecodeError("Expecting a name in quotes", text, position)
        position = _skip(text, _expect(text, position, ":"))
        if key != "systems":
            others.append(key)
            _, position = decoder.raw_decode(text, position)
        elif found:
            raise AuditorError(f'{path}: duplicate-label: "systems" stands twice')
        else:
            found = True
            position = _expect(text, position, "[", f'{path}: "systems" must be a list')
            position = yield from _list(text, position, decoder)
        position = _skip(text, position)
        if text[position : position + 1] != "}":
            position = _skip(text, _expect(text, position, ","))
    position = _skip(text, position + 1)
    if position != len(text):
        raise json.JSONDecodeError("Extra data", text, position)
    if not found:
        raise AuditorError(f'{form}, and "systems" is missing')


def _list(text: str, position: int, decoder: json.JSONDecoder) -> Generator[Json, None, int]:
    position = _skip(text, position)
    if text[position : position + 1] == "]":
        return position + 1
    while True:
        element, position = decoder.raw_decode(text, _skip(text, position))
        yield element
        position = _skip(text, position)
        if text[position : position + 1] == "]":
            return position + 1
        position = _expect(text, position, ",")


def _skip(text: str, position: int) -> int:
    match = _SPACE.match(text, position)
    return match.end() if match else position


def _expect(text: str, position: int, mark: str, refusal: str | None = None) -> int:
    position = _skip(text, position)
    if text[position : position + 1] == mark:
        return position + 1
    if refusal is not None:
        raise AuditorError(refusal)
    raise json.JSONDecodeError(f"Expecting {mark!r}", text, position)


def jsonl_systems(path: Path, decimal_mark: str | None) -> Iterator[list[tuple[int, Json]]]:
    """Yield batches of (line number, system), one object a line; a line that is not JSON comes as `NotJson`."""
    survey(path)
    decoder = _decoder(decimal_mark)
    with path.open(encoding="utf-8-sig", newline="\n") as file:
        lines = ((number, _line(line.strip(), decoder)) for number, line in enumerate(file, 1) if line.strip())
        while batch := list(islice(lines, BATCH_SYSTEMS)):
            yield batch


def _line(line: str, decoder: json.JSONDecoder) -> Json:
    try:
        return decoder.decode(line)
    except json.JSONDecodeError as error:
        return NotJson(line, f"column {error.colno}: not JSON: {error.msg}")
    except RecursionError:
        return NotJson(line, "is nested too deeply")
