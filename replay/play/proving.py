"""Proof: all scenarios, through the same pipeline as the live service, graded, and summed up by rule."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from witnesspost.daemon.pipeline import Pipeline
from witnesspost.replay.play.grading import Grade, Tally, grade
from witnesspost.replay.play.player import play
from witnesspost.replay.play.tape import Truth
from witnesspost.replay.world.invent import invent
from witnesspost.replay.world.scenario import Scenario, bundled, scenarios
from witnesspost.replay.world.truth import truths
from witnesspost.rules.alert import Change
from witnesspost.rules.book.contents import FIGURES
from witnesspost.rules.site.reading import site_from_table

LONG_S = 3000.0
"""What lasts longer is not invented only to be listed: its row has what its events say."""


class Run(NamedTuple):
    """One scenario with one seed: its truth lines, all changes, and the grade."""

    scenario: Scenario
    seed: int
    truths: list[Truth]
    changes: list[Change]
    grade: Grade


def run(scenario: Scenario, seed: int | None = None) -> Run:
    """Invent a scenario, play it through a pipeline without a log, and grade it."""
    seed = scenario.seed if seed is None else seed
    truths: list[Truth] = []
    pipeline = Pipeline(site_from_table(scenario.site_table, scenario.site.path, FIGURES))
    end = scenario.duration_s
    changes = list(play(pipeline, invent(scenario, seed), end_t=end, truths=truths))
    last = max((truth.t + truth.within_s for truth in truths), default=end)
    changes += pipeline.tick(max(last, end))
    return Run(scenario, seed, truths, changes, grade(truths, changes))


class Job(NamedTuple):
    """A scenario to be run with a seed."""

    scenario: Scenario
    seed: int


class Proof(NamedTuple):
    """What came of a job: the grade, and the scenario's row of the table where it was played with its own seed."""

    grade: Grade
    row: str | None


def prove_one(job: Job) -> Proof:
    """One job, as a process of its own is given it."""
    played = run(job.scenario, job.seed)
    row = _row(job.scenario, _listed(job.scenario, played.truths)) if job.seed == job.scenario.seed else None
    return Proof(played.grade, row)


def all_scenarios(names: Iterable[str] = ()) -> Iterator[Scenario]:
    """The scenarios that come with Witnesspost, or those named, variant by variant. Raises ScenarioError."""
    for source in names or [str(path) for path in bundled()]:
        yield from scenarios(source)


def score_table(tally: Tally) -> str:
    """What the rules were worth, a Markdown row a rule."""
    lines = [
        "| rule | expected | detected | first cause right | time to alert, median | worst | false alerts a day |",
        "|---|---|---|---|---|---|---|",
    ]
    for rule, score in sorted(tally.scores.items()):
        times = [f"{s:.1f} s" if s is not None else "–" for s in (score.median_s, score.worst_s)]
        lines.append(
            f"| `{rule}` | {score.expected} | {_share(score.detected, score.expected)} "
            f"| {_share(score.first_cause_right, score.detected)} | {times[0]} | {times[1]} "
            f"| {tally.false_a_day(rule):.2f} |"
        )
    return "\n".join(lines)


def scenario_table(rows: Iterable[str]) -> str:
    """The scenarios for the documentation, in Markdown, from their rows."""
    return "\n".join(["| scenario | post | lasts | what happens | raised, by cause |", "|---|---|---|---|---|", *rows])


def scenario_row(scenario: Scenario) -> str:
    """A scenario's row of that table, with its own seed, without the play: what the model says is to be raised."""
    invented = () if scenario.duration_s > LONG_S else invent(scenario)
    return _row(scenario, _listed(scenario, [record for record in invented if isinstance(record, Truth)]))


def _listed(scenario: Scenario, invented: list[Truth]) -> list[Truth]:
    return list(truths(scenario)) if scenario.duration_s > LONG_S else invented


def _row(scenario: Scenario, listed: list[Truth]) -> str:
    raised = [truth for truth in listed if truth.expect == "raised"]
    said = ", ".join(dict.fromkeys(f"`{truth.rule}` ({' or '.join(truth.causes) or 'any'})" for truth in raised))
    lasts = f"{scenario.duration_s / 3600:.0f} h" if scenario.duration_s >= 3600 else f"{scenario.duration_s / 60:.0f} min"
    return f"| `{scenario.name}` | {scenario.site.post.role} | {lasts} | {scenario.note} | {said or 'nothing'} |"


def confusion(tally: Tally) -> str:
    """What was said first of each true cause, a Markdown row a cause."""
    lines = ["| rule | true cause | said first |", "|---|---|---|"]
    said: dict[tuple[str, str], list[str]] = {}
    for (rule, cause, first), count in sorted(tally.confusion.items(), key=lambda item: (item[0][:2], -item[1])):
        said.setdefault((rule, cause), []).append(f"{first} {count}")
    lines += [f"| `{rule}` | `{cause}` | {', '.join(firsts)} |" for (rule, cause), firsts in said.items()]
    return "\n".join(lines)


def _share(part: int, whole: int) -> str:
    return f"{part} ({100 * part / whole:.1f} %)" if whole else "–"
