"""`python -m drydown`."""

from drydown.cli import main

main()
