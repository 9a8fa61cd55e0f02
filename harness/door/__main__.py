"""`python -m wakeboard` is `wakeboard`."""

from wakeboard.harness.cli import main

main()
