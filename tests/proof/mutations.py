"""The proof of the scenarios: each rule is spoilt, one small change at a time, and a scenario's grade has to fail.

    python -m tests.proof.mutations                       # all rules: a Markdown row a mutation, then the sum
    python -m tests.proof.mutations tilt sky --survivors  # two rules, and only what no scenario caught

The mutations: each figure of a rule halved and doubled, each named number of its module likewise, each comparison of its
module turned, each cause swapped with the next, the rule silent, the rule speaking exactly when it ought to be silent.
Nothing on the disk is changed. A scenario is invented and decoded once; its facts and moments of judgement, which no rule
has a hand in, are then judged by the spoilt book of rules as the pipeline would.
"""

from __future__ import annotations

import ast
import copy
import functools
import inspect
import math
import sys
from collections.abc import Iterable, Iterator
from types import ModuleType
from typing import Any, NamedTuple
from unittest.mock import patch

import msgspec
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.replay.play.grading import Grade, grade
from witnesspost.replay.play.player import play
from witnesspost.replay.play.tape import Truth
from witnesspost.replay.world.invent import invent
from witnesspost.replay.world.scenario import Scenario, scenarios
from witnesspost.rules.alert import Change
from witnesspost.rules.book import contents as book
from witnesspost.rules.book import own
from witnesspost.rules.engine.engine import Engine
from witnesspost.rules.engine.rule import Cause, Finding, Rule
from witnesspost.rules.engine.scene import Scene
from witnesspost.rules.facts import Fact
from witnesspost.rules.site.reading import site_from_table

OWN_SCENARIOS = {
    "base-datum": ("base-datum", "datum-america"),  # each cause at one place
    "corrections-stopped": (
        "corrections-stopped",
        "corrections-stopped-base",
        "base-switched-off",
        "radio-cable-pulled-and-back",
        "rover-radio-other-frequency",
    ),
    "wrong-channel": ("wrong-channel", "neighbours-base-on-our-channel"),
}
"""The scenario files that concern a rule, where it is not the one of its own name."""

OWN_RULE = "own-rule"
"""What the crew's own rules go by here: each has a name of its own, and its figures stand in the scenario's site file."""

PARTS = {
    "corrections-stopped": ("witnesspost.rules.book.shown_line",),
    "control-check": ("witnesspost.rules.book.lean", "witnesspost.rules.book.occupied_mark"),
}
"""Modules beside a rule's own that are its alone, and are spoilt with it."""

LONGEST_S = 2400.0
"""Longer scenarios (the quiet hours and days) are left out: a mutation that only they would catch has no scenario."""

_TURNED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.GtE, ast.GtE: ast.Lt, ast.Gt: ast.LtE, ast.LtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
_FROM_NOTHING = 10.0  # what a figure of 0 becomes: half and twice of it are nothing


class Mutation(NamedTuple):
    """One rule, spoilt: by another class in its place, or by other figures in the site file."""

    rule: str
    what: str
    mutant: type[Rule]
    figures: dict[str, float]


class Heard:
    """A scenario as the rules hear it: facts, and between them the moments (floats) at which they are asked."""

    def __init__(self, scenario: Scenario, truths: list[Truth], steps: list[Fact | float]):
        self.scenario, self.truths, self.steps = scenario, truths, steps

    @functools.cached_property
    def as_it_is(self) -> Judged:
        """What it comes to with nothing spoilt."""
        return judged(self)


class Judged(NamedTuple):
    """A scenario judged: its grade, and all that was said."""

    grade: Grade
    changes: list[Change]


class Result(NamedTuple):
    """A mutation, the scenario that caught it (None: it was not caught), and the first thing that was wrong there."""

    mutation: Mutation
    caught_by: str | None
    how: str


class _Notes(Engine):
    """An engine without rules that writes down what it is told and asked: at each moment, for a spoilt rule may find something
    where the rule as it is has nothing to do."""

    def __init__(self, scene: Scene):
        super().__init__([], scene)
        self.steps: list[Fact | float] = []

    def see_all(self, facts: Iterable[Fact]) -> None:
        told = [*facts]
        self.steps += told
        super().see_all(told)

    def judge(self, t: float) -> list[Change]:
        self.steps.append(t)
        changes = super().judge(t)
        self.next_t = -math.inf
        return changes


