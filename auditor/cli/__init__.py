"""The `auditor` command."""

from __future__ import annotations

import sys
import tempfile
import traceback
from pathlib import Path

import typer

from auditor.cli import demo, explaining, exporting, importing, running, settings
from auditor.cli.show import errors
from auditor.errors import AuditorError

app = typer.Typer(
    help="Recheck installed solar systems whose inverters sit on AC branch circuits.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
app.command("import")(importing.import_files)
app.command("audit")(running.audit)
app.command("runs")(running.runs)
app.command("export")(exporting.export)
app.command("explain")(explaining.explain)
app.command("catalog")(settings.catalog)
app.command("policy")(settings.policy)
app.command("demo")(demo.demo)


def main() -> None:
    """Run the command; what the user can mend is said in a sentence, anything else is kept in a file."""
    try:
        app()
    except AuditorError as error:
        errors.print(f"auditor: {error}", markup=False, highlight=False, soft_wrap=True)
        sys.exit(error.exit_code)
    except KeyboardInterrupt:
        errors.print("auditor: stopped. What was finished is kept; run the same command to go on.")
        sys.exit(130)
    except Exception as error:
        trace = Path(tempfile.gettempdir()) / "auditor-error.txt"
        trace.write_text(traceback.format_exc(), "utf-8")
        errors.print(
            f"auditor: this should not happen: {type(error).__name__}: {error}\n"
            f"The details are in {trace}. Your store is as the last finished step left it.",
            markup=False,
            highlight=False,
            soft_wrap=True,
        )
        sys.exit(70)
