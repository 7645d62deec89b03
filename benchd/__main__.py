"""`python -m benchd`."""

from benchd.cli.main import main

main()