@functools.cache
def hear(source: str) -> list[Heard]:
    """The scenarios of one file (or one variant), invented with their own seeds and decoded."""
    return [_heard(scenario) for scenario in scenarios(source) if scenario.duration_s <= LONGEST_S]


def _heard(scenario: Scenario) -> Heard:
    truths: list[Truth] = []
    pipeline = Pipeline(site_from_table(scenario.site_table, scenario.site.path, book.FIGURES))
    notes = pipeline.engine = _Notes(pipeline.scene)
    list(play(pipeline, invent(scenario), truths=truths))
    pipeline.tick(max([scenario.duration_s, *(truth.t + truth.within_s for truth in truths)]))
    return Heard(scenario, truths, notes.steps)


def judged(heard: Heard, mutation: Mutation | None = None) -> Judged:
    """What a scenario comes to under the book of rules as it is, or with one rule spoilt."""
    table = copy.deepcopy(heard.scenario.site_table)
    rules = list(book.RULES)
    crew_rule: type[Rule] = own.OwnRule
    if mutation is not None and mutation.rule == OWN_RULE:
        crew_rule = mutation.mutant
    elif mutation is not None:
        table.setdefault("rules", {}).setdefault(mutation.rule, {}).update(mutation.figures)
        rules = [mutation.mutant if rule.name == mutation.rule else rule for rule in rules]
    site = site_from_table(table, heard.scenario.site.path, book.FIGURES)
    scene = Scene(site)
    own_rules = vars(crew_rule)["__init__"].__globals__["own_rules"] if "__init__" in vars(crew_rule) else own.own_rules
    with (
        patch.object(book, "RULES", tuple(rules)),
        patch.object(own, "OwnRule", crew_rule),
        patch.object(book, "own_rules", own_rules),
    ):
        engine = Engine(book.rules_in_force(site, scene), scene)
    changes: list[Change] = []
    for step in heard.steps:
        if isinstance(step, float):
            changes += engine.judge(step)
        else:
            engine.see(step)
    return Judged(grade(heard.truths, changes), changes)


def try_out(mutation: Mutation, heard: Iterable[Heard]) -> Result:
    """The first of these scenarios whose grade the mutation spoils."""
    how = ""
    for one in heard:
        try:
            spoilt = judged(one, mutation)
        except Exception as error:
            return Result(mutation, one.scenario.name, f"throws {type(error).__name__}: {error}")
        if not spoilt.grade.passed:
            return Result(mutation, one.scenario.name, spoilt.grade.in_words().splitlines()[0])
        if _graded(spoilt) != _graded(one.as_it_is):
            how = f"shows in `{one.scenario.name}`, within its truth lines"
        elif spoilt.changes != one.as_it_is.changes:
            how = how or BESIDE
    return Result(mutation, None, how)


def _graded(judged: Judged) -> list[tuple[Any, ...]]:
    """What a grade looks at."""
    return [(c.t, c.change, c.rule, c.cause, c.because_of) for c in judged.changes]


def sound(heard: Iterable[Heard]) -> list[Heard]:
    """Those that pass with nothing spoilt: a grade that fails anyway shows nothing. The others are named on stderr."""
    passed = []
    for one in heard:
        if one.as_it_is.grade.passed:
            passed.append(one)
        else:
            print(f"left out: {one.scenario.name} fails as it is: {one.as_it_is.grade.in_words()}", file=sys.stderr)
    return passed


def mutations_of(rule: type[Rule]) -> Iterator[Mutation]:
    """All mutations of one rule."""
    name = name_of(rule)
    if name != OWN_RULE:
        yield from of_figures(rule)
    yield Mutation(name, "silent", _silent(rule), {})
    yield Mutation(name, "speaks when it ought to be silent, and the other way round", _inverted(rule), {})
    causes = tuple(rule.causes)
    nexts = ("another-cause",) if len(causes) == 1 else causes[1:] + causes[: len(causes) > 2]
    for one, other in zip(causes, nexts, strict=False):
        yield Mutation(name, f"`{one}` and `{other}` swapped", _swapped(rule, one, other), {})
    yield from of_source(rule)


