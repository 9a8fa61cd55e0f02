"""`python -m harness.cli` is `wakeboard`."""

from harness.cli import main

main()
