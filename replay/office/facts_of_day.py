"""What a report says of a day, as plain values: bases, check-ins, alerts, links, and the sentence that it begins with."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from functools import cached_property
from typing import Any, NamedTuple

from msgspec import Struct
from witnesspost.daemon.log.day import Day, PostLogs
from witnesspost.daemon.log.opening import LogError
from witnesspost.daemon.log.reading import LogFile
from witnesspost.replay.office.base import Bases, Segment, bases_of
from witnesspost.replay.office.check_ins import Asked, Check, Miss, asked_of, checks_of, listed, misses_of
from witnesspost.replay.office.judge import Judgement
from witnesspost.replay.office.links import LinkBin, link
from witnesspost.replay.office.reasons import kind, spanned
from witnesspost.replay.office.verdict import Name
from witnesspost.rules.datum.explanation import in_words
from witnesspost.rules.datum.geodesy import DatumError
from witnesspost.rules.facts import Acknowledge, Health, Shelve, Solved
from witnesspost.rules.site.model import Site

_LOST = 0.01  # of the frames, past which the first sentence says so
_SAME_CHECK_S = 1.0  # between a check-in that failed and its alert
_SAME_S = 0.001  # two times of the log that differ by less are one
_OFF_S = 10.0  # between two logs of a post; shorter, one went on from the other


class AlertLine(Struct, kw_only=True):
    """An alert that was nobody's consequence: UTC from and how long (None: to the end), words, and what was done about it, by
    whom, in the order of time."""

    post: str
    utc: float | None
    lasted_s: float | None
    severity: str
    rule: str
    say: str
    seen_after_s: float | None
    done: list[str] = []


class DayFacts(Struct, kw_only=True, dict=True):
    """All of it. `post` is the rover where there is one; `unmatched` says why there is no `link`."""

    post: PostLogs
    zone: dt.tzinfo
    bases: Bases
    checks: list[Check]
    asked: list[Asked] = []
    alerts: list[AlertLine]
    gaps: list[tuple[str, float, float, str]]
    link: list[LinkBin]
    first_utc: float | None
    last_utc: float | None
    power: list[tuple[float, float, str]] = []
    unmatched: str = ""

    @cached_property
    def alerting_posts(self) -> set[str]:
        """The posts that raised them."""
        return {line.post for line in self.alerts}

    def until(self, segment: Segment) -> float:
        """Until when a coordinate counts, and no longer than the day (UTC seconds)."""
        return min(segment.shown_to_utc, segment.shown_to_utc if self.last_utc is None else self.last_utc)

    def clock(self, utc: float) -> str:
        """The time of day in the post's zone, to the minute that it is in; with its weekday where that is not the first's."""
        at, first = self._local(utc), self._local(utc if self.first_utc is None else self.first_utc)
        return f"{at:%H:%M}" if at.date() == first.date() else f"{at:%a %H:%M}"

    @property
    def span(self) -> str:
        """Such as "Friday 2026-06-19, 07:00 to 17:30 (-0600)"."""
        if self.first_utc is None:
            return "at an unknown time"
        begun = self._local(self.first_utc)
        return f"{begun:%A %Y-%m-%d}, {begun:%H:%M} to {self.clock(self.last_utc or self.first_utc)} ({begun:%z})"

    def _local(self, utc: float) -> dt.datetime:
        """To the nearest second: what came a moment before the hour is told by the hour."""
        return dt.datetime.fromtimestamp(round(utc), dt.UTC).astimezone(self.zone)


def facts_of(day: Day, site: Site, judgement: Judgement | None) -> DayFacts:
    """Read the day's tables. Raises a LogError."""
    rovers = [post for post in day.posts if post.role == "rover"]
    bases = [post for post in day.posts if post.role == "base"]
    post = rovers[0] if rovers else day.posts[0]
    if judgement is not None:
        found = judgement.bases
    else:
        try:
            said = {row["station_id"] for log in post.files for row in log.view("base_coordinates")}
            found = bases_of(day, post, site, said)
        except DatumError:
            found = Bases([])
    matched, unmatched = _matched(bases, rovers)
    spans = [log.span() for log in post.files]
    first = post.files[0].utc_at(spans[0][0])
    last = post.files[-1].utc_at(spans[-1][1])
    return DayFacts(
        post=post,
        zone=post.zone,
        bases=found,
        checks=checks_of(post),
        asked=asked_of(post),
        alerts=[line for one in day.posts for line in _alerts(one)],
        gaps=_gaps(post),
        link=matched,
        unmatched=unmatched,
        first_utc=first.timestamp() if first is not None else None,
        last_utc=last.timestamp() if last is not None else None,
        power=power_of(post),
    )


