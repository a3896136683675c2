"""What a person reads of each change, on a pipe and on terminals of several widths; the words are the book's."""

import os
import pty
import re
import struct
import termios
import zoneinfo
from fcntl import ioctl

import msgspec
import pytest
from witnesspost.daemon.lines import Teller
from witnesspost.daemon.local_time import Stamps
from witnesspost.daemon.screen import PLAIN, Look
from witnesspost.rules.book.words import words

from tests.daemon.view import CHANGE

STOP = msgspec.structs.replace(CHANGE, utc="2026-05-04T09:11:12.000Z", role="rover", post="kestrel-rover")
LOST = msgspec.structs.replace(
    STOP, t=14.0, utc="2026-05-04T09:11:14.000Z", rule="fix-lost", cause="float", because_of="corrections-stopped", alert=2
)
NOW = msgspec.structs.replace(STOP, t=20.0, change="cause", cause="weak-link")
SEEN = msgspec.structs.replace(
    STOP, t=24.0, change="acknowledged", evidence={**STOP.evidence, "seen_by": "Kim", "seen_note": "tree", "seen_t": 24.0}
)
OVER = msgspec.structs.replace(STOP, t=103.0, utc="2026-05-04T09:12:43.000Z", change="normal")


def changed(one, **values):
    return msgspec.structs.replace(one, **values)


def told(*changes, look=PLAIN):
    teller = Teller(Stamps(zoneinfo.ZoneInfo("America/Denver")))
    return [teller.text(change, look).split("\n") for change in changes]


def test_the_steps_are_listed_under_an_alert_that_sounds():
    ((line, *steps),) = told(STOP)
    said = f"{words(STOP).say} (corrections-stopped: line-silent)"
    assert line == f"STOP   2026-05-04 03:11:12-06:00  {said}"
    assert len(steps) >= 3
    assert steps == [f"       {number}. {step}" for number, step in enumerate(words(STOP).steps, 1)]


def test_every_line_of_an_alert_ends_with_its_rule_and_cause():
    for first, *_ in told(STOP, LOST, NOW, SEEN, OVER, changed(OVER, change="cleared"), changed(STOP, severity="note")):
        assert re.search(r" \((corrections-stopped|fix-lost): [a-z-]+\)$", first), first


def test_a_consequence_is_indented_under_its_root_in_small_letters_and_without_steps():
    _, lines = told(STOP, LOST)
    assert len(lines) == 1
    assert lines[0].startswith("  stop   2026-05-04 03:11:14-06:00  Along with corrections-stopped: ")


def test_what_is_shelved_is_not_shouted():
    ((line,),) = told(changed(STOP, shelved=True))
    assert line.startswith("stop   ")


@pytest.mark.parametrize("width", [40, 60, 80])
def test_a_path_that_is_longer_than_a_line_breaks_after_a_slash(width):
    path = "/srv/witnesspost/kestrel-quarry-haul-road/logs-of-this-month/kestrel-rover.0001.db"
    lines = Look(width).wrapped(f"writes {path} now", "  ")
    assert max(map(len, lines)) <= width
    assert "".join(lines).replace(" ", "") == f"writes{path}now"
    pieces = {piece for line in lines for piece in line.replace("/", " ").split()}
    assert pieces == {"writes", "now", *filter(None, path.split("/"))}  # no name is cut
    assert Look(40).wrapped("12 km/h and 4 m/s, and 12 km/h or 44444 m/s") == ["12 km/h and 4 m/s, and 12 km/h or 44444", "m/s"]


def test_another_cause_brings_its_own_steps():
    _, (line, *steps) = told(STOP, NOW)
    assert line.startswith(f"stop   2026-05-04 03:11:12-06:00  Another cause now: {words(NOW).say}")
    assert line.endswith("(corrections-stopped: weak-link)")
    assert [step.split(". ", 1)[1] for step in steps] == words(NOW).steps


def test_an_end_says_how_long_it_lasted():
    _, seen, over, cleared = told(STOP, SEEN, OVER, changed(OVER, change="cleared"))
    assert seen == [
        "seen   2026-05-04 03:11:12-06:00  By Kim (tree), after 12 s. It still stands. (corrections-stopped: line-silent)"
    ]
    assert over == [
        "over   2026-05-04 03:12:43-06:00  It lasted 91 s, and nobody has seen it yet. (corrections-stopped: line-silent)"
    ]
    assert cleared == ["over   2026-05-04 03:12:43-06:00  It lasted 91 s. (corrections-stopped: line-silent)"]


def test_each_raising_of_one_that_nobody_has_seen_has_its_own_length():
    again = changed(STOP, t=7000.0)
    graver = changed(STOP, t=7010.0)
    over_again = changed(OVER, t=7033.0)
    told_later = told(STOP, OVER, again, graver, over_again, changed(SEEN, t=20_000.0, change="cleared"))
    assert "  It lasted 91 s, and nobody has seen it yet. (" in told_later[1][0]
    assert "  It lasted 33 s, and nobody has seen it yet. (" in told_later[4][0]
    assert "  It lasted 33 s. Seen by Kim (tree). (" in told_later[5][0]


