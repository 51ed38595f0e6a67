"""The `auditor` command."""

from __future__ import annotations

import io
import sys
import tempfile
import traceback
from collections.abc import Sequence

import duckdb
import typer
from typer.exceptions import TyperException

from auditor import jobs
from auditor.cli import (
    acting,
    comparing,
    deciding,
    demo,
    describing,
    explaining,
    exporting,
    importing,
    mapping,
    mending,
    quality,
    reporting,
    running,
    serving,
    settings,
    triaging,
)
from auditor.cli.show import complain
from auditor.errors import AuditorError

INTERRUPTED = 130
UNFORESEEN = 70

app = typer.Typer(
    help="Recheck installed solar systems whose inverters sit on AC branch circuits.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
app.command("map")(mapping.map_file)
app.command("import")(importing.import_files)
app.command("audit")(running.audit)
app.command("recheck")(comparing.recheck)
app.command("compare")(comparing.compare)
app.command("runs")(running.runs)
app.command("serve")(serving.serve)
app.command("export")(exporting.export)
app.command("mend")(mending.mend)
app.command("report")(reporting.report)
app.command("triage")(triaging.triage)
app.add_typer(deciding.app, name="decide")
app.add_typer(quality.app, name="quality")
app.add_typer(acting.app, name="action")
app.command("explain")(explaining.explain)
app.command("schema")(describing.schema)
app.command("catalog")(settings.catalog)
app.command("policy")(settings.policy)
app.command("demo")(demo.demo)


def main(args: Sequence[str] | None = None) -> None:
    """Run the command; what the user can mend is said in a sentence, anything else is kept in a file."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a terminal without a sign shows a question mark for it
    try:
        with jobs.reporting() as ended:
            status = _status(args)
            ended(status)
    except AuditorError as error:
        complain(str(error))
        status = error.exit_code
    sys.exit(status)


def _status(args: Sequence[str] | None) -> int:
    try:
        status = app(args, prog_name="auditor", standalone_mode=False)
    except AuditorError as error:
        complain(str(error))
        return error.exit_code
    except TyperException as error:
        return _misused(error)
    except KeyboardInterrupt:
        return _stopped()
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        complain(f"{where}{error.strerror or error}. What was finished is kept; mend that and run the command again.")
        return 1
    except (duckdb.IOException, duckdb.OutOfMemoryException) as error:
        first = str(error).splitlines()[0].rstrip(".")
        complain(f"{first}. What was finished is kept; free space or memory there and run the command again.")
        return 1
    except Exception as error:
        return _stopped() if _is_interrupt(error) else _unforeseen(error)
    return _stopped() if status == INTERRUPTED else int(status or 0)


def _is_interrupt(error: Exception) -> bool:
    """DuckDB turns an interrupt during a query into an error of its own, in Python a bare RuntimeError."""
    return isinstance(error, duckdb.InterruptException) or str(error) == "Query interrupted"


def _misused(error: TyperException) -> int:
    """A command line that does not fit the command."""
    message = error.format_message().rstrip(".")
    context = getattr(error, "ctx", None)
    path = context.command_path if context else "auditor"
    if message:
        complain(f"{message}. See: {path} --help")
    return error.exit_code


def _stopped() -> int:
    complain("stopped. What was finished is kept; run the same command to go on.")
    return INTERRUPTED


def _unforeseen(error: Exception) -> int:
    with tempfile.NamedTemporaryFile(
        "w", encoding="utf-8", prefix="auditor-error-", suffix=".txt", delete=False
    ) as trace:
        trace.write("".join(traceback.format_exception(error)))
    complain(
        f"this should not happen: {type(error).__name__}: {error}\n"
        f"The details are in {trace.name}. Your store is as the last finished step left it."
    )
    return UNFORESEEN
