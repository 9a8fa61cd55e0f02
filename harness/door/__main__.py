"""`python -m wakeboard` is `wakeboard`. Python has put the working folder in front of its path; it goes at once."""

from wakeboard.instruments.own_code import keep_out

keep_out()

from wakeboard.harness.cli import main  # noqa: E402  after the path is ours

main()