def _matched(bases: list[PostLogs], rovers: list[PostLogs]) -> tuple[list[LinkBin], str]:
    """The link between a base and its rover, or why nothing can be said of it."""
    if not bases or not rovers:
        return [], "It takes both posts' logs to say what was lost on the way; this is one post's."
    found = link(bases[0], rovers[0])
    if not found:
        return [], (
            "What was lost on the way cannot be said: there is no time at which both logs heard corrections, or one of them "
            "does not know what time it was."
        )
    if not any(part.arrived for part in found):
        sent = sum(part.sent for part in found)
        return [], (
            f"None of the {sent:,} frames in the log of {bases[0].name} is in that of {rovers[0].name}: they are not the two "
            "ends of one radio link, or nothing arrived at all."
        )
    return found, ""


_POINTS: dict[Name, tuple[str, str]] = {
    "keep": ("can be kept", "can be kept"),
    "repair": ("can be repaired by computation", "can be repaired by computation"),
    "observe-again": ("must be observed again", "must be observed again"),
    "undecided": ("is for the surveyor to decide", "are for the surveyor to decide"),
    "not-witnessed": ("is not in the log", "are not in the log"),
}
"""What becomes of one point, and of several."""


def verdict_of(facts: DayFacts, judgement: Judgement | None) -> str:
    """The sentences that the report begins with: what the base said, what else went wrong, and what becomes of the points."""
    parts = _of_bases(facts)
    wrong = bool(parts)
    judged = [segment for segment in facts.bases.segments if segment.judged]
    if judged and not wrong:
        span = f"from {facts.clock(judged[0].from_utc)} to {facts.clock(max(map(facts.until, judged)))}"
        parts.append(f"The base's coordinate agreed with the site file {span}.")
    elif not wrong:
        heard = any(segment.ours for segment in facts.bases.segments)
        parts.append("Only check-ins can judge the base's coordinate." if heard else "Nothing here says where the base stood.")
    parts += _what_else(facts, told={"base-datum", "base-moved"} if wrong else set())
    if judgement is not None:
        parts.append(_of_points(judgement))
    return " ".join(parts)


_IN_TURNS = 3  # so often no crew goes from one coordinate to another and back


def _of_bases(facts: DayFacts) -> list[str]:
    """Each coordinate that is not the site file's, once, however often it came."""
    told: dict[str, list[Segment]] = {}
    for segment in facts.bases.segments:
        if segment.judged and segment.standing == "wrong":
            against = "" if segment.confirming or segment.cause == "given" else f" against {segment.sheet}"
            whose = "the base's coordinate" if against else "the base"
            told.setdefault(f"{whose} was {in_words(segment.offset)}{against} ({segment.why}).", []).append(segment)
        elif segment.standing == "disputed":
            told.setdefault(f"t{segment.dispute[1:]}", []).append(segment)
    parts = []
    for say, segments in told.items():
        times = f", {len(segments)} times," if len(segments) > 1 else ""
        parts.append(f"From {facts.clock(segments[0].from_utc)} to {facts.clock(facts.until(segments[-1]))}{times} {say}")
        if len(segments) >= _IN_TURNS:
            parts.append("So often in turns with another coordinate, it may be another base under the same number.")
    return parts