def name_of(rule: type[Rule]) -> str:
    """What a rule goes by here."""
    return getattr(rule, "name", OWN_RULE)


def of_figures(rule: type[Rule]) -> Iterator[Mutation]:
    """Each figure halved and doubled, as a site file would set it."""
    for field in msgspec.structs.fields(rule.Figures):
        value = field.default
        values = (value / 2, value * 2) if value else (_FROM_NOTHING,)
        for changed in values:
            changed = type(value)(changed)
            yield Mutation(rule.name, f"{field.name} {value:g} → {changed:g}", rule, {field.name: changed})


def of_source(rule: type[Rule]) -> Iterator[Mutation]:
    """Each comparison of the rule's module and of its parts turned, each of their named numbers halved and doubled."""
    for module in (rule.__module__, *PARTS.get(name_of(rule), ())):
        for index, (node, function) in enumerate(_spots(ast.parse(inspect.getsource(sys.modules[module])))):
            if isinstance(node, ast.Compare):
                for place in range(len(node.ops)):
                    yield _compiled(rule, module, index, place, f"{function}: {ast.unparse(node)}")
            else:
                for factor in (0.5, 2.0):
                    yield _compiled(rule, module, index, factor, ast.unparse(node))


def _spots(tree: ast.Module) -> list[tuple[ast.Compare | ast.Assign, str]]:
    """The comparisons and the module's named numbers, in the order of the source, each with its function's name."""
    found: list[tuple[ast.Compare | ast.Assign, str]] = []

    def walk(node: ast.AST, function: str) -> None:
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.Compare):
                found.append((child, function))
            elif isinstance(child, ast.Assign) and node is tree and _number(child.value) is not None:
                found.append((child, ""))
            named = child.name if isinstance(child, (ast.FunctionDef, ast.ClassDef)) else ""
            walk(child, f"{function}.{named}".strip("."))

    walk(tree, "")
    return found


def _number(node: ast.expr) -> float | None:
    value = node.value if isinstance(node, ast.Constant) else None
    return value if isinstance(value, (int, float)) and not isinstance(value, bool) else None


def _compiled(rule: type[Rule], spoilt: str, index: int, how: int | float, words: str) -> Mutation:
    """The rule with one spot of the module `spoilt` changed: `how` is the comparison's place, or a factor."""
    tree = ast.parse(inspect.getsource(sys.modules[spoilt]))
    node, _ = _spots(tree)[index]
    if isinstance(node, ast.Compare):
        place = int(how)
        node.ops[place] = _TURNED[type(node.ops[place])]()
        what = f"`{words}` turned" + (f" at its comparison {place + 1}" if len(node.ops) > 1 else "")
    else:
        value = _number(node.value)
        assert value is not None
        node.value = ast.copy_location(ast.Constant(type(value)(value * how)), node.value)
        what = f"`{words}` {'halved' if how < 1 else 'doubled'}"
    module = _module(spoilt, ast.fix_missing_locations(tree))
    if spoilt != rule.__module__:
        with patch.dict(sys.modules, {spoilt: module}):
            module = _module(rule.__module__, ast.parse(inspect.getsource(sys.modules[rule.__module__])))
    return Mutation(name_of(rule), what, getattr(module, rule.__name__), {})


def _module(name: str, tree: ast.Module) -> ModuleType:
    module = ModuleType(name)
    exec(compile(tree, name, "exec"), module.__dict__)
    return module


def _silent(rule: type[Rule]) -> type[Rule]:
    class Silent(rule):  # type: ignore[valid-type, misc]
        def judge(self, t: float) -> Iterable[Finding]:
            return ()

    return Silent


