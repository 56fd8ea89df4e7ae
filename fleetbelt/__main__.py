"""`python -m fleetbelt`."""

from fleetbelt.cli import main

main()
