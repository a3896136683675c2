"""What a rule is: it sees facts, and at any moment says what is wrong now. Delays, sounds and order are the engine's.

    facts ──see(fact)──► rule ──judge(t)──► findings ──► engine (on-delay, off-delay, because-of) ──► changes

One rule, one file in this folder: a docstring (what, when, causes, source), a `Figures` struct with every default, the
class. `rules.book.contents` lists them, `rules.book.advice` says what to tell the person standing in the rain.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, ClassVar

from msgspec import Struct
from witnesspost.rules.book.advice import advice
from witnesspost.rules.engine.scene import Scene
from witnesspost.rules.facts import Fact
from witnesspost.rules.finding import Cause, Finding
from witnesspost.rules.site.model import Severity, Site

__all__ = ["Cause", "Delays", "Finding", "Rule"]


class Delays(Struct, kw_only=True):
    """The figures that each rule has: how long a condition must hold, and how long it must be gone (seconds)."""

    on_delay_s: float = 0.0
    off_delay_s: float = 3.0


class Rule:
    """The base of each rule. `sees` names the facts it wants; `at` the roles it works at."""

    name: ClassVar[str]
    severity: ClassVar[Severity]
    at: ClassVar[tuple[str, ...]] = ("base", "rover")
    sees: ClassVar[tuple[type[Fact], ...]] = ()
    causes: ClassVar[tuple[str, ...]]
    Figures: ClassVar[type[Delays]] = Delays

    quiet_until: float = 0.0
    """Before this `t` the rule is sure to find no more than in its last `judge`, and is not asked where that was nothing. It
    says so in `judge`, and takes it back in `see`; all are asked again when an alert of another comes or goes."""

    def __init__(self, site: Site, figures: Any, scene: Scene):
        self.site = site
        self.figures = figures
        self.scene = scene

    def see(self, fact: Fact) -> None:
        """Take in one fact of the kinds in `sees`, in the order of arrival."""

    def judge(self, t: float) -> Iterable[Finding]:
        """What is wrong at `t`: called several times a second, so cheap when all is well."""
        raise NotImplementedError

    def take_events(self) -> list[tuple[float, str, dict[str, Any]]]:
        """What should be recorded beside alerts since the last call, as (t, kind, detail): a passed check, say."""
        return []

    def advice(self, finding: Finding) -> tuple[str, list[str]]:
        """The one line that says what is wrong, and the steps to check in order."""
        return advice(self.name, finding)