def _of_points(judgement: Judgement) -> str:
    counts = {name: count for name in _POINTS if (count := judgement.count(name))}
    if len(counts) == 1 and len(judgement.points) > 1:
        return f"All {len(judgement.points)} points {_POINTS[next(iter(counts))][1]}."
    said = [f"{count} {_POINTS[name][count > 1]}" for name, count in counts.items()]
    return f"Of {len(judgement.points)} point{'s' if len(judgement.points) != 1 else ''} {', '.join(said)}."


_SAID = 3  # stop alerts, and check-ins that failed, that the first sentences name


def _what_else(facts: DayFacts, told: set[str]) -> list[str]:
    """What else went wrong, in sentences: check-ins; stop alerts of one kind, the longest first (those of `told` are said
    already); corrections lost on the way."""
    parts = _judged_check_ins(facts)
    failed = [check.utc for check in facts.checks if not check.passed]

    def is_told(line: AlertLine) -> bool:
        utc = line.utc if line.rule == "control-check" else None
        return line.rule in told or (utc is not None and any(abs(utc - one) <= _SAME_CHECK_S for one in failed))

    def lasted_s(line: AlertLine) -> float:
        if line.lasted_s is not None:
            return line.lasted_s
        return 0.0 if line.utc is None or facts.last_utc is None else facts.last_utc - line.utc

    stops = [line for line in facts.alerts if line.severity == "stop"]
    if not stops:
        parts.append("No stop alert was raised.")
    kinds: dict[tuple[str, str, str], list[AlertLine]] = {}
    for line in stops:
        if not is_told(line):
            kinds.setdefault((line.post, line.rule, kind(_first_sentence(line))), []).append(line)
    ordered = sorted(kinds.values(), key=lambda lines: -sum(map(lasted_s, lines)))
    for lines in ordered[:_SAID]:
        say = spanned([_first_sentence(line) for line in lines])
        span = span_in_words(sum(map(lasted_s, lines)))
        if len(lines) > 1:
            parts.append(f"{len(lines)} times{at_post(facts, lines[0])}, {span} in all: {say}")
        else:
            utc = lines[0].utc
            at = f"At {facts.clock(utc)}{at_post(facts, lines[0])}, for" if utc is not None else "For"
            parts.append(f"{at} {span}: {say}")
    if len(ordered) > _SAID:
        parts.append("More stop alerts are below.")
    sent = sum(part.sent for part in facts.link)
    lost = sum(part.sent * (1.0 - part.arrived) for part in facts.link)
    if sent and lost / sent >= _LOST:
        parts.append(f"Of all frames of corrections {lost / sent:.0%} did not arrive.")
    return parts + _missing_check_ins(facts)


def at_post(facts: DayFacts, line: AlertLine) -> str:
    """Such as " at kestrel-base", where a day's alerts are not of one post; else ""."""
    return f" at {line.post}" if len(facts.alerting_posts) > 1 else ""


def _first_sentence(line: AlertLine) -> str:
    return f"{line.say.partition('. ')[0].rstrip('.')}."


def _judged_check_ins(facts: DayFacts) -> list[str]:
    """All passed; or those that failed, under their own names, and what it says that several missed by the same."""
    if not facts.checks:
        return []
    failed = [check for check in facts.checks if not check.passed]
    if not failed:
        return [f"{_share(len(facts.checks), len(facts.checks))} passed."]
    misses = misses_of_day(facts)
    by_base = len(failed) - sum(len(miss.checks) for miss in misses)
    told = [f"{by_base} would pass with the base put right"] if by_base else []
    told += [f"the rover read {in_words(miss.offset)} {_at_marks(facts, miss)}" for miss in misses[:_SAID]]
    told += ["more are below"] if len(misses) > _SAID else []
    parts = [f"{_share(len(failed), len(facts.checks))} failed: {'; '.join(told)}."]
    passed = [check.utc for check in facts.checks if check.passed]
    if passed and max(passed) < failed[0].utc:
        parts.append(f"Until {facts.clock(max(passed))} they passed.")
    return parts + [say for miss in misses[:_SAID] if (say := advice_of(miss))][:1]


