"""Invented records of an invented company, the equipment they name, and what made them."""