def test_a_consequence_of_which_the_cause_changed_only_says_what_is_seen():
    _, _, (line,) = told(STOP, LOST, changed(LOST, change="cause", cause="autonomous"))
    assert f"  Along with corrections-stopped: {words(changed(LOST, cause='autonomous')).say}" in line


def test_of_a_consequence_that_is_over_nobody_is_asked_whether_it_was_seen():
    _, (line,) = told(LOST, changed(LOST, change="normal", t=74.0))
    assert line == "  over   2026-05-04 03:11:14-06:00  It lasted 60 s. (fix-lost: float)"


def test_a_step_that_has_helped_before_says_so():
    teller = Teller(Stamps(zoneinfo.ZoneInfo("America/Denver")), hints=lambda change: ["", "solved it 3 of 5 times here"])
    lines = teller.text(STOP, PLAIN).split("\n")
    assert [line for line in lines if "solved it" in line] == [
        f"       2. {words(STOP).steps[1]} (solved it 3 of 5 times here)"
    ]


def test_an_end_says_who_had_seen_it():
    button = {**STOP.evidence, "seen_by": None, "seen_note": None, "seen_t": 24.0}
    cleared = changed(OVER, change="cleared")
    by_kim = msgspec.structs.replace(cleared, evidence=SEEN.evidence)
    _, (line,) = told(STOP, by_kim)
    assert line.endswith("It lasted 91 s. Seen by Kim (tree). (corrections-stopped: line-silent)")
    _, (line,) = told(STOP, msgspec.structs.replace(cleared, evidence=button))
    assert line.endswith("It lasted 91 s. Seen at the button. (corrections-stopped: line-silent)")


def test_what_an_earlier_run_left_unseen_says_so_with_its_words():
    evidence = {**STOP.evidence, "of_run": "kestrel-rover.0041.db", "of_alert": 3, "over_utc": "2026-05-04T08:00:00.000Z"}
    ((line,),) = told(changed(OVER, evidence=evidence))
    assert (
        "Not seen in the run before (kestrel-rover.0041.db, over since 2026-05-04 02:00:00-06:00): No corrections for" in line
    )


def test_what_a_terminal_would_obey_is_not_printed():
    ((line, *_),) = told(changed(STOP, stream="cor\x1b]0;evil\x07\nrections"))
    assert "\x1b" not in line
    assert "\x07" not in line


@pytest.mark.parametrize("width", [40, 53, 80, 110, 200])
def test_nothing_is_wider_than_the_terminal_and_no_word_is_lost(width):
    changes = (STOP, LOST, NOW, SEEN, OVER)
    for wide, narrow in zip(told(*changes), told(*changes, look=Look(width=width)), strict=True):
        assert max(map(len, narrow)) <= width
        assert " ".join(" ".join(narrow).split()) == " ".join(" ".join(wide).split())


def test_what_it_looks_like_at_40_columns():
    (lines,) = told(STOP, look=Look(width=40))
    assert lines[0] == "STOP   2026-05-04 03:11:12-06:00"
    assert all(line.startswith("  ") for line in lines[1:])
    assert any(line.endswith("(corrections-stopped: line-silent)") for line in lines)
    assert [line[:5] for line in lines if line[2].isdigit()] == [f"  {n}. " for n in range(1, len(words(STOP).steps) + 1)]


def look_of(columns, environ):
    master, slave = pty.openpty()
    ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    try:
        return Look.of(slave, environ)
    finally:
        os.close(master)
        os.close(slave)


@pytest.mark.parametrize(
    ("columns", "environ", "look"),
    [
        (80, {"TERM": "xterm"}, Look(80, weight=True, colour=True)),
        (80, {"TERM": "xterm", "NO_COLOR": "1"}, Look(80, weight=True, colour=False)),
        (80, {"TERM": "xterm", "NO_COLOR": ""}, Look(80, weight=True, colour=True)),  # no-color.org: when not an empty string
        (20, {"TERM": "xterm"}, Look(40, weight=True, colour=True)),
        (0, {"TERM": "xterm"}, Look(80, weight=True, colour=True)),
        (80, {"TERM": "dumb"}, Look(80)),
        (80, {}, Look(80)),
    ],
)
def test_a_terminal_is_asked_what_it_can_do(columns, environ, look):
    assert look_of(columns, environ) == look


def test_a_pipe_is_no_terminal():
    ours, theirs = os.pipe()
    assert Look.of(theirs, {"TERM": "xterm"}) == PLAIN
    os.close(ours)
    os.close(theirs)


def test_weight_comes_first_and_colour_second():
    bold_only = told(STOP, look=Look(80, weight=True))[0][0]
    assert bold_only.startswith("\x1b[1m\x1b[7mSTOP\x1b[0m   2026")
    coloured = told(STOP, look=Look(80, weight=True, colour=True))[0][0]
    assert coloured.startswith("\x1b[31m\x1b[1m\x1b[7mSTOP\x1b[0m   2026")
    note = told(changed(STOP, severity="note"), look=Look(80, weight=True))[0][0]
    assert "\x1b" not in note
