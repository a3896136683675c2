"""What is known of all posts by what they say to the broker. No clock, no thread: the moment is an argument.

Whatever comes over a broker may come from anybody: bounded in size and number, and nothing in it believed but as words.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Annotated, Any

import msgspec
from msgspec import Meta, Struct
from witnesspost.daemon.screen import plain

MOST_POSTS = 700  # some 200 more than are shown
MOST_BYTES = 65_536  # of one message
MOST_KEPT_BYTES = 8_192  # of what is kept of it, as UTF-8; in memory a text takes up to four times as much
FORGET_S = 7 * 86400.0
TWICE_S = 180.0  # posts of one name that both spoke within so long
_LATE_S = 5.0
_MOST_BOOTS = 4
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]{0,39}")
_LETTERS = 500  # of a sentence that is shown
_LINES = 10  # of a list that is shown

Text = Annotated[str, Meta(max_length=8_000)]

ORDER = ("stop", "fault", "check", "gone", "unheard", "past", "note", "starting", "well")
"""The states of a post, worst first: its own, `gone` (the broker has lost it, or it was stopped) and `unheard`."""
_KEYS: Mapping[str, str] = {"stop over, not seen": "past", "dark": "starting"}


class CheckSaid(Struct, kw_only=True):
    """The last check on a control point, as a post says it."""

    point: Text
    passed: bool
    utc: Text | None = None
    offset: Text = ""


class StateSaid(Struct, kw_only=True):
    """A state, as a post says it (`daemon.publish.messages`)."""

    state: Text
    role: Text = ""
    boot: Text = ""
    utc: Text | None = None
    since_utc: Text | None = None
    for_s: Annotated[float, Meta(ge=0.0, le=1e9)] | None = None
    say: Text = ""
    rule: Text | None = None
    version: Text = ""
    ready: bool = False
    missing: list[Text] = []
    check: CheckSaid | None = None
    problems: list[Text] = []


class Post:
    """One post: its last `said`, None while only its end was heard. `heard_at` is when it last spoke, by the board's clock;
    None where all was said before the board listened. `known_at` is when the board first knew of it, `since_at` since when the
    alert that it tells first has stood, None where its words came too late to count back from."""

    def __init__(self, name: str, now: float):
        self.name = name
        self.known_at = now
        self.said: StateSaid | None = None
        self.heard_at: float | None = None
        self.since_at: float | None = None
        self.gone = False
        self.twice_at: float | None = None
        self._boots: dict[str, float] = {}

    @property
    def last_at(self) -> float:
        """When it last spoke; where all was said before, when the board first knew of it."""
        return self.known_at if self.heard_at is None else self.heard_at

    def key(self, now: float, silent_s: float) -> str:
        """How it is, one of ORDER."""
        if self.gone or self.said is None:
            return "gone"
        if now - self.last_at >= silent_s:
            return "unheard"
        key = _KEYS.get(self.said.state, self.said.state)
        return key if key in ORDER else "starting"

    def is_twice(self, now: float) -> bool:
        """True where two posts of this name speak in turn."""
        return self.twice_at is not None and now - self.twice_at < TWICE_S

    def hear(self, said: StateSaid, now: float, *, kept: bool) -> None:
        """A state; `kept` where the broker had kept it."""
        before = self.said.boot if self.said is not None else ""
        if said.boot != before and now - self._boots.get(said.boot, -TWICE_S) < TWICE_S and not kept:
            self.twice_at = now  # it was this one, then another, and is this one again: no post starts anew into its own past
        self._boots.pop(said.boot, None)
        self._boots[said.boot] = now
        while len(self._boots) > _MOST_BOOTS:
            del self._boots[next(iter(self._boots))]
        if not kept:
            since_at = now - said.for_s if said.for_s is not None else None
            if since_at is None or self.since_at is None or abs(since_at - self.since_at) > _LATE_S:
                self.since_at = since_at  # else the same, counted back from a message that came more or less late
        elif self.said is None or (said.boot, said.rule, said.since_utc) != (before, self.said.rule, self.said.since_utc):
            self.since_at = None
        self.said, self.gone = said, False


class Posts:
    """All posts under `topic`. `more` counts those that found no room, `unreadable` messages that no post would send."""

    def __init__(self, topic: str):
        self.unreadable = 0
        self._topic = topic
        self._posts: dict[str, Post] = {}
        self._refused: set[str] = set()

    @property
    def more(self) -> int:
        """Posts that found no room; as many as there is room for, at most."""
        return len(self._refused)

    def hear(self, topic: str, payload: bytes, now: float, *, kept: bool) -> None:
        """A message at `now`; `kept` where the broker had kept it from before."""
        place, _, kind = topic.rpartition("/")
        base, _, name = place.rpartition("/")
        if base != self._topic or not _NAME.fullmatch(name) or kind not in ("state", "minute") or len(payload) > MOST_BYTES:
            self.unreadable += 1
            return
        post = self._posts.get(name)
        if post is None:
            self._forget(now)
            if len(self._posts) >= MOST_POSTS:
                if len(self._refused) < MOST_POSTS:
                    self._refused.add(name)
                return
            post = Post(name, now)
        if kind == "state":
            try:
                said = _kept(msgspec.json.decode(payload, type=StateSaid))
            except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
                self.unreadable += 1
                return
            if len(msgspec.json.encode(said)) > MOST_KEPT_BYTES:
                self.unreadable += 1
                return
            if said.state == "gone":
                post.gone = True
            else:
                post.hear(said, now, kept=kept)
        self._posts[name] = post
        self._refused.discard(name)
        if not kept and not post.gone:
            post.heard_at = now

    def ordered(self, now: float, silent_s: float) -> list[tuple[str, Post]]:
        """Each with its key, worst first, then by name. Whoever was not heard for FORGET_S is forgotten."""
        self._forget(now)
        found = [(post.key(now, silent_s), post) for post in self._posts.values()]
        return sorted(found, key=lambda one: (ORDER.index(one[0]), one[1].name))

    def _forget(self, now: float) -> None:
        self._posts = {name: post for name, post in self._posts.items() if now - post.last_at < FORGET_S}


def counted(found: Iterable[tuple[str, Post]]) -> dict[str, int]:
    """How many there are of each key, worst first."""
    counts = dict.fromkeys(ORDER, 0)
    for key, _ in found:
        counts[key] += 1
    return {key: count for key, count in counts.items() if count}


def _kept(said: StateSaid) -> StateSaid:
    """What can be shown of it; the rest would only fill the memory."""
    lists = {key: [shown(one) for one in getattr(said, key)[:_LINES]] for key in ("missing", "problems")}
    check = said.check and msgspec.structs.replace(said.check, **_short(said.check))
    return msgspec.structs.replace(said, **_short(said), **lists, check=check)


def _short(table: Struct) -> dict[str, str]:
    return {key: shown(value) for key, value in msgspec.structs.asdict(table).items() if isinstance(value, str)}


def shown(text: Any) -> str:
    """Words from afar, on one line and of a length that a page bears."""
    text = str(text)
    return plain(text if len(text) <= _LETTERS else f"{text[: _LETTERS - 1]}…")
