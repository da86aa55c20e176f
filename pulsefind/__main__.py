"""`python -m pulsefind` is the command line."""

from pulsefind.cli import main

main()
