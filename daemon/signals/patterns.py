"""What the post's light and sound say: rhythms told apart by counting and by length, never by colour or pitch.

Patterns are data. None of them is the pattern of another alarm that people are trained to obey (three even tones and a
rest, four quick tones and a rest, a distress call): they are this post's own, common practice, no source.
"""

from __future__ import annotations

from typing import Final, Literal

from msgspec import Struct
from witnesspost.daemon.state import State

PASSED: Final = "check-in passed"
Said = State | Literal["check-in passed"]
"""The post's states, and the one sign that shows for a moment while one of them goes on."""


class Rhythm(Struct, frozen=True):
    """`beats_ms`: how long on, off, on, off …, in milliseconds; played `times` times, or for ever (None)."""

    beats_ms: tuple[int, ...]
    times: int | None = None

    @property
    def turns(self) -> int:
        """How often it is played where it is played once."""
        return 1 if self.times is None else self.times

    @property
    def period_ms(self) -> int:
        """One turn of the rhythm, in milliseconds."""
        return sum(self.beats_ms)

    def state_after(self, since_ms: int) -> tuple[bool, int | None]:
        """On or off `since_ms` after the beginning, and the milliseconds to the next change (None: never again)."""
        if self.times is not None and since_ms >= self.times * self.period_ms:
            return False, None
        turn, left = divmod(since_ms, self.period_ms)
        for index, beat in enumerate(self.beats_ms):
            if left < beat:
                on = index % 2 == 0
                last = self.times is not None and turn == self.times - 1 and index == len(self.beats_ms) - 1
                return on, None if last and not on else beat - left
            left -= beat
        raise AssertionError("a rhythm's beats are shorter than their own sum")


class Pattern(Struct, frozen=True):
    """One thing that the post can say: in words, to the eye, and to the ear (None: no sound)."""

    meaning: str
    seen: str
    heard: str
    light: Rhythm | None
    sound: Rhythm | None


PASSED_LIGHT = Rhythm((150, 250, 150, 250, 900, 1300), times=2)

PATTERNS: dict[Said, Pattern] = {
    "dark": Pattern(
        meaning="No power, or the service is not running. Nothing is watched and nothing is logged.",
        seen="dark",
        heard="silence",
        light=None,
        sound=None,
    ),
    "starting": Pattern(
        meaning="Starting: not every port is open yet.",
        seen="quick, even flicker",
        heard="two chirps, once: the buzzer works",
        light=Rhythm((200, 200)),
        sound=Rhythm((80, 120, 80, 120), times=1),
    ),
    "well": Pattern(
        meaning="All is well: listening, judging and logging.",
        seen="one short flash every three seconds",
        heard="one chirp, once, when it becomes so",
        light=Rhythm((150, 2850)),
        sound=Rhythm((80, 120), times=1),
    ),
    PASSED: Pattern(
        meaning="The rover stood on a control point, and what it read there is right. Nothing worse stands.",
        seen="two short flashes and a long one, twice, then as before",
        heard="silence",
        light=PASSED_LIGHT,
        sound=None,
    ),
    "past": Pattern(
        meaning="A stop alarm was raised and is over, and nobody has pressed the button yet. Ask which points were stored.",
        seen="two long flashes every four seconds",
        heard="silence",
        light=Rhythm((900, 400, 900, 1800)),
        sound=None,
    ),
    "note": Pattern(
        meaning="There is something to know. Go on.",
        seen="two short flashes every three seconds",
        heard="two short beeps, once",
        light=Rhythm((150, 250, 150, 2450)),
        sound=Rhythm((150, 250, 150, 250), times=1),
    ),
    "check": Pattern(
        meaning="Look before you go on.",
        seen="three short flashes every three seconds",
        heard="three short beeps every twenty seconds, until the button is pressed",
        light=Rhythm((150, 250, 150, 250, 150, 2050)),
        sound=Rhythm((150, 250, 150, 250, 150, 19050)),
    ),
    "stop": Pattern(
        meaning="Stop: do not store points.",
        seen="long, short, long, short, without a rest",
        heard="long, short, long, short, until the button is pressed",
        light=Rhythm((800, 200, 200, 300)),
        sound=Rhythm((800, 200, 200, 300)),
    ),
    "fault": Pattern(
        meaning="The post itself is in trouble: the site file is wrong, or the watch has stalled. Bytes are logged "
        "if at all possible; nothing is judged.",
        seen="on, with a short dark blink every three seconds",
        heard="one very long tone a minute, until the button is pressed",
        light=Rhythm((2750, 250)),
        sound=Rhythm((2000, 58000)),
    ),
}
