"""What the README shows first is what the command says, word by word; "…" stands for what it leaves out."""

import re
from pathlib import Path

from click.testing import CliRunner
from witnesspost.daemon.cli import main

README = (Path(__file__).parents[1] / "README.md").read_text()


def test_the_first_alert_that_a_reader_sees_is_what_the_command_says():
    (command, block), *_ = re.findall(r"^    \$ witnesspost (replay .*)\n((?:    .*\n)+)", README, re.MULTILINE)
    said = iter(CliRunner().invoke(main, command.split()).stdout.splitlines())
    shown = [line[4:] for line in block.splitlines()]
    assert len(shown) > 6
    left_out = False
    for line in shown:
        if line == "…":
            left_out = True
            continue
        start = line.removesuffix("…")
        found = next(one for one in said if not left_out or one.startswith(start))
        assert found.startswith(start) if start != line else found == line
        left_out = False
