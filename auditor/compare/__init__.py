"""What other rules, or other records, make of a portfolio: re-checks, comparisons of two runs, and their causes."""
