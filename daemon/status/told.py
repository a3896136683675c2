"""What people have told the post, and what has come of it: today's set-up, a declared check-in, a pause, what is shelved."""

from __future__ import annotations

import math

from msgspec import Struct
from witnesspost.daemon.lines import millimetres, span
from witnesspost.rules.alert import Sentence
from witnesspost.rules.book.words import words
from witnesspost.rules.engine.check_in import WITHIN_S, DeclaredCheck, Hindrance
from witnesspost.rules.engine.engine import utc_text
from witnesspost.rules.engine.scene import Scene
from witnesspost.rules.facts import Shelve
from witnesspost.rules.language.speech import ENGLISH, Speech
from witnesspost.rules.site.model import Role

_HINDERED: dict[Hindrance, str] = {
    "no-position": "the receiver gives no position",
    "not-fixed": "the receiver is not fixed",
    "leaning": "the pole leans: plumb it",
    "walking": "the rover moves: stand still on the mark",
    "gap": "no position comes any more",
}


class SetUpStatus(Struct, kw_only=True, frozen=True):
    """How the base and the pole are set up, as the rules take it now: metres, the antenna height vertical.

    `planned` where nobody has said a set-up: it is the site file's plan. `point` is None where the base stands over none of the
    list. `slant_m`, `radius_m` and `offset_m` are what the antenna height was made of. `utc` is when it was said, None where
    no receiver had said the time; `of_run` is the log of the earlier run that was told it.
    """

    planned: bool
    point: str | None
    antenna_height_m: float
    pole_height_m: float
    by: str | None = None
    utc: str | None = None
    slant_m: float | None = None
    radius_m: float | None = None
    offset_m: float | None = None
    of_run: str | None = None

    @property
    def line(self) -> str:
        """What is set up, in a few words."""
        over = f"base over {self.point}" if self.point is not None else "base over no listed point"
        return f"{over}, antenna {self.antenna_height_m:.3f} m, pole {self.pole_height_m:.3f} m"


class CheckInStatus(Struct, kw_only=True, frozen=True):
    """The last declared check-in, `ago_s` before: `stood_s` of `needed_s` are averaged.

    `outcome` is None while it goes on, then "passed", "failed", "declined" (too few decimals), "given-up" (nobody stood within
    the minute), "elsewhere" (too far from the point to be on it) or "unknown-point". `line` says it all to a person, `why` the
    likeliest cause alone where it failed, `sentence` is that for other languages. Observed minus known and the limits in
    metres, where measured.
    """

    point: str
    by: str | None
    ago_s: float
    stood_s: float
    needed_s: float
    hindrance: str | None
    outcome: str | None
    line: str
    east_m: float | None = None
    north_m: float | None = None
    up_m: float | None = None
    limit_horizontal_m: float | None = None
    limit_vertical_m: float | None = None
    why: str = ""
    sentence: Sentence | None = None
    ended_ago_s: float | None = None

    def in_words(self, speech: Speech = ENGLISH) -> str:
        """`line` in the reader's language."""
        return f"{speech.phrase(self.line.removesuffix(self.why).rstrip())} {self.why_in_words(speech)}".rstrip()

    def why_in_words(self, speech: Speech = ENGLISH) -> str:
        """`why` in the reader's language."""
        return words(self.sentence, speech).say if self.sentence is not None else self.why


class PausedStatus(Struct, kw_only=True, frozen=True):
    """A pause that goes on for `left_s`."""

    why: str
    by: str | None
    left_s: float

    @property
    def line(self) -> str:
        """Who, why and for how long, and what is held back."""
        by = f" by {self.by}" if self.by else ""
        return f"for {span(self.left_s)} more{by}: {self.why}; nothing is raised until then, every byte is logged"


class ShelvedStatus(Struct, kw_only=True, frozen=True):
    """A rule that is silent for `left_s` more; `by` and `note` as they were said."""

    rule: str
    by: str | None
    note: str | None
    left_s: float


class OfficeStatus(Struct, kw_only=True, frozen=True):
    """How the link to the office's broker is: since when (`since_s` ago) it is `up`, how many changes wait, and why it is down,
    in a line. `twice`: another post says that it has this one's name."""

    broker: str
    up: bool
    since_s: float
    waiting: int
    error: str | None
    twice: bool = False

    @property
    def line(self) -> str:
        """All of it, in a few words."""
        wait = f"{self.waiting} {'change waits' if self.waiting == 1 else 'changes wait'}" if self.waiting else "nothing waits"
        words = [f"link {'up' if self.up else 'down'} for {span(self.since_s)}", wait]
        words += [self.error] if self.error is not None and not self.up else []
        words += [NAME_TWICE] if self.twice else []
        return ", ".join(words)


