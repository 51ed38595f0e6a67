"""SQL over a snapshot: cursors and plain values in, polars frames out; nothing here knows Dash."""
