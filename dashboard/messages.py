"""Notifications from within a callback."""

from __future__ import annotations

import uuid

from dash import set_props

from auditor.errors import AuditorError

AGAIN = "Reload the page. If it stays so, the details are in the log of the server."


def tell(title: str, text: str, color: str = "red") -> None:
    """Show a notification; only a callback that runs may call it."""
    shown = {"action": "show", "id": uuid.uuid4().hex, "title": title, "message": text, "color": color}
    set_props("notifications", {"sendNotifications": [shown]})


def what_to_do(error: Exception) -> str:
    """A sentence about an error: what the user can mend, or where the details are."""
    if isinstance(error, AuditorError):
        return str(error)
    return AGAIN