NAME_TWICE = "another post has this name: give one of them another post.name"


def set_up_status(scene: Scene) -> SetUpStatus:
    """How it is set up now."""
    today, base = scene.today, scene.site.base
    pole_m = scene.site.rover.pole_height_m
    if today is None:
        return SetUpStatus(planned=True, point=base.occupies, antenna_height_m=base.antenna_height_m, pole_height_m=pole_m)
    utc = today.utc if today.run is not None else scene.utc_at(today.t)
    return SetUpStatus(
        planned=False,
        point=base.occupies,
        antenna_height_m=base.antenna_height_m,
        pole_height_m=pole_m,
        by=today.by,
        utc=utc_text(utc) if utc is not None else None,
        slant_m=today.slant_m,
        radius_m=today.radius_m,
        offset_m=today.offset_m,
        of_run=today.run,
    )


def check_in_status(scene: Scene, t: float) -> CheckInStatus | None:
    """How the last declared check-in goes; None where nobody has declared one."""
    declared = scene.declared
    if declared is None:
        return None
    measured, sentence = declared.measured, _why(declared, scene.site.post.role)
    return CheckInStatus(
        point=declared.point,
        by=declared.by,
        ago_s=round(t - declared.t, 1),
        stood_s=round(declared.stood_s, 1),
        needed_s=declared.needed_s,
        hindrance=declared.hindrance,
        outcome=declared.outcome,
        line=_check_in_line(declared, sentence, t),
        east_m=measured.get("east_m"),
        north_m=measured.get("north_m"),
        up_m=measured.get("up_m"),
        limit_horizontal_m=measured.get("tolerance_horizontal_m"),
        limit_vertical_m=measured.get("tolerance_vertical_m"),
        why=words(sentence).say if sentence is not None else "",
        sentence=sentence,
        ended_ago_s=None if declared.ended_t is None else round(t - declared.ended_t, 1),
    )


def _check_in_line(declared: DeclaredCheck, why: Sentence | None, t: float) -> str:
    point, measured = declared.point, declared.measured
    if declared.outcome is None:
        if declared.hindrance is not None:
            left_s = max(0.0, WITHIN_S - (t - declared.t))
            return f"{point}: waits, for {left_s:.0f} s more: {_HINDERED[declared.hindrance]}"
        return f"{point}: stand still, {min(declared.stood_s, declared.needed_s):.0f} of {declared.needed_s:.0f} s"
    if declared.outcome == "unknown-point":
        return f"{point} is none of the site file's control points"
    if declared.outcome == "given-up":
        stood = _HINDERED[declared.hindrance] if declared.hindrance is not None else "nobody stood still on it"
        return f"{point}: no check-in within {WITHIN_S:.0f} s: {stood}"
    if declared.outcome == "elsewhere":
        return f"{point}: you are {math.hypot(measured['east_m'], measured['north_m']):.0f} m from it. Is that the point?"
    if declared.outcome == "declined":
        across, high = measured["horizontal_digit_m"], measured["vertical_digit_m"]
        steps = f"the receiver gives its position in steps of {across:.3f} m and its height in steps of {high:.3f} m"
        return f"{point}: cannot be checked: {steps}; set it to more decimals"
    across, high = measured["tolerance_horizontal_m"] * 1000, measured["tolerance_vertical_m"] * 1000
    offset = millimetres(measured["east_m"], measured["north_m"], measured["up_m"])
    read = f"{offset} (east, north, up); the limits are {across:.0f} mm across and {high:.0f} mm in height"
    if declared.outcome == "passed":
        return f"{point}: passed: {read}"
    return f"{point}: not passed: {read}.{f' {words(why).say}' if why is not None else ''}"


def _why(declared: DeclaredCheck, role: Role) -> Sentence | None:
    """The likeliest cause of a check that failed."""
    finding = declared.finding
    if finding is None:
        return None
    return Sentence(
        rule="control-check",
        cause=finding.causes[0].cause,
        stream=finding.stream,
        role=role,
        evidence=finding.evidence,
        words=finding.words,
    )


def paused_status(scene: Scene, t: float) -> PausedStatus | None:
    """The pause that goes on."""
    planned = scene.planned
    if planned is None or t >= scene.planned_until:
        return None
    return PausedStatus(why=planned.why, by=planned.by, left_s=round(scene.planned_until - t, 1))


def shelved_status(shelved: dict[str, Shelve], t: float) -> list[ShelvedStatus]:
    """The rules that a person has silenced by name; a pause is told elsewhere."""
    return [
        ShelvedStatus(rule=rule, by=said.by, note=said.note, left_s=round(said.t + said.for_s - t, 1))
        for rule, said in shelved.items()
        if said.rule is not None
    ]
