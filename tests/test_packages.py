"""What an installation holds: every folder of code and data is listed, so that nothing works from a checkout alone."""

from __future__ import annotations

import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[1]
SETTINGS = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["setuptools"]
PARTS = ("auditor", "dashboard", "sample_portfolio")


def folders(pattern: str) -> set[str]:
    """The folders with such files in them, as packages."""
    files = (path for part in PARTS for path in (ROOT / part).rglob(pattern) if "__pycache__" not in path.parts)
    return {".".join(path.parent.relative_to(ROOT).parts) for path in files}


def test_every_folder_of_code_is_a_listed_package() -> None:
    assert folders("*.py") - set(SETTINGS["packages"]) == set()
    assert set(SETTINGS["packages"]) - folders("*") == set()


def test_every_file_of_data_is_listed() -> None:
    held = {
        path
        for package, patterns in SETTINGS["package-data"].items()
        for pattern in patterns
        for path in (ROOT / package.replace(".", "/")).glob(pattern)
    }
    data = {
        path
        for part in PARTS
        for path in (ROOT / part).rglob("*")
        if path.is_file() and path.suffix not in {".py", ".pyc"} and path.name != "py.typed"
    }
    assert {str(path.relative_to(ROOT)) for path in data - held} - {"dashboard/screenshot.png"} == set()
