"""What a person may tell the running post over its socket: checked here, and handed to the rules as a fact.

{"do": "seen", "rule": "sky", "by": "Kim", "note": "tree"}
{"do": "shelve", "rule": "sky", "for_s": 600, "by": "Kim", "note": null}
{"do": "pause", "for_s": 300, "why": "battery", "by": "Kim"}
"""

from __future__ import annotations

from typing import Annotated

import msgspec
from msgspec import Meta, Struct
from witnesspost.daemon.companion import PostView, TooMuchTold
from witnesspost.daemon.lines import span
from witnesspost.daemon.screen import plain
from witnesspost.daemon.status.snapshot import Status
from witnesspost.rules.book.words import ADVICE
from witnesspost.rules.facts import Acknowledge, Planned, Shelve

SHELVE_S = 86_400.0  # longer is to be said in the site file, where everybody sees it: common practice, no source
PAUSE_S = 3_600.0  # a battery change takes minutes; nothing is raised meanwhile

RuleName = Annotated[str, Meta(min_length=1, max_length=80)]
PersonName = Annotated[str, Meta(min_length=1, max_length=60)]
Words = Annotated[str, Meta(min_length=1, max_length=300)]


class Seen(Struct, tag_field="do", tag="seen", forbid_unknown_fields=True, kw_only=True):
    """The alerts of `rule` (None: all) have been seen."""

    rule: RuleName | None = None
    by: PersonName
    note: Words | None = None


class ShelveRule(Struct, tag_field="do", tag="shelve", forbid_unknown_fields=True, kw_only=True):
    """`rule` is to be silent for so long."""

    rule: RuleName
    for_s: Annotated[float, Meta(gt=0, le=SHELVE_S)]
    by: PersonName
    note: Words | None = None


class Pause(Struct, tag_field="do", tag="pause", forbid_unknown_fields=True, kw_only=True):
    """Nothing is to be raised, and what is open to be silent, for so long; every byte is logged."""

    for_s: Annotated[float, Meta(gt=0, le=PAUSE_S)]
    why: Words
    by: PersonName


Request = Seen | ShelveRule | Pause


class Answer(Struct, kw_only=True, omit_defaults=True):
    """What was done, or why it was not, in a line."""

    done: str | None = None
    refused: str | None = None


def answer(said: bytes, post: PostView) -> Answer:
    """Do what a request says. Whatever the bytes are, this answers."""
    try:
        request = msgspec.json.decode(said, type=Request)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        return Answer(refused=f"no request of this version: {plain(str(error))[:200]}")
    status = post.snapshot()
    if status is None:
        return Answer(refused="the post is only just starting; try again in a second")
    rule = None if isinstance(request, Pause) else request.rule
    if rule is not None and not _known(rule, status):
        raised = ", ".join(sorted({alert.rule for alert in status.alerts})) or "none"
        return Answer(refused=f"there is no rule {plain(rule)!r}; with open alerts: {raised}")
    try:
        done = _done(request, post, status)
    except TooMuchTold:
        return Answer(refused="too much is being told to the post; try again in a second")
    post.say(done)
    return Answer(done=done)


def _done(request: Request, post: PostView, status: Status) -> str:
    t, by = post.now(), plain(request.by)
    if isinstance(request, Seen):
        note = plain(request.note) if request.note else None
        post.tell(Acknowledge(t=t, stream="", rule=request.rule, by=by, note=note))
        names = {alert.rule for alert in status.alerts if alert.state != "acknowledged"}
        what = request.rule or ", ".join(sorted(names)) or "all that is open"
        return f"seen by {by}: {what}{f' ({note})' if note else ''}"
    if isinstance(request, ShelveRule):
        note = plain(request.note) if request.note else None
        post.tell(Shelve(t=t, stream="", for_s=request.for_s, rule=request.rule, by=by, note=note))
        return f"shelved by {by} for {span(request.for_s)}: {request.rule}{f' ({note})' if note else ''}"
    why = plain(request.why)
    post.tell(Planned(t=t, stream="", for_s=request.for_s, why=why, by=by))
    if status.alerts:
        post.tell(Shelve(t=t, stream="", for_s=request.for_s, by=by, note=why))
    return f"paused by {by} for {span(request.for_s)} ({why}): nothing is raised meanwhile, every byte is logged"


def _known(rule: str, status: Status) -> bool:
    return any(rule == name for name, _ in ADVICE) or any(rule == alert.rule for alert in status.alerts)
