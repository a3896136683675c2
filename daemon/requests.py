"""What a person may tell the running post, over its socket or its page: checked here, and handed to the rules as a fact.

{"do": "seen", "rule": "sky", "by": "Kim", "note": "tree"}
{"do": "shelve", "rule": "sky", "for_s": 600, "by": "Kim", "note": null}
{"do": "pause", "for_s": 300, "why": "battery", "by": "Kim"}
{"do": "setup", "point": "KQ-1", "antenna_height_m": 1.532, "pole_height_m": 2.0, "by": "Kim"}
{"do": "setup", "slant_m": 1.601, "radius_m": 0.085, "offset_m": 0.03, "by": "Kim"}
{"do": "checkin", "point": "KQ-2", "by": "Kim"}
{"do": "solved", "rule": "sky", "cause": "few-satellites", "step": 1, "by": "Kim"}
"""

from __future__ import annotations

import re
from typing import Annotated

import msgspec
from msgspec import Meta, Struct
from witnesspost.daemon.companion import PostView, TooMuchTold
from witnesspost.daemon.lines import span
from witnesspost.daemon.screen import plain
from witnesspost.daemon.status.snapshot import Status
from witnesspost.daemon.status.told import SetUpStatus
from witnesspost.rules.book.words import ADVICE, causes_of, steps_of
from witnesspost.rules.facts import Acknowledge, CheckIn, Planned, SetUp, Shelve, Solved
from witnesspost.rules.naming import did_you_mean, meant
from witnesspost.rules.site.antenna import MOST_M, HeightError, vertical_height_m
from witnesspost.rules.site.model import Site

SHELVE_S = 86_400.0  # anything longer belongs in the site file, where everybody sees it: common practice, no source
PAUSE_S = 3_600.0  # a battery change takes minutes; meanwhile only what is wrong on the air is raised

_NAMED = 20

RuleName = Annotated[str, Meta(min_length=1, max_length=80)]
PersonName = Annotated[str, Meta(min_length=1, max_length=60)]
Words = Annotated[str, Meta(min_length=1, max_length=300)]


class Seen(Struct, tag_field="do", tag="seen", forbid_unknown_fields=True, kw_only=True):
    """The alerts of `rule` (None: all) have been seen."""

    rule: RuleName | None = None
    by: PersonName
    note: Words | None = None


class ShelveRule(Struct, tag_field="do", tag="shelve", forbid_unknown_fields=True, kw_only=True):
    """Silence `rule` for so long."""

    rule: RuleName
    for_s: Annotated[float, Meta(gt=0, le=SHELVE_S)]
    by: PersonName
    note: Words | None = None


class Pause(Struct, tag_field="do", tag="pause", forbid_unknown_fields=True, kw_only=True):
    """Nothing is to be raised, and what is open to be silent, for so long; every byte is logged."""

    for_s: Annotated[float, Meta(gt=0, le=PAUSE_S)]
    why: Words
    by: PersonName


class SetUpToday(Struct, tag_field="do", tag="setup", forbid_unknown_fields=True, kw_only=True):
    """How it is set up from now on; what is left out stays as it is. `point` is "" where the base stands over none of the list.

    The antenna height is vertical, or a slant with that antenna's radius and offset (`rules.site.antenna`).
    """

    point: Annotated[str, Meta(max_length=80)] | None = None
    antenna_height_m: Annotated[float, Meta(ge=0, le=MOST_M)] | None = None
    slant_m: Annotated[float, Meta(gt=0, le=MOST_M)] | None = None
    radius_m: Annotated[float, Meta(ge=0, le=MOST_M)] | None = None
    offset_m: Annotated[float, Meta(ge=-MOST_M, le=MOST_M)] | None = None
    pole_height_m: Annotated[float, Meta(ge=0, le=MOST_M)] | None = None
    by: PersonName


class CheckInNow(Struct, tag_field="do", tag="checkin", forbid_unknown_fields=True, kw_only=True):
    """The rover stands on `point`, now or within the minute."""

    point: Annotated[str, Meta(min_length=1, max_length=80)]
    by: PersonName


class SolvedIt(Struct, tag_field="do", tag="solved", forbid_unknown_fields=True, kw_only=True):
    """That was it: this step (1 is the first) of the alert by this rule and cause."""

    rule: RuleName
    cause: RuleName
    step: Annotated[int, Meta(ge=1, le=99)]
    by: PersonName


