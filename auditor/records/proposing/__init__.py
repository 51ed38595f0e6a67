"""A mapping proposed for a header that was never seen, from its words and from the cells below it."""
