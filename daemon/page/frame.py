"""What every tab has around it: the post's name, the state in a word, the ways to the other tabs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from witnesspost.daemon.page import words
from witnesspost.daemon.page.html import Html, Inside, join, tag

_REFRESH_S = 5


class Frame(NamedTuple):
    """What a whole page needs beside its inside. `tabs` are all, by address and title, `live` is the channel of its
    news, `state` the state in short, `token` what
    the forms in news are sent with, `leave` the way out; `refresh` where a phone without script is to load it again, `stale`
    where the watch is not heard and nothing may look current."""

    post: str
    address: str
    title: str
    state: Html
    tabs: Sequence[tuple[str, str]] = ()
    live: str = ""
    leave: Html | None = None
    foot: str = ""
    refresh: bool = False
    token: str = ""
    stale: bool = False


def whole(frame: Frame, *inside: Inside) -> Html:
    """A whole page."""
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", name="color-scheme", content="light dark"),
        tag("title", f"{frame.title} · {frame.post}"),
        tag("link", rel="icon", href="data:,"),
        tag("link", rel="stylesheet", href="/style.css"),
        tag("script", src="/script.js", defer=True),
        tag("noscript", tag("meta", http_equiv="refresh", content=_REFRESH_S)) if frame.refresh else None,
    )
    body = tag(
        "body",
        tag("a", words.SKIP, href="#main", class_="skip"),
        tag("header", tag("p", frame.post, class_="post"), frame.state, class_="top"),
        tag("main", *inside, id="main"),
        _nav(frame) if frame.tabs else None,
        tag("footer", tag("p", frame.foot)) if frame.foot else None,
        class_="stale" if frame.stale else None,
        data_live=frame.live or None,
        data_token=frame.token or None,
        data_unheard=words.UNHEARD.replace("{seconds:.0f}", "{n}"),
    )
    return Html(f"<!doctype html>\n{tag('html', head, body, lang=words.speech().language)}\n")


def _nav(frame: Frame) -> Html:
    links = [
        tag("a", title, href=address, aria_current="page" if address == frame.address else None)
        for address, title in frame.tabs
    ]
    return tag("nav", join(*links), frame.leave, aria_label=words.PLACES)
