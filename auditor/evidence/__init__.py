"""What was measured and reported, and what it says of a system: fits, counts and exposure, as pure functions."""