EXPECTED = {
    "do": "one of seen, shelve, pause, setup, checkin and solved",
    "rule": "a rule's name of at most 80 letters",
    "cause": "a cause's name of at most 80 letters",
    "step": "the step's number, 1 the first",
    "by": "a name of at most 60 letters",
    "note": "a note of at most 300 letters",
    "why": "why, in at most 300 letters",
    "for_s": f"a time over 0 and at most {SHELVE_S / 3600:.0f} h, or {PAUSE_S / 3600:.0f} h for a pause",
    "point": "a control point's name of at most 80 letters",
    "antenna_height_m": f"an antenna height of 0 to {MOST_M:g} m",
    "slant_m": f"a slant over 0 and at most {MOST_M:g} m",
    "radius_m": f"an antenna's radius of 0 to {MOST_M:g} m",
    "offset_m": f"an offset of −{MOST_M:g} to {MOST_M:g} m",
    "pole_height_m": f"a pole height of 0 to {MOST_M:g} m",
}
"""What each field of a request takes."""

_AT = re.compile(r" - at `\$\.(\w+)`")  # where msgspec says that a value is wrong

Request = Seen | ShelveRule | Pause | SetUpToday | CheckInNow | SolvedIt


class Refused(Exception):
    """What was asked cannot be done; the text says why, and what can."""


class Answer(Struct, kw_only=True, omit_defaults=True):
    """What was done, or why it was not, in a line."""

    done: str | None = None
    refused: str | None = None


def answer(said: bytes, post: PostView) -> Answer:
    """Do what a request says. Whatever the bytes are, this answers."""
    try:
        request = msgspec.json.decode(said, type=Request)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        return Answer(refused=expected(error))
    status = post.snapshot()
    if status is None:
        return Answer(refused="the post is only just starting; try again in a second")
    try:
        done = _done(request, post, status)
    except Refused as why:
        return Answer(refused=str(why))
    except TooMuchTold:
        return Answer(refused="too much is being told to the post; try again in a second")
    if not isinstance(request, Seen | CheckInNow):  # the alerts' own lines say by whom they were seen, a check-in's how it went
        post.say(done)
    return Answer(done=done)


def expected(error: Exception) -> str:
    """What was expected of a request that msgspec refuses."""
    at = _AT.search(str(error))
    if at is not None and at[1] in EXPECTED:
        return f"{at[1]}: expected {EXPECTED[at[1]]}"
    return "this is not a request that a post of this version understands"


def _done(request: Request, post: PostView, status: Status) -> str:
    t, by = post.now(), plain(request.by)
    if isinstance(request, Seen | ShelveRule | SolvedIt) and request.rule is not None:
        request = msgspec.structs.replace(request, rule=_rule(request.rule, post, status))
    if isinstance(request, SetUpToday):
        return _set_up(request, by, t, post, status.set_up)
    if isinstance(request, CheckInNow):
        return _check_in(request, by, t, post)
    if isinstance(request, SolvedIt):
        return _solved(request, by, t, post, status)
    if isinstance(request, Seen):
        note = plain(request.note) if request.note else None
        post.tell(Acknowledge(t=t, stream="", rule=request.rule, by=by, note=note))
        unseen = [alert for alert in status.alerts if alert.state != "acknowledged"]
        names = [alert.rule for alert in sorted(unseen, key=lambda alert: alert.because_of is not None)]  # worst first
        if request.rule is not None and request.rule not in {alert.rule for alert in status.alerts}:
            return f"seen by {by}: no alert of {request.rule} is open"
        what = (
            request.rule
            or ", ".join(dict.fromkeys(names))
            or ("all were seen already" if status.alerts else "no alert is open")
        )
        return f"seen by {by}: {what}{f' ({note})' if note else ''}"
    if isinstance(request, ShelveRule):
        note = plain(request.note) if request.note else None
        post.tell(Shelve(t=t, stream="", for_s=request.for_s, rule=request.rule, by=by, note=note))
        return f"shelved by {by} for {span(request.for_s)}: {request.rule}{f' ({note})' if note else ''}"
    why = plain(request.why)
    post.tell(Planned(t=t, stream="", for_s=request.for_s, why=why, by=by))
    if status.alerts:
        post.tell(Shelve(t=t, stream="", for_s=request.for_s, by=by, note=why))
    return f"paused by {by} for {span(request.for_s)} ({why}): nothing is raised meanwhile, unless the base is back and wrong"


