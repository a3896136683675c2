"""Help: what each light and sound means, drawn in time; the caution; what this post cannot know."""

from __future__ import annotations

from microdot.microdot import Request
from witnesspost.daemon.page import words
from witnesspost.daemon.page.html import Html, join, tag
from witnesspost.daemon.page.live import Parts
from witnesspost.daemon.page.sight import Sight
from witnesspost.daemon.page.signs import sign
from witnesspost.daemon.page.tab import Form, Tab
from witnesspost.daemon.page.timelines import timeline
from witnesspost.daemon.signals.patterns import PATTERNS, Rhythm
from witnesspost.daemon.state import WORDS


class Help(Tab):
    """The tab itself."""

    address = "/help"
    title = "HELP"

    def parts(self, sight: Sight, form: Form) -> Parts:
        """Nothing of it lives."""
        return {}

    async def rest(self, request: Request, sight: Sight, form: Form) -> Html | None:
        """All of it."""
        patterns = []
        for state, pattern in PATTERNS.items():
            word = words.phrase(WORDS.get(state, state))
            name = tag("h2", sign(state) if state != "dark" else None, tag("span", word), class_="kind")
            lines = [
                tag("p", words.phrase(pattern.meaning)),
                _row(words.LIGHT, words.phrase(pattern.seen), pattern.light),
                _row(words.SOUND, words.phrase(pattern.heard), pattern.sound),
            ]
            patterns.append(tag("li", name, *lines))
        return join(
            tag("p", words.HELP_COUNT),
            tag("ul", *patterns, class_="patterns"),
            tag("h2", words.PHONE),
            *(tag("p", line) for line in words.PHONE_LINES),
            tag("h2", words.BLIND),
            tag("ul", *(tag("li", line) for line in words.BLIND_LINES), class_="told"),
            tag("h2", words.CAUTION),
            tag("ul", *(tag("li", line) for line in words.CAUTION_LINES), class_="told"),
        )


def _row(what: str, said: str, rhythm: Rhythm | None) -> Html:
    return tag("div", tag("p", tag("b", what), f" {said}"), timeline(rhythm), class_="pattern")
