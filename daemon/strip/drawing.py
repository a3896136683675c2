"""A day's picture: SVG 1.1, time downwards, its lanes side by side, so that it is read on a phone and printed on a page.

    14:00 ┤ fix │ corrections │ age │ alerts, with their clock

Wide is bad, in the lane of the fix: whoever sees no colour sees where it was lost. Of a lane of corrections the ink is what
came. Every text is escaped; what it looks like is STYLE, in the colours of the screen or of paper.
"""

from __future__ import annotations

import html
import math
from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple

from witnesspost.daemon.strip.strip import HOUR_S, FixKind, Level, Strip

WIDTH = 320.0
HOUR = 50.0  # of height: 44 px on the narrowest phone, which is what a thumb needs
MOST_AGE_S = 10.0
_STEP_S = 300.0  # of a lane's ink
_TOP = 26.0
_LEFT = 50.0
_LANE = 26.0
_BETWEEN = 15.0
_TRACK = 7.0
_TRACKS = 3
_LINE = 17.0
_LEAST = 2.5  # of height, so that what was short is seen
_WIDE: dict[FixKind, float] = {"fixed": 8.0, "float": 17.0, "unfixed": 26.0, "none": 26.0}

STYLE = """
.strip { width: 100%; height: auto; max-width: 30rem; display: block;
  --s-ink: #14171a; --s-soft: #43484d; --s-rule: #b9bec2; --s-good: #0b5a33; --s-float: #8a5a00; --s-bad: #a3001b;
  --s-check: #8a5a00; --s-note: #0a4a8a; --s-off: #d9dcde; --s-paper: #ffffff; }
@media (prefers-color-scheme: dark) { .strip {
  --s-ink: #f4f4f0; --s-soft: #c3c8cc; --s-rule: #4a5157; --s-good: #5fd39a; --s-float: #ffc21a; --s-bad: #ff7c88;
  --s-check: #ffc21a; --s-note: #7fb8ff; --s-off: #2a2f34; --s-paper: #0e1012; } }
.strip text { font: 14px system-ui, "Segoe UI", Roboto, "Noto Sans", "DejaVu Sans", sans-serif; fill: var(--s-ink);
  font-variant-numeric: tabular-nums; paint-order: stroke; stroke: var(--s-paper); stroke-width: 4px; stroke-linejoin: round; }
.strip .title { font-weight: 600; font-size: 13px; }
.strip .hour { stroke: var(--s-rule); stroke-width: 1; }
.strip tspan.check { fill: var(--s-check); }
.strip .fixed, .strip .came, .strip .passed { fill: var(--s-good); }
.strip .float { fill: var(--s-float); }
.strip .unfixed, .strip .stop, .strip .failed { fill: var(--s-bad); }
.strip .none { fill: none; stroke: var(--s-bad); stroke-width: 1.5; stroke-dasharray: 3 2; }
.strip .age { fill: var(--s-soft); }
.strip .late { fill: var(--s-bad); }
.strip .check { fill: var(--s-check); }
.strip .note { fill: var(--s-note); }
.strip .off { fill: var(--s-off); }
.strip .gap { fill: var(--s-bad); }
.strip .now { stroke: var(--s-ink); stroke-width: 2.5; }
.strip .lead { stroke: var(--s-soft); stroke-width: 1; fill: none; }
.strip .word { font-weight: 650; }
.strip .touch { fill: transparent; }
.strip a:hover .touch, .strip a:focus .touch { fill: var(--s-ink); fill-opacity: .12; }
.strip a:focus { outline: none; }
.strip .chosen { fill: none; stroke: var(--s-ink); stroke-width: 2.5; }
"""


class Titles(NamedTuple):
    """What stands over the lanes, and what the picture is called, in the reader's language."""

    picture: str
    fix: str
    corrections: str
    age: str
    off: str
    severities: dict[str, str]


class Touch(NamedTuple):
    """Each hour as a link: to `address` with the hour's key; `chosen` is the key of the one that is shown."""

    address: str
    title: str
    chosen: str | None = None


def picture(strip: Strip, titles: Titles, *, newest_first: bool = True, touch: Touch | None = None) -> str:
    """The strip as one SVG element."""
    return _Drawing(strip, titles, newest_first).drawn(touch)


