"""Sheets about one system, to send to a utility or to give to a crew."""
