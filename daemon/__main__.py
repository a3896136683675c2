"""`python -m daemon`: the same as `witnesspost`."""

from daemon.cli import main

main(prog_name="witnesspost")
