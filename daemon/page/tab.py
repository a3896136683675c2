"""What a tab is: an address with its title, parts that live, the rest that does not, and what its forms do."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple, Protocol

from microdot.microdot import Microdot, Request
from witnesspost.daemon.page import words
from witnesspost.daemon.page.forms import Refused
from witnesspost.daemon.page.gate import Session
from witnesspost.daemon.page.html import Html
from witnesspost.daemon.page.live import Parts
from witnesspost.daemon.page.sight import Sight


class Form(NamedTuple):
    """What the forms of one answer are made with: their token, the name that this phone gave last, and what it has just sent
    that could not be taken. Those in news have none of it: the phone fills them in."""

    token: str = ""
    by: str = ""
    kept: Mapping[str, str] = {}


class Tab(Protocol):
    """One tab of the page."""

    address: str
    title: str
    """The name of its title among the words."""

    def goes_on(self, sight: Sight) -> bool:
        """True while a phone without script is to load it again by itself, which takes away what is being written there: not
        where it tells of what has been, or has a form in it."""
        return False

    def parts(self, sight: Sight, form: Form) -> Parts:
        """What is told to the phones when it changes, by the ids of the elements, from the top down."""

    async def rest(self, request: Request, sight: Sight, form: Form) -> Html | None:
        """What stands below."""

    def act(self, fields: dict[str, str], session: Session, sight: Sight) -> str:
        """Do what a form says: what was done, in a line; "" where `parts` say it. Raises Refused, without a form always."""
        raise Refused(words.NOTHING_CHOSEN)

    def route(self, routes: Microdot) -> None:
        """Answer at addresses below its own, where there are any."""
        return
