"""The README mentions every command and every option."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import typer

from auditor.cli import app

README = Path(__file__).parents[2] / "README.md"
COMMANDS = typer.main.get_command(app).commands  # type: ignore[attr-defined]
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
    assert re.search(rf"auditor {name}\b", README.read_text("utf-8"))


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
