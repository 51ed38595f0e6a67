"""The file that an export is written to."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import TracebackType


class Sink:
    """A binary file that takes nothing more once a write, or the block that holds it, has failed.

    The libraries that write workbooks and Parquet flush what they hold when they are thrown away; behind a failure that
    flush would fail again, with a traceback that nobody can act on. OSError where the file cannot be opened or written.
    """

    closed = False

    def __init__(self, path: Path) -> None:
        self._file = path.open("wb")
        self._at = 0
        self._failed = False

    def __enter__(self) -> Sink:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._failed = self._failed or kind is not None
        try:
            self._file.close()
        except OSError:
            if not self._failed:
                raise
        finally:
            self._failed = True

    def _try(self, action: Callable[[], object]) -> None:
        if self._failed:
            return
        try:
            action()
        except OSError:
            self._failed = True
            raise

    def write(self, data: bytes) -> int:
        """Write all of the data."""
        self._try(lambda: self._file.write(data))
        self._at += len(data)
        return len(data)

    def seek(self, offset: int) -> int:
        """Go to a place counted from the file's start."""
        self._try(lambda: self._file.seek(offset))
        self._at = offset
        return offset

    def tell(self) -> int:
        """Where the next write goes."""
        return self._at

    def flush(self) -> None:
        """Hand to the system what is buffered."""
        self._try(self._file.flush)