def _inverted(rule: type[Rule]) -> type[Rule]:
    class Inverted(rule):  # type: ignore[valid-type, misc]
        def judge(self, t: float) -> Iterable[Finding]:
            if list(super().judge(t)):
                return ()
            return (Finding(causes=[Cause(cause=next(iter(self.causes)))]),)

    return Inverted


def _swapped(rule: type[Rule], one: str, other: str) -> type[Rule]:
    names = {one: other, other: one}

    def swapped(cause: Cause) -> Cause:
        said = "+".join(names.get(part, part) for part in cause.cause.split("+"))
        return msgspec.structs.replace(cause, cause=said)

    class Swapped(rule):  # type: ignore[valid-type, misc]
        def judge(self, t: float) -> Iterable[Finding]:
            for finding in super().judge(t):
                yield msgspec.structs.replace(finding, causes=[swapped(cause) for cause in finding.causes])

    return Swapped


def main(arguments: list[str]) -> int:
    """Print the table; the status is 1 where something survived that no line of `BECAUSE` accounts for."""
    only_survivors = "--survivors" in arguments
    known = (*book.FIGURES, OWN_RULE)
    if unknown := [name for name in arguments if name != "--survivors" and name not in known]:
        print(f"no rule of this name: {', '.join(unknown)}; expected some of {', '.join(known)}", file=sys.stderr)
        return 2
    names = [name for name in arguments if not name.startswith("--")] or known
    print("| rule | mutation | caught by | because |", "|---|---|---|---|", sep="\n")
    tried = caught = beside = accounted = 0
    for rule in (*book.RULES, own.OwnRule):
        name = name_of(rule)
        if name not in names:
            continue
        heard = sound(one for file in OWN_SCENARIOS.get(name, (name,)) for one in hear(file))
        for mutation in mutations_of(rule):
            result = try_out(mutation, heard)
            how = result.how
            tried += 1
            if result.caught_by is not None:
                caught += 1
            elif how == BESIDE:
                beside += 1
            elif why := _because(mutation):
                accounted, how = accounted + 1, why
            if result.caught_by is None or not only_survivors:
                by = f"`{result.caught_by}`" if result.caught_by else "–" if how == BESIDE else "**survived**"
                print(f"| `{name}` | {mutation.what} | {by} | {how} |", flush=True)
    survived = tried - caught - beside
    sums = f"{caught} caught, {beside} beside what is graded, {survived} survived ({accounted} accounted for)"
    print(f"\n{tried} mutations: {sums}")
    return int(survived > accounted)


def _because(mutation: Mutation) -> str | None:
    return next((why for what, why in BECAUSE.get(mutation.rule, {}).items() if what in mutation.what), None)


BESIDE = "changes evidence and words alone, which no grade reads"

_TOGETHER = "when positions are told, not what of them: `tests.rules.engine.test_stretch` has both sides"