class _Drawing:
    def __init__(self, strip: Strip, titles: Titles, newest_first: bool):
        self._strip = strip
        self._titles = titles
        self._newest_first = newest_first
        self._height = strip.hours * HOUR
        x = _LEFT
        self._lanes: dict[str, float] = {}
        for lane, there in (("fix", strip.has_fix), ("corrections", bool(strip.corrections_on)), ("age", strip.has_fix)):
            if there:
                self._lanes[lane] = x
                x += _LANE + _BETWEEN
        self._alerts_x = x
        self._lanes_end = x + _TRACKS * _TRACK
        self._labels_x = self._lanes_end + 14

    def drawn(self, touch: Touch | None) -> str:
        height = self._height + _TOP + 6
        inside = [*self._scale(), *self._off(), *self._fix(), *self._corrections(), *self._age(), *self._alerts()]
        if touch is not None:
            inside += self._chosen(touch)
        inside += self._labels()
        if touch is not None:
            inside += self._touches(touch)
        named = f'<title id="strip-title">{html.escape(self._titles.picture)}</title>'
        role = "group" if touch is not None else "img"
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" class="strip" viewBox="0 0 {_n(WIDTH)} {_n(height)}" role="{role}" '
            'aria-labelledby="strip-title">'
        )
        return f"{head}{named}{''.join(inside)}</svg>"

    def _y(self, at_s: float) -> float:
        down = at_s / HOUR_S * HOUR
        return _TOP + (self._height - down if self._newest_first else down)

    def _box(self, x: float, width: float, from_s: float, to_s: float, least: float = 0.0) -> tuple[float, float, float, float]:
        """x, y, width and height."""
        top, bottom = sorted((self._y(max(0.0, from_s)), self._y(min(self._strip.lasts_s, to_s))))
        return x, top, width, max(least, bottom - top)

    def _across(self, from_s: float, to_s: float) -> tuple[float, float, float, float]:
        """Over all lanes, and no farther: a line through a label would strike it out."""
        return self._box(_LEFT - 6, self._lanes_end - _LEFT + 6, from_s, to_s)

    def _bar(self, kind: str, box: tuple[float, float, float, float]) -> str:
        x, y, width, height = map(_n, box)
        return f'<rect class="{kind}" x="{x}" y="{y}" width="{width}" height="{height}" />'

    def _bars(self, kind: str, boxes: Iterable[tuple[float, float, float, float]]) -> str:
        """Many of one kind, as one path: a minute each, on a bad day."""
        path = "".join(f"M{_n(x)} {_n(y)}h{_n(width)}v{_n(height)}h-{_n(width)}z" for x, y, width, height in boxes)
        return f'<path class="{kind}" d="{path}" />' if path else ""

    def _scale(self) -> Iterator[str]:
        titles = {"fix": self._titles.fix, "corrections": self._titles.corrections, "age": self._titles.age}
        for lane, x in self._lanes.items():
            yield f'<text class="title" x="{_n(x)}" y="16">{html.escape(titles[lane])}</text>'
        left, right = _n(_LEFT - 6), _n(self._lanes_end)
        for hour in range(self._strip.hours + 1):
            y = self._y(hour * HOUR_S)
            yield f'<line class="hour" x1="{left}" x2="{right}" y1="{_n(y)}" y2="{_n(y)}" />'
            yield f'<text x="0" y="{_n(y + 5)}">{self._strip.clock(hour * HOUR_S)}</text>'
        y = self._y(self._strip.until_s)
        yield f'<line class="now" x1="{left}" x2="{right}" y1="{_n(y)}" y2="{_n(y)}" />'

    def _off(self) -> Iterator[str]:
        yield self._bars("off", (self._across(from_s, to_s) for from_s, to_s in self._strip.off))

    def _fix(self) -> Iterator[str]:
        if (x := self._lanes.get("fix")) is None:
            return
        for kind, wide in _WIDE.items():
            bands = (band for band in self._strip.fix if band.kind == kind)
            yield self._bars(kind, (self._box(x + (_LANE - wide) / 2, wide, band.from_s, band.to_s) for band in bands))

    def _corrections(self) -> Iterator[str]:
        if (x := self._lanes.get("corrections")) is None:
            return
        came = _summed(
            self._strip.corrections, lambda levels: sum(one.value * (one.to_s - one.from_s) for one in levels) / _STEP_S
        )
        yield self._bars("came", (self._box(x, _LANE * one.value, one.from_s, one.to_s) for one in came if one.value > 0))
        gaps = (gap for gap in self._strip.gaps if gap.stream in self._strip.corrections_on)
        yield self._bars("gap", (self._box(x + _LANE + 1.5, 3.0, gap.from_s, gap.to_s, _LEAST) for gap in gaps))

    def _age(self) -> Iterator[str]:
        if (x := self._lanes.get("age")) is None:
            return
        ages = _summed(self._strip.age_s, lambda levels: max(one.value for one in levels))
        for kind, late in (("age", False), ("late", True)):
            of_kind = (one for one in ages if (one.value >= MOST_AGE_S) == late)
            yield self._bars(
                kind, (self._box(x, _LANE * min(1.0, one.value / MOST_AGE_S), one.from_s, one.to_s) for one in of_kind)
            )

    def _alerts(self) -> Iterator[str]:
        free = [-math.inf] * _TRACKS
        for alert in sorted(self._strip.alerts, key=lambda one: one.from_s):
            track = next((n for n, until in enumerate(free) if until <= alert.from_s), _TRACKS - 1)
            free[track] = max(free[track], alert.to_s + 60.0)
            box = self._box(self._alerts_x + track * _TRACK, _TRACK - 1, alert.from_s, alert.to_s, _LEAST)
            yield self._bar(alert.severity, box)

    def _labels(self) -> Iterator[str]:
        """What was when, in words, where there is room; a line leads from where it was to where it is said."""
        said: list[tuple[float, str, str, str]] = []
        for alert in self._strip.alerts:
            said.append(
                (alert.from_s, alert.severity, self._titles.severities[alert.severity], self._strip.clock(alert.from_s))
            )
        for check in self._strip.checks:
            kind, sign = ("passed", "✓") if check.passed else ("failed", "✗")
            name = check.point if len(check.point) <= 8 else f"{check.point[:7]}…"
            said.append((check.at_s, kind, f"{sign} {name}", self._strip.clock(check.at_s)))
        said += [(from_s, "dim", self._titles.off, self._strip.clock(from_s)) for from_s, _ in self._strip.off if from_s > 0]
        lowest = -math.inf
        for at_s, kind, word, clock in sorted(said, key=lambda one: self._y(one[0])):
            y = self._y(at_s)
            place = max(y, lowest + _LINE, _TOP + 6)
            if place > y + 3 * _LINE or place > self._height + _TOP:
                continue  # no room: a touch tells
            lowest = place
            x = self._labels_x
            yield f'<path class="lead" d="M{_n(x - 13)} {_n(y)}L{_n(x - 4)} {_n(place)}" />'
            yield (
                f'<text x="{_n(x)}" y="{_n(place + 5)}">{html.escape(clock)} '
                f'<tspan class="word {kind}">{html.escape(word)}</tspan></text>'
            )

    def _chosen(self, touch: Touch) -> Iterator[str]:
        for hour in range(self._strip.hours):
            if self._strip.key(hour) == touch.chosen:
                yield self._bar("chosen", self._across(hour * HOUR_S, (hour + 1) * HOUR_S))

    def _touches(self, touch: Touch) -> Iterator[str]:
        for hour in range(self._strip.hours):
            from_s, to_s = hour * HOUR_S, (hour + 1) * HOUR_S
            key = self._strip.key(hour)
            title = html.escape(f"{touch.title} {self._strip.clock(from_s)}–{self._strip.clock(to_s)}")
            bar = self._bar("touch", self._box(1.5, WIDTH - 3, from_s, to_s))
            where = html.escape(touch.address.format(hour=key))
            yield f'<a href="{where}" aria-label="{title}"><title>{title}</title>{bar}</a>'


def _summed(levels: list[Level], value: Callable[[list[Level]], float]) -> list[Level]:
    """Levels by the step instead of by the minute; steps of one value that touch each other are one."""
    steps: dict[int, list[Level]] = {}
    for level in levels:
        first, last = int(level.from_s // _STEP_S), math.ceil(level.to_s / _STEP_S)
        for step in range(first, last):
            within = Level(max(level.from_s, step * _STEP_S), min(level.to_s, (step + 1) * _STEP_S), level.value)
            steps.setdefault(step, []).append(within)
    summed: list[Level] = []
    for step, found in sorted(steps.items()):
        one = Level(step * _STEP_S, (step + 1) * _STEP_S, round(value(found), 2))
        if summed and summed[-1].value == one.value and summed[-1].to_s == one.from_s:
            one = Level(summed.pop().from_s, one.to_s, one.value)
        summed.append(one)
    return summed


def _n(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")