def _set_up(request: SetUpToday, by: str, t: float, post: PostView, now: SetUpStatus) -> str:
    site = post.plan()
    point = now.point if request.point is None else request.point or None
    point = _mark(point, site) if point is not None else None
    slant: tuple[float | None, ...] = request.slant_m, request.radius_m, request.offset_m
    if request.slant_m is None and slant != (None, None, None):
        raise Refused("the antenna's radius and offset belong to a slant; expected one with them")
    height_m = request.antenna_height_m
    if request.slant_m is not None:
        if height_m is not None or request.radius_m is None:
            raise Refused("expected the antenna height either vertical, or as a slant with the antenna's radius")
        try:
            height_m = vertical_height_m(request.slant_m, request.radius_m, request.offset_m or 0.0)
        except HeightError as why:
            raise Refused(str(why)) from None
    elif height_m is None:
        height_m, slant = now.antenna_height_m, (now.slant_m, now.radius_m, now.offset_m)
    pole_m = now.pole_height_m if request.pole_height_m is None else request.pole_height_m
    fact = SetUp(
        t=t,
        stream="",
        point=point,
        antenna_height_m=round(height_m, 4),
        pole_height_m=pole_m,
        by=by,
        slant_m=slant[0],
        radius_m=slant[1],
        offset_m=slant[2],
    )
    post.tell(fact)
    status = SetUpStatus(planned=False, point=point, antenna_height_m=fact.antenna_height_m, pole_height_m=pole_m)
    return f"set up by {by}: {status.line}"


def _check_in(request: CheckInNow, by: str, t: float, post: PostView) -> str:
    site = post.plan()
    if site.post.role != "rover":
        raise Refused("this post stands at the base; check in at the rover's post")
    if not any("positions" in stream.carries for stream in site.stream):
        raise Refused("no stream of this post carries the rover's positions")
    if site.base.kind == "moving":
        raise Refused("with a moving base no control point can be judged")
    if site.rules.get("control-check", {}).get("off", False):
        raise Refused("the site file has switched control-check off")
    point = _mark(request.point, site)
    post.tell(CheckIn(t=t, stream="", point=point, by=by))
    return f"check-in on {point} by {by}: stand still, the pole plumb"


def _solved(request: SolvedIt, by: str, t: float, post: PostView, status: Status) -> str:
    rule, role = request.rule, post.plan().post.role
    causes = causes_of(rule)
    cause = meant(request.cause, causes)
    if cause is None:
        raise Refused(f"{rule} has no cause {plain(request.cause)!r}{_or_else(request.cause, causes)}")
    steps = steps_of(rule, cause, role)
    if request.step > len(steps):
        raise Refused(f"{rule}: {cause} has no step {request.step}; it has {len(steps) or 'none'}")
    if rule not in {*status.stood, *(alert.rule for alert in status.alerts)}:
        raise Refused(f"no alert of {rule} has stood in this run: nothing was solved")
    post.tell(Solved(t=t, stream="", rule=rule, cause=cause, step=steps[request.step - 1], by=by))
    return f"solved, says {by}: {rule}: {cause}, step {request.step}"


def _mark(typed: str, site: Site) -> str:
    """The control point that is meant."""
    names = [point.name for point in site.project.control] if site.project is not None else []
    point = meant(typed, names)
    if point is None:
        raise Refused(f"{plain(typed)} is none of the site file's control points{_or_else(typed, names)}")
    return point


def _rule(typed: str, post: PostView, status: Status) -> str:
    """The rule that is meant: one of the book, of the crew's own, or of what stands."""
    own = (rule.name for rule in post.plan().own_rule)
    names = list(dict.fromkeys([*(name for name, _ in ADVICE), *own, *(alert.rule for alert in status.alerts)]))
    rule = meant(typed, names)
    if rule is None:
        raise Refused(f"there is no rule {plain(typed)!r}{_or_else(typed, names)}")
    return rule


def _or_else(typed: str, names: list[str]) -> str:
    """How a refusal ends: with what can be named instead."""
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    there = ", ".join(names[:_NAMED]) or "none"
    return did_you_mean(typed, names) or f"; there are {there}{more}"
