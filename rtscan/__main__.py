"""`python -m rtscan` does what the `rtscan` command does."""

from rtscan.cli.main import run

run()
