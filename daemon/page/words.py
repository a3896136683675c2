"""The page's own words, in the language of whoever is answered: `words.NOW` is the text of that name in `english`, translated.

A thread or a task speaks one language from `speak` on; what it starts speaks the same (contextvars).
"""

from __future__ import annotations

from contextvars import ContextVar
from typing import TYPE_CHECKING, Any

from witnesspost.daemon.page import english
from witnesspost.rules.language.speech import ENGLISH, Speech

if TYPE_CHECKING:
    from witnesspost.daemon.page.english import *  # noqa: F403 - the names that __getattr__ gives

CONTEXT = "page"

_speech: ContextVar[Speech] = ContextVar("speech", default=ENGLISH)


def speak(language: str) -> None:
    """From here on, this thread or task and what it starts."""
    _speech.set(Speech.of(language))


def speech() -> Speech:
    """What is spoken here."""
    return _speech.get()


def phrase(text: str) -> str:
    """A text that is not the page's own: a state's word, a line of the snapshot, an answer."""
    return _speech.get().phrase(text)


def __getattr__(name: str) -> Any:
    if name.startswith("_") or not name.isupper():
        raise AttributeError(name)
    return _said(getattr(english, name), _speech.get())


def _said(what: Any, spoken: Speech) -> Any:
    if isinstance(what, str):
        return spoken.text(CONTEXT, what)
    if isinstance(what, tuple):
        return tuple(_said(one, spoken) for one in what)
    return {key: _said(one, spoken) for key, one in what.items()}
