"""A proposal as a commented mapping file, which a person reads, mends and keeps."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Sequence

from auditor.records.mapping import Mapping
from auditor.records.proposing.proposal import ColumnProposal, Proposal, Table
from auditor.records.proposing.propose import UNSAID_LENGTHS
from auditor.records.schema import simple_columns


def mapping_text(table: Table, proposal: Proposal, name: str) -> str:
    """Return the mapping file. What is unsure stands there commented out, with the reason."""
    lines = [
        "# Proposed from the header and the cells. Check every line against the file before you rely on it;",
        "# lines that begin with # are unsure: mend them, take the # away, or leave them out.",
        *_file(table, proposal, name),
        "",
        "[columns]",
    ]
    for column in proposal.mapped():
        lines += _column(column)
    lines += _constants(proposal)
    lines += _ignore(proposal)
    return "\n".join(lines) + "\n"


def mapping_of(text: str) -> Mapping:
    """Return the mapping that a written text says."""
    return Mapping.model_validate(tomllib.loads(text))


def quoted(text: str) -> str:
    """Return a text as a TOML string, which is a JSON string that escapes the delete character too."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _file(table: Table, proposal: Proposal, name: str) -> list[str]:
    lines = ["", "[file]", f"name = {quoted(name)}"]
    if table.sheet is not None:
        lines.append(f"sheet = {quoted(table.sheet)}")
    lines.append(f"header_row = {table.header_row}")
    if table.delimiter is not None:
        lines.append(f"delimiter = {quoted(table.delimiter)}")
    if table.encoding is not None:
        lines.append(f"encoding = {quoted(table.encoding)}        # the file is not in UTF-8: look at its accents")
    if proposal.date_order is not None:
        lines.append(f'date_order = "{proposal.date_order}"        # {_told(proposal.date_reason)}')
    elif proposal.date_reason:
        lines.append(f'# date_order = "month-day-year"        # unsure: {_told(proposal.date_reason)}')
    if proposal.decimal_mark is not None:
        lines.append(f'decimal_mark = "{proposal.decimal_mark}"')
    lines.append(f"missing = [{', '.join(map(quoted, ('', *proposal.missing)))}]")
    if any(UNSAID_LENGTHS in column.reasons for column in proposal.columns):
        lines.append("# The file does not say of every length whether it is one-way or there and back; see below.")
    lines.append('lengths = "one-way"')
    return lines


def _column(column: ColumnProposal) -> list[str]:
    text = f"{column.canonical} = {_rule(column)}"
    reason = _told("; ".join(column.reasons))
    if column.sureness == "unsure":
        return [f"# unsure: {reason}", f"# {text}"]
    return [f"{text}        # {column.sureness}: {reason}"]


def _rule(column: ColumnProposal) -> str:
    parts = [f"column = {quoted(column.header)}"]
    if column.unit is not None:
        parts.append(f"unit = {quoted(column.unit)}")
    if column.lengths == "round-trip":
        parts.append('lengths = "round-trip"')
    if column.values:
        pairs = ", ".join(f"{quoted(code)} = {quoted(value)}" for code, value in column.values.items())
        parts.append(f"values = {{ {pairs} }}")
    return f"{{ {', '.join(parts)} }}" if len(parts) > 1 else quoted(column.header)


def _constants(proposal: Proposal) -> list[str]:
    if not proposal.constants:
        return []
    lines = [
        "",
        "[constants]",
        "# A title or a header seems to state these for every row; take the # away where it is so.",
    ]
    return lines + [f"# {name} = {quoted(value)}" for name, value in sorted(proposal.constants.items())]


def _ignore(proposal: Proposal) -> list[str]:
    left = [column.header for column in proposal.columns if column.canonical is None and column.header]
    unsure = [column.header for column in proposal.mapped() if column.sureness == "unsure"]
    known = simple_columns()
    # A canonical header that no line speaks of would be read as it stands.
    shut = list(dict.fromkeys(header for header in (*left, *unsure) if header in known))
    lines = ["", "[ignore]"]
    if left:
        lines.append(f"# Not mapped; list here those that you do not want: {_told(_quoted_list(left))}")
    return [*lines, f"columns = [{_quoted_list(shut)}]"]


def _quoted_list(texts: Sequence[str]) -> str:
    return ", ".join(map(quoted, texts))


def _told(text: str) -> str:
    """Return a text that may stand in a comment: on one line, without control characters."""
    return "".join(c if c.isprintable() else " " for c in text)
