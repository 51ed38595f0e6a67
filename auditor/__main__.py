"""`python -m auditor` is the `auditor` command."""

from auditor.cli import main

if __name__ == "__main__":
    main()