def advice_of(miss: Miss) -> str:
    """What it says, as a sentence; "" where it says nothing beyond itself."""
    advice = miss.advice
    if len(miss.marks) > 1:
        return f"The same on each mark: {advice}."
    return f"{advice[0].upper()}{advice[1:]}." if advice else ""


def _missing_check_ins(facts: DayFacts) -> list[str]:
    """Those that were asked for and came to nothing; a rover's day without any."""
    parts = []
    for asked in facts.asked[:_SAID]:
        at = f"At {facts.clock(asked.utc)} a" if asked.utc is not None else "A"
        parts.append(f"{at} check-in on {asked.point} came to nothing: {why_nothing(facts, asked)}.")
    if facts.post.role == "rover" and not facts.checks:
        parts.append("No check-in was completed." if facts.asked else "No check-in was made.")
    return parts


def _share(count: int, of: int) -> str:
    if of == 1:
        return "The one check-in"
    if count == of:
        return "Both check-ins" if of == 2 else f"All {of} check-ins"
    return f"Of {of} check-ins {count}"


def why_nothing(facts: DayFacts, asked: Asked) -> str:
    """Why a check-in came to nothing, as a clause; with the mark that the base may have stood on."""
    segment = facts.bases.in_force(asked.utc, None) if asked.utc is not None else None
    return asked.why if segment is None else segment.why_nothing(asked)


def misses_of_day(facts: DayFacts) -> list[Miss]:
    """The failed check-ins that no wrong coordinate of the base explains, by the base's coordinate and what they missed by."""
    found = []
    for one in facts.bases.segments:
        explained = explained_by_base(one)
        found += misses_of([check for check in one.checks if check not in explained], one.apart_from)
    alone = [check for check in facts.checks if not any(check in one.checks for one in facts.bases.segments)]
    return [*found, *misses_of(alone, None)]


def explained_by_base(segment: Segment) -> list[Check]:
    """The failed check-ins of a wrong coordinate that pass once it is put right."""
    if segment.standing != "wrong":
        return []
    return [check for check, _, passes in segment.repaired_checks if passes and not check.passed]


def _at_marks(facts: DayFacts, miss: Miss) -> str:
    """Such as "on KQ-2 (02:01 and 02:28) and on KQ-3 (02:15)"."""
    times = {mark: [facts.clock(check.utc) for check in miss.checks if check.point == mark] for mark in miss.marks}
    return listed([f"on {mark} ({listed(at)})" for mark, at in times.items()])


def span_in_words(seconds: float) -> str:
    """Such as "33 s", "30 min", "2.0 h"."""
    if seconds < 100:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 6000 else f"{seconds / 3600:.1f} h"


def _alerts(post: PostLogs) -> list[AlertLine]:
    """Each stretch of an alert, from its raising to its end; one that became graver meanwhile is one."""
    lines = [line for files in post.runs() for line in _alerts_of_run(post.name, files)]
    return sorted(lines, key=lambda line: line.utc or math.inf)


