"""`python -m witnesspost.daemon`: the same as `witnesspost`."""

from witnesspost.daemon.cli import main

main(prog_name="witnesspost")
