"""Run the command line with ``python -m pitstats``."""

from pitstats.cli import main

if __name__ == "__main__":
    main(prog_name="pitstats")
