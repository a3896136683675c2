"""Day: the strip of the last 24 hours, and of the hour that was touched what was when, in words."""

from __future__ import annotations

import time

from microdot.microdot import Request
from witnesspost.daemon.lines import span
from witnesspost.daemon.log.opening import LogError
from witnesspost.daemon.page import words
from witnesspost.daemon.page.html import Html, join, tag
from witnesspost.daemon.page.live import Parts
from witnesspost.daemon.page.logs import Logs
from witnesspost.daemon.page.sight import Sight
from witnesspost.daemon.page.tab import Form, Tab
from witnesspost.daemon.page.worker import Worker
from witnesspost.daemon.strip.drawing import Titles, Touch, picture
from witnesspost.daemon.strip.reading import StripReader
from witnesspost.daemon.strip.strip import HOUR_S, AlertBand, Strip
from witnesspost.rules.book import words as book
from witnesspost.rules.language.speech import ENGLISH

_FRESH_S = 15.0
_HOURS = 25  # so that a whole day is in it at any minute


class Day(Tab):
    """The tab itself. Its strip is read again when it is older than _FRESH_S, by one reader at a time."""

    address = "/day"
    title = "DAY"

    def __init__(self, logs: Logs, worker: Worker):
        self._logs = logs
        self._worker = worker
        self._reader = StripReader()
        self._strip: Strip | None = None
        self._read_at = 0.0

    def parts(self, sight: Sight, form: Form) -> Parts:
        """Nothing of it lives: a minute is 2 mm."""
        return {}

    async def rest(self, request: Request, sight: Sight, form: Form) -> Html | None:
        """The hour's words, the strip, and what its lanes mean."""
        chosen = request.args.get("hour")
        try:
            return await self._worker.do(lambda: self._shown(chosen))
        except LogError:
            return tag("p", words.NO_LOG)

    def _shown(self, chosen: str | None) -> Html:
        strip = self._read()
        hour = next((hour for hour in range(strip.hours) if strip.key(hour) == chosen), None)
        titles = Titles(words.STRIP, words.LANE_FIX, words.LANE_CORRECTIONS, words.LANE_AGE, words.LANE_OFF, words.SEVERITIES)
        touch = Touch("/day?hour={hour}#hour", words.TOUCH_HOUR, chosen if hour is not None else None)
        return join(
            tag("p", words.TOUCH_WHY) if hour is None else None,
            _hour(strip, hour) if hour is not None else None,
            Html(picture(strip, titles, touch=touch)),
            _legend(strip),
        )

    def _read(self) -> Strip:
        """On a worker's thread. Two phones that ask at once are given the same strip, or each one of its own."""
        now = time.monotonic()
        strip = self._strip
        if strip is None or now >= self._read_at + _FRESH_S:
            reader, self._reader = self._reader, StripReader()  # never two threads with one
            strip = reader.read(self._logs.paths(), _HOURS)
            self._strip, self._read_at, self._reader = strip, now, reader
        return strip


def _hour(strip: Strip, hour: int) -> Html:
    """What was when in that hour."""
    from_s, to_s = hour * HOUR_S, min((hour + 1) * HOUR_S, strip.lasts_s)
    lines = [*_sums(strip, from_s, min(to_s, strip.until_s)), *_events(strip, from_s, to_s)]
    title = f"{strip.clock(from_s)}–{strip.clock(to_s)}"
    items = [tag("li", line) for line in lines] or [tag("li", words.HOUR_EMPTY)]
    return tag("section", tag("h2", title), tag("ul", *items, class_="told"), id="hour", class_="card")


def _sums(strip: Strip, from_s: float, to_s: float) -> list[str]:
    """The minutes of each fix, the share of corrections, the greatest age."""
    lines = []
    if strip.has_fix:
        minutes: dict[str, float] = {}
        for band in strip.fix:
            lasted_s = min(band.to_s, to_s) - max(band.from_s, from_s)
            if lasted_s > 0:
                minutes[band.kind] = minutes.get(band.kind, 0.0) + lasted_s
        if minutes:
            lines.append(", ".join(f"{words.FIXES[kind]} {span(lasted_s)}" for kind, lasted_s in minutes.items()))
    if strip.corrections_on and to_s > from_s:
        came_s = sum(level.value * max(0.0, min(level.to_s, to_s) - max(level.from_s, from_s)) for level in strip.corrections)
        lines.append(words.CAME.format(share=100 * came_s / (to_s - from_s)))
    ages = [level.value for level in strip.age_s if level.from_s < to_s and level.to_s > from_s]
    if ages:
        lines.append(words.OLDEST.format(age=span(max(ages))))
    return lines


def _events(strip: Strip, from_s: float, to_s: float) -> list[Html]:
    """Alerts, check-ins, gaps, what was said, and the time the post was off, by the clock."""
    found: list[tuple[float, str, str]] = []
    for alert in strip.alerts:
        if alert.from_s < to_s and alert.to_s > from_s:
            lasted = words.STILL if alert.is_open else words.LASTED.format(span=span(alert.to_s - alert.from_s))
            found.append((alert.from_s, words.SEVERITIES[alert.severity], f"{_said(alert)} {lasted}"))
    for check in strip.checks:
        if from_s <= check.at_s < to_s:
            offset = ", ".join(f"{round(part * 1000)}".replace("-", "−") for part in (check.east_m, check.north_m, check.up_m))
            passed = words.PASSED if check.passed else words.NOT_PASSED
            found.append((check.at_s, words.CHECK_IN, f"{check.point} {passed} ({offset} mm)"))
    for gap in strip.gaps:
        if gap.from_s < to_s and gap.to_s > from_s:
            found.append((gap.from_s, words.GAP, f"{gap.stream}, {span(gap.to_s - gap.from_s)}"))
    for mark in strip.said:
        if from_s <= mark.at_s < to_s:
            by = str(mark.detail.get("by") or words.SOMEBODY)
            found.append((mark.at_s, words.SAID.get(mark.kind, mark.kind), by))
    for off_s, on_s in strip.off:
        if off_s < to_s and on_s > from_s:
            found.append((off_s, words.LANE_OFF, words.OFF_UNTIL.format(clock=strip.clock(on_s))))
    return [
        join(f"{strip.clock(at_s)} " if at_s > 0 else "", tag("b", what), f" {text}")  # before the strip: another day's clock
        for at_s, what, text in sorted(found, key=lambda one: one[0])
    ]


def _said(alert: AlertBand) -> str:
    """What was wrong, in the reader's language."""
    speech = words.speech()
    return book.words(alert.sentence, speech).say if alert.sentence is not None and speech is not ENGLISH else alert.say


def _legend(strip: Strip) -> Html:
    lines = [words.LEGEND_FIX] if strip.has_fix else []
    lines += [words.LEGEND_CORRECTIONS] if strip.corrections_on else []
    lines += [words.LEGEND_AGE] if strip.has_fix else []
    lines.append(words.LEGEND_OFF)
    return tag("section", tag("h2", words.LEGEND), tag("ul", *(tag("li", line) for line in lines), class_="told"))