def _alerts_of_run(name: str, files: Sequence[LogFile]) -> list[AlertLine]:
    lines: list[AlertLine] = []
    open_lines: dict[int, tuple[float, AlertLine]] = {}
    told: list[_Told] = []
    waiting: set[int] = set()
    for log in files:
        for change in log.changes():
            since = open_lines.get(change.alert)
            if change.change == "raised" and since is not None:
                since[1].severity, since[1].say = change.severity, change.say
            elif change.change == "raised" and change.because_of is None:
                utc = log.utc_at(change.t)
                line = AlertLine(
                    post=name, utc=utc.timestamp() if utc is not None else None, lasted_s=None, severity=change.severity,
                    rule=change.rule, say=change.say, seen_after_s=None,
                )  # fmt: skip
                open_lines[change.alert] = change.t, line
                told.append(_Told(change.alert, change.t, line))
                lines.append(line)
            elif change.change in ("normal", "cleared") and since is not None:
                since[1].lasted_s = change.t - since[0]
                del open_lines[change.alert]
            # What is over and waits to be seen is cleared by being seen.
            if change.change == "acknowledged" or (change.change == "cleared" and change.alert in waiting):
                for one in told:  # one that came again before anybody saw it has the same number
                    if one.alert == change.alert and one.line.seen_after_s is None:
                        one.line.seen_after_s = change.t - one.begun
            (waiting.add if change.change == "normal" else waiting.discard)(change.alert)
        _done(log, told)
    return lines


class _Told(NamedTuple):
    """A raising: the alert's number, the log's seconds, and its line."""

    alert: int
    begun: float
    line: AlertLine

    def concerned(self, t: float) -> bool:
        """True where it stood at `t`, or nobody had seen it before."""
        lasted_s, seen_after_s = self.line.lasted_s, self.line.seen_after_s
        return lasted_s is None or max(lasted_s, seen_after_s or 0.0) >= t - self.begun - _SAME_S


def _done(log: LogFile, told: list[_Told]) -> None:
    """What people said that they did: seeing is of all that stood or that nobody had seen, of the rule that they name or of
    any; the rest is of the rule's alert that was raised last."""
    for t, _, fact in log.inputs(stream=""):
        if not isinstance(fact, Acknowledge | Shelve | Solved):
            continue
        before = [one for one in told if one.begun <= t and fact.rule in (None, one.line.rule)]
        chosen = [one.line for one in before if one.concerned(t)]
        if fact.rule is not None and (not chosen or not isinstance(fact, Acknowledge)):
            chosen = [one.line for one in before[-1:]]
        who = f" by {fact.by}" if fact.by else ""
        if isinstance(fact, Solved):
            words = f"solved{who}: {fact.step}"
        else:
            said = f": {fact.note}" if fact.note else ""
            did = "seen" if isinstance(fact, Acknowledge) else f"silenced for {fact.for_s / 60:.0f} min"
            words = f"{did}{who}{said}"
        for line in chosen:
            line.done.append(words)


def power_of(post: PostLogs) -> list[tuple[float, float, str]]:
    """UTC from and to, and "off" (between two logs) or "low": the computer's own word of its supply."""
    found: list[tuple[float, float, str]] = []
    ended: float | None = None
    for log in post.files:
        begins_t, ends_t = log.span()
        begins, ends = log.utc_at(begins_t), log.utc_at(ends_t)
        if begins is None or ends is None:
            ended = None
            continue
        if ended is not None and begins.timestamp() - ended > _OFF_S:
            found.append((ended, begins.timestamp(), "off"))
        ended = ends.timestamp()
        low_since: float | None = None
        for t, _, fact in log.inputs(stream=""):
            utc = log.utc_at(t)
            if not isinstance(fact, Health) or fact.under_voltage is None or utc is None:
                continue
            if fact.under_voltage and low_since is None:
                low_since = utc.timestamp()
            elif not fact.under_voltage and low_since is not None:
                found.append((low_since, utc.timestamp(), "low"))
                low_since = None
        if low_since is not None:
            found.append((low_since, ended, "low"))
    return found


def _gaps(post: PostLogs) -> list[tuple[str, float, float, str]]:
    """Stream, UTC from, seconds and why; of each log that knows the time."""
    found = []
    for log in post.files:
        try:
            gaps: list[Any] = list(log.gaps())
        except LogError:
            continue
        for gap in gaps:
            utc = log.utc_at(gap.t)
            if utc is not None:
                found.append((gap.stream, utc.timestamp(), gap.seconds, gap.why))
    return found
