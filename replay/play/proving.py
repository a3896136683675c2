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
"""What lasts longer is not invented only to be listed."""


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


def prove_one(job: Job) -> Grade:
    """The grade of one job: what a process of its own is given."""
    return run(job.scenario, job.seed).grade


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


def scenario_table(found: Iterable[Scenario]) -> str:
    """All scenarios for the documentation, a Markdown row each, with what the model says is to be raised."""
    lines = ["| scenario | post | lasts | what happens | raised, by cause |", "|---|---|---|---|---|"]
    for scenario in found:
        raised = [truth for truth in truths_of(scenario) if truth.expect == "raised"]
        said = ", ".join(dict.fromkeys(f"`{truth.rule}` ({' or '.join(truth.causes) or 'any'})" for truth in raised))
        lasts = f"{scenario.duration_s / 3600:.0f} h" if scenario.duration_s >= 3600 else f"{scenario.duration_s / 60:.0f} min"
        lines.append(f"| `{scenario.name}` | {scenario.site.post.role} | {lasts} | {scenario.note} | {said or 'nothing'} |")
    return "\n".join(lines)


def truths_of(scenario: Scenario) -> list[Truth]:
    """The truth lines of a scenario with its own seed, without the play; of a long one, those of its events alone."""
    if scenario.duration_s > LONG_S:
        return list(truths(scenario))
    return [record for record in invent(scenario) if isinstance(record, Truth)]


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
