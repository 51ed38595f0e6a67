"""Pure functions: whether groups of designs fail more often than chance and their case mix explain, and since when."""
