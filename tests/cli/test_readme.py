"""The README mentions every command and every option."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
import typer

from auditor.cli import app

README = Path(__file__).parents[2] / "README.md"


def commands(group: Any, prefix: str = "") -> dict[str, Any]:
    """Every command by its full name: those of a group such as `decide merge`, and a group that runs by itself."""
    named: dict[str, Any] = {prefix.strip(): group} if prefix and group.invoke_without_command else {}
    for name, command in group.commands.items():
        named |= commands(command, f"{prefix}{name} ") if hasattr(command, "commands") else {prefix + name: command}
    return named


COMMANDS = commands(typer.main.get_command(app))
OPTIONS = sorted(
    {
        (name, tuple(param.opts))
        for name, command in COMMANDS.items()
        for param in command.params
        if param.opts[0][0] == "-"
    }
)


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_a_command_is_in_the_readme(name: str) -> None:
    assert re.search(rf"auditor {name}\b|`{name.rpartition(' ')[2]}\b", README.read_text("utf-8"))


@pytest.mark.parametrize(("command", "spellings"), OPTIONS)
def test_an_option_is_in_the_readme(command: str, spellings: tuple[str, ...]) -> None:
    text = README.read_text("utf-8")
    assert any(re.search(rf"(?<![\w-]){spelling}(?![\w-])", text) for spelling in spellings), (command, spellings)


def test_the_readme_names_no_option_that_is_gone() -> None:
    known = {spelling for _, spellings in OPTIONS for spelling in spellings} | {"--help"}
    lines = [
        line for line in README.read_text("utf-8").splitlines() if "auditor" in line or line.strip().startswith("`--")
    ]
    named = {option for line in lines for option in re.findall(r"(?<![\w-])--[a-z][a-z-]+", line)}
    assert named <= known
