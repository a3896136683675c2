"""What a rule is: it sees facts, and at any moment says what is wrong now. Delays, sounds and order are the engine's.

    facts ──see(fact)──► rule ──judge(t)──► findings ──► engine (on-delay, off-delay, because-of) ──► changes

One rule, one file in `rules/book`: what it judges, its figures with every default, and for each cause the line and the steps
that a person reads. `rules.book.contents` lists them; `rules.book.words` makes the words.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, ClassVar, Generic, Protocol, TypeVar

from msgspec import Struct
from witnesspost.rules.advice import Advice
from witnesspost.rules.engine.scene import Scene
from witnesspost.rules.facts import Fact, Fix
from witnesspost.rules.finding import Cause, Finding
from witnesspost.rules.site.model import Severity, Site

__all__ = ["Advice", "Cause", "Delays", "Finding", "Rule"]


class Delays(Struct, kw_only=True):
    """The figures that each rule has: how long a condition must hold, and how long it must be gone (seconds)."""

    on_delay_s: float = 0.0
    off_delay_s: float = 3.0


class HasDelays(Protocol):
    """Figures of any kind: `Delays`, or a table of the site file that has both."""

    on_delay_s: float
    off_delay_s: float


FiguresT = TypeVar("FiguresT", bound=HasDelays)


class Rule(Generic[FiguresT]):
    """The base of each rule. `sees` names the facts it wants, `roles` where it works; `causes` has the words of each; `needs`
    names the rules whose judgement it asks the scene for.

    `can_wait` where positions that go on as before (`rules.engine.stretch`) may be told late and together, by `see_positions`;
    any other rule that sees positions is told each as it comes. A `Tilt` of a pole that stays plumb may be told before them.

    `absence_explains` where an announced interruption explains what it finds (silence, a fix that is lost); not where that is
    on the air: such a rule waits only until corrections have been back for a while (`Scene.holds`).

    `site` is as it holds now: another one after a `SetUp`, which a rule that keeps something of the site has in `sees`.
    """

    name: str
    severity: Severity
    roles: ClassVar[tuple[str, ...]] = ("base", "rover")
    sees: tuple[type[Fact], ...] = ()
    needs: ClassVar[tuple[str, ...]] = ()
    can_wait: bool = False
    absence_explains: ClassVar[bool] = True
    causes: ClassVar[dict[str, Advice]]
    Figures: ClassVar[type[Delays]] = Delays

    def __init__(self, site: Site, figures: FiguresT, scene: Scene):
        self.site = site
        self.figures = figures
        self.scene = scene
        self.begin()

    def begin(self) -> None:
        """The state that the rule keeps, as it is before any fact."""

    def see(self, fact: Fact) -> bool | None:
        """Take in one fact of the kinds in `sees`, in the order of arrival.

        True where `due` says now what it would have said before the fact, or something later: then the engine does not ask it.
        """
        return None

    def see_positions(self, fixes: Sequence[Fix]) -> bool | None:
        """As `see` of one after the other, of a rule that can wait: one or several, of which each goes on as the one before.

        Several differ in where, when and the age of corrections alone. It is `FRESH_S` at most, and they are `OFTEN_S` apart.
        """
        raise NotImplementedError

    def judge(self, t: float) -> Iterable[Finding]:
        """What is wrong at `t`: called several times a second, so cheap when all is well."""
        return ()

    def due(self) -> float:
        """The first `t` at which `judge` could find something if nothing more came: before it the rule is not asked.

        Worked out from what was seen, and asked anew once a fact has come of which `see` does not say True, and after each
        `judge`: what the answer rests on, the scene's too, must come from facts of `sees`. When the active rules change, each
        rule is judged anew. 0.0 (always asked) where the rule cannot tell, infinity where only a fact can change it.
        """
        return 0.0

    def take_events(self) -> list[tuple[float, str, dict[str, Any]]]:
        """What should be recorded beside alerts since the last call, as (t, kind, detail): a passed check, say."""
        return []
