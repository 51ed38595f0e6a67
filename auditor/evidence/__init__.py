"""What readings and events say about a system: fits, counts and exposure, as pure functions."""