BECAUSE: dict[str, dict[str, str]] = {
    "radio-sheet": {"off_delay_s": "the site file does not change within a run, so the alert never ends"},
    "base-datum": {
        "LEAST_RADIUS_M": "words alone, and no scenario has a base inside the earth",
        "_STEP_S": "a pause of the positions at the very moment of the first fix, which the rule's own tests have",
    },
    "antenna-mismatch": {"before.station_id": "two such stations on one line are wrong-channel's, which explains it"},
    "height-reference": {
        "_EVERY_S": "how often a separation that stays the same is looked at: N changes by millimetres meanwhile",
        "on_delay_s > 2 * WAIT_S": _TOGETHER,
    },
    "post-health": {"fact.source == 'RMC'": "only before a receiver's first position, which the model says with its time"},
    "message-set": {
        "_Line.observations: self.last is not None": "the last epoch is always known once the watch has begun",
        "_single_frequency: 0 < epoch.cells": "where the bands are not known: all messages that are decoded say them",
    },
    "corrections-late": {
        "_MUCH_OF_IT": "the age of a rover beside a delay within the limit: the rule's own tests have both sides",
        "_NO_LINK_S": "delays of ten minutes and of leap seconds: the rule's own tests have both sides",
        "_LEAP_NEAR_S": "delays of ten minutes and of leap seconds: the rule's own tests have both sides",
        "age_s is not None": "ages are looked at only where no receiver says the time, which the rule's own tests have",
        "fix.t - aged_t": "ages are looked at only where no receiver says the time, which the rule's own tests have",
        "CorrectionsLate._move": "an age that is past the limit of before: the rule's own tests have it",
        "CorrectionsLate._finding": "whether a rover calls them fresh: the rule's own tests have it",
        "limit_s >= FRESH_S": _TOGETHER,
        "self._age.since is None": "where epochs come the next has it asked; the rule's own tests have a rover's age alone",
        "line.late.since is not None": "asked too often, or an age late too: `rules.book.test_due` has an epoch alone",
    },
    "wrong-channel": {
        "_MOST_NAMED": "thirty strangers, of whom ten are named: the rule's own tests have them",
        "_MANY": "how many strangers are kept before those that are gone are forgotten: memory alone",
        "len(heard) > self._many": "a line of invented stations, which the rule's own tests have",
        "_forget_gone": "a line of invented stations, which the rule's own tests have",
        "_STRAY_S": "how seldom a far neighbour is heard: the rule's own tests have both sides",
        "gap_s > pause_s": "a far neighbour's pauses: the rule's own tests have both sides",
        "known.runs_since": "a far neighbour that comes to stay: the rule's own tests have it",
        "WrongChannel.see_positions": "a receiver that uses another base while ours is heard: the rule's own tests have it",
        "len(heard) > 1": "when a rule is asked: at any moment it would find the same, only at the cost of time",
        "WrongChannel.due": "when a rule is asked: at any moment it would find the same, only at the cost of time",
    },
    "link-overload": {
        "epoch.time_s is not None": "each set of the scenarios says its time; the rule's own tests have one that does not",
        "silent_s 10 → 20": "as long as the on-delay: nothing raised within it can have been silent for longer",
    },
    "control-check": {
        "moved_m": "a mark that is moved by less or more: the rule's own tests have both sides",
        "`epoch-shift` and `other-control-point`": "an epoch shift is a frame shift too, which is named first",
        "`other-control-point` and `sign-or-order`": "neither leaves the rover within a metre of a point",
        "`sign-or-order` and `other-zone`": "neither leaves the rover within a metre of a point",
    },
    "tilt": {"_SLACK_S": "what sums of times are off is billionths of a second: half a millisecond is as much slack as two"},
    "corrections-stopped": {
        "near_share": "what comes second no grade reads, the rule's own tests do",
        "jitter_s": "as short as the grid on which the rules are asked",
        "quiet_s 3 → 1.5": "two intervals of a second are as long",
        "_RTCM2": "how much of RTCM 2 tells, and for how long: the rule's own tests have both sides",
        "'positions' not in carries": "no scenario has sentences alone on a line of corrections, the rule's own tests do",
        "_looks_like: shown.other_than_sentences": "no scenario has sentences alone on such a line, the rule's own tests do",
    },
    "fix-lost": {
        "placed_s": "a base that says late, or never, where it is: the rule's own tests have both sides",
        "_FIRST_SILENCE_S": "one position alone: the rule's own tests have both sides",
        "_placed_t": "a base that says late, or never, where it is: the rule's own tests have both sides",
        "FixLost._fixed_by_t": "what a receiver knows that never fixes: the rule's own tests have each",
        "FixLost.see": "when a rule is asked, or told: the rule's own tests say when all is as before",
    },
    "base-moved": {
        "tolerance_m 0.03 → 0.06": "the rule's own tests have both sides",
        "pause_s": "a base that is set up anew: the rule's own tests have both sides",
        "setup_s": "a base that is set up anew: the rule's own tests have both sides",
    },
    "sky": {
        "_BIN_S": "how densely the half hour is sampled: the median is the same",
        "_pattern": "the words for one band that falls alone, which no scenario has",
        "_points_at": "the words for one band that falls alone, which no scenario has",
    },
}
"""What survives, by rule and by a part of the mutation's words, and why."""


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
