"""The two families of errors a command shows without a traceback."""

from __future__ import annotations


class AuditorError(Exception):
    """Something the user can mend; the text says what, where and what to do."""

    exit_code = 1


class StoreBusyError(AuditorError):
    """Another command is writing to the store."""

    exit_code = 3
