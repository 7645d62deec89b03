"""`python -m benchd`."""

from benchd.cli.start import main

main()
