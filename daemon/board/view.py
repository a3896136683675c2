"""The board as HTML: the worst first, in the crew's page's own signs and boxes."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping

from witnesspost.daemon.board.posts import Post, Posts, counted, shown
from witnesspost.daemon.page.html import Html, tag
from witnesspost.daemon.page.live import Parts
from witnesspost.daemon.page.signs import sign

MOST_SHOWN = 500
WORDS: Mapping[str, str] = {"past": "stop over, not seen", "unheard": "not heard"}
_SIGNS: Mapping[str, str] = {"gone": "unheard"}


def parts(posts: Posts, link: str | None, now: float, utc: dt.datetime, silent_s: float) -> Parts:
    """What lives on the board. `link` is why the broker is not heard; `utc` is the time at `now`."""
    found = posts.ordered(now, silent_s)
    inside = [_row(key, post, now, utc) for key, post in found[:MOST_SHOWN]]
    rest = counted(found[MOST_SHOWN:])
    lines = [f"Below these stand {_counts(rest)}."] if rest else []
    lines += [f"No room here for {posts.more} more."] if posts.more else []
    lines += [f"Messages that no post would send: {posts.unreadable}."] if posts.unreadable else []
    lines += [] if found else ["No post has spoken yet."]
    return {
        "state": _head(found[0][0] if found else "starting", counted(found), link),
        "posts": tag("section", *inside, *(tag("p", line) for line in lines), id="posts"),
    }


def _head(worst: str, counts: Mapping[str, int], link: str | None) -> Html:
    key = "unheard" if link is not None else _SIGNS.get(worst, worst)
    word = "Broker not heard" if link is not None else (_counts(counts) or "No posts")
    why = tag("p", f"{link[:1].upper()}{link[1:]}. What stands below is as it was last heard.") if link is not None else None
    title = tag("h1", sign(key), tag("span", word), class_="long")
    return tag("section", title, why, id="state", class_=f"state is-{key}", aria_live="polite", data_state=key)


def _counts(counts: Mapping[str, int]) -> str:
    return " · ".join(f"{count} {WORDS.get(key, key)}" for key, count in counts.items())


def _row(key: str, post: Post, now: float, utc: dt.datetime) -> Html:
    said, kind = post.said, _SIGNS.get(key, key)
    say = f" {shown(said.say)}" if said is not None and said.say and key not in ("well", "starting") else ""
    head = tag("summary", sign(kind), tag("span", tag("b", WORDS.get(key, key)), f" {post.name}", say or None))
    lines = [_heard(post, now, utc)]
    if post.is_twice(now):
        lines.append("Two posts have this name: give one of them another post.name.")
    if said is not None:
        since = _since(post, now, utc)
        lines += [f"Since {since}."] if since is not None and say else []
        if said.check is not None:
            result = "passed" if said.check.passed else "did not pass"
            lines.append(
                f"Last check-in {shown(said.check.point)}, {_clock(said.check.utc)}: {result} ({shown(said.check.offset)})."
            )
        else:
            lines.append("No check-in since it started.")
        ready = "Ready for work" if said.ready else f"Not ready: {', '.join(shown(one) for one in said.missing)}"
        lines.append(f"{ready}. At the {shown(said.role)}, version {shown(said.version)}.")
        lines += [shown(problem) for problem in said.problems]
    opened = key in ("stop", "fault", "check", "gone", "unheard") or post.is_twice(now)
    rows = [tag("p", line, class_="since") for line in lines]
    return tag("details", head, *rows, class_=f"other is-{kind}", id=f"post-{post.name}", open=opened)


def _heard(post: Post, now: float, utc: dt.datetime) -> str:
    """To the minute: a line that changed each second would be sent each second."""
    if post.heard_at is not None:
        return f"Last heard {_local(utc - dt.timedelta(seconds=now - post.heard_at))}."
    if post.said is not None and post.said.utc:
        return f"Not heard since this board listens; it last said how it is at {_clock(post.said.utc)}."
    return "Not heard since this board listens."


def _since(post: Post, now: float, utc: dt.datetime) -> str | None:
    """As the post's receiver says the time; where none has, counted back by this computer's clock."""
    if post.said is not None and post.said.since_utc:
        return _clock(post.said.since_utc)
    return None if post.since_at is None else _local(utc - dt.timedelta(seconds=now - post.since_at))


def _clock(text: str | None) -> str:
    """An instant that a post says, in the office's own time; as it stands where it is none."""
    try:
        return _local(dt.datetime.fromisoformat(text)) if text else "at a time that no receiver has said"
    except (ValueError, OverflowError):
        return shown(text)


def _local(utc: dt.datetime) -> str:
    return f"{utc.astimezone():%Y-%m-%d %H:%M}"
