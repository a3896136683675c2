"""The proof of practice: situations from survey practice, what was raised in them, and if that is right.

    python -m tests.proof.practice               # the table, the counts by group; exit status 1 if any is not right
    python -m tests.proof.practice --wrong       # only what is not right
    python -m tests.proof.practice --json        # one object a situation, then one with the counts
    python -m tests.proof.practice --only TEXT   # only situations whose name has the text

The situations and the answers that are expected stand in `tests.proof.situations`; they were written down from the contract
and from practice before any of them was run. Each goes as bytes through the same pipeline as a live post.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from multiprocessing import Pool
from pathlib import Path
from typing import Any, NamedTuple

from witnesspost.daemon.pipeline import Pipeline
from witnesspost.rules.alert import Change
from witnesspost.rules.book.contents import FIGURES
from witnesspost.rules.book.words import words
from witnesspost.rules.site.model import SiteError
from witnesspost.rules.site.reading import site_from_table

from tests.proof.situations import ALL
from tests.proof.situations.case import Situation, faults, word_faults

_GROUPS = {
    "practice": "right practice, quiet",
    "blunder": "blunders, first cause right",
    "doubt": "doubt, said as doubt",
}


class Answer(NamedTuple):
    """What a situation brought: the changes that a person would be told of, and what is not right about them."""

    situation: Situation
    changes: tuple[Change, ...]
    wrong: tuple[str, ...]

    @property
    def right(self) -> bool:
        return not self.wrong

    @property
    def raised(self) -> str:
        """What was raised, in its order; consequences in brackets."""
        said = []
        for change in self.changes:
            what = f"{change.rule} {change.severity} {change.t:.0f} s" + (" (cause)" if change.change == "cause" else "")
            said.append(what if change.because_of is None else f"[{what}]")
        return ", ".join(said) or "nothing"

    @property
    def first_cause(self) -> str:
        """The first cause of what sounded first."""
        return next((change.cause for change in self.changes if change.because_of is None), "–")


def answer(situation: Situation) -> Answer:
    """Play a situation through the pipeline and judge what it says."""
    try:
        changes = play(situation)
    except SiteError as error:
        return Answer(situation, (), tuple(f"site file refused: {problem}" for problem in error.problems))
    told = tuple(change for change in changes if change.change in ("raised", "cause"))
    wrong = faults(situation, changes)
    for change in told:
        if change.rule in ("base-datum", "control-check"):
            said = words(change)
            wrong += word_faults(situation, change, said.say, said.steps)
    return Answer(situation, told, tuple(wrong))


def play(situation: Situation) -> list[Change]:
    """All changes of a situation. Raises SiteError where its site file is not accepted."""
    table, shift, until = situation.make()
    with tempfile.TemporaryDirectory() as folder:
        site = site_from_table(table, str(Path(folder, "site.toml")), FIGURES)
        pipeline = Pipeline(site)
        changes: list[Change] = []
        for t, _, stream, what in shift.events:
            if t > until:  # what arrives late may arrive after the end
                break
            changes += pipeline.feed(t, stream, what) if isinstance(what, bytes) else pipeline.tell(what)
        changes += pipeline.tick(until)
    return changes


def counts(answers: Sequence[Answer]) -> dict[str, tuple[int, int]]:
    """(right, all) by group, and of the right bases how many nobody blamed."""
    right, whole = Counter[str](), Counter[str]()
    for one in answers:
        names = [_GROUPS[one.situation.group]] + (["a right base, never blamed"] if one.situation.right_base else [])
        for name in names:
            whole[name] += 1
            blamed = any(fault.startswith(("blames", "site file refused")) for fault in one.wrong)
            right[name] += not blamed if name.endswith("blamed") else one.right
    return {name: (right[name], count) for name, count in whole.items()}


def as_json(one: Answer) -> dict[str, Any]:
    """An answer as an object."""
    return {
        "situation": one.situation.name,
        "region": one.situation.region,
        "group": one.situation.group,
        "raised": [
            {"t": c.t, "rule": c.rule, "cause": c.cause, "severity": c.severity, "change": c.change, "because_of": c.because_of}
            for c in one.changes
        ],
        "first_cause": one.first_cause,
        "right": one.right,
        "wrong": list(one.wrong),
    }


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--json", action="store_true", help="one object a situation, then the counts")
    parser.add_argument("--wrong", action="store_true", help="only what is not right")
    parser.add_argument("--only", default="", help="only situations whose name has this text")
    asked = parser.parse_args()
    numbers = [number for number, one in enumerate(ALL) if asked.only.lower() in one.name.lower()]
    if not numbers:
        parser.error(f"no situation has {asked.only!r} in its name")
    with Pool(os.cpu_count()) as pool:
        answers = []
        for number, (changes, wrong) in zip(numbers, pool.imap(_numbered, numbers, chunksize=4), strict=True):
            answers.append(Answer(ALL[number], changes, wrong))
        pool.close()
        pool.join()
    if not asked.json:
        print(f"{'situation':92} {'raised':60} {'first cause':28} right")
    for one in answers:
        if asked.json:
            print(json.dumps(as_json(one)))
        elif not (asked.wrong and one.right):
            print(f"{one.situation.name:92} {one.raised:60} {one.first_cause:28} {'right' if one.right else 'NOT RIGHT'}")
            for fault in one.wrong:
                print(f"    {fault}")
    found = counts(answers)
    if asked.json:
        print(json.dumps({name: {"right": right, "of": whole} for name, (right, whole) in found.items()}))
    else:
        for name, (right, whole) in found.items():
            print(f"{name}: {right} of {whole}")
    return 0 if all(one.right for one in answers) else 1


def _numbered(number: int) -> tuple[tuple[Change, ...], tuple[str, ...]]:
    one = answer(ALL[number])
    return one.changes, one.wrong


if __name__ == "__main__":
    sys.exit(main())
