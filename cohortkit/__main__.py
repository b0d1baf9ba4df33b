"""``python -m cohortkit``."""

from cohortkit.cli import main

main()
