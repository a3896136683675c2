"""What one line that carries corrections has shown since its last usable epoch, and what was lost before it."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections import deque
from collections.abc import Iterable, Iterator
from itertools import pairwise
from operator import itemgetter
from typing import NamedTuple, cast

from witnesspost.rules.facts import Epoch, Traffic
from witnesspost.rules.gnss import WEEK_S

_FALSE_HEADS = 1 / 168_600  # a byte: noise has preamble, length and a message number of RTCM's by chance (RTCM 10403 section 4)
_SURE_SIGMAS = 6.0  # so many over what chance brings (common practice, no source)
_RTCM2_WORDS = 4  # in a row with good parity: chance makes them once in some 10⁸ bytes
_LOSSES_OVER_S = 120.0
_SHORT_S = 30.0  # a silence that mends itself by then is a shadow or a loose contact (common practice, no source)
_LONGEST_GAP_S = 60.0  # station messages that come more seldom make no line alive
_LONGEST_FRAME_BYTES = 1029  # RTCM 10403 section 4: bytes that a false head promised are counted when so many have come
_LONGEST_WAIT_S = 30.0  # a line of so few bytes that they take longer is silent (common practice, no source)
_MOST_EPOCHS = 3000  # of two minutes: 25 a second


class Line:
    """One line: when its usable epochs came, and what it has shown since the last of them.

    `recent` is each sample that it showed with the time it was heard, `heard_t` when something last came, `noise_bytes` those
    that are part of nothing, `rtcm2_t` when it last looked like RTCM 2, and `frame_gap_s` how far whole frames have been apart.
    With `of_sentences` they have no business on the line, so they are something that comes.
    """

    def __init__(self, *, of_sentences: bool) -> None:
        self.of_sentences = of_sentences
        self.recent: deque[tuple[float, Traffic, frozenset[int]]] = deque()
        self.heard_t = -math.inf
        self.noise_bytes = 0
        self._useless_bytes = 0  # that noise, and the bytes of broken frames
        self._useless_t = 0.0  # when the first of them came
        self.rtcm2_t = -math.inf
        self.frame_t: float | None = None
        self.frame_gap_s = 0.0
        self.usual_s: float | None = None  # between its epochs, as the last one found it
        self._epochs: deque[tuple[float, float | None]] = deque(maxlen=_MOST_EPOCHS)
        self._silences: dict[float, float] = {}  # that were too long: since when, until when as far as is known

    def usable(self, epoch: Epoch) -> None:
        """A usable epoch came: what the line has shown before is forgotten."""
        if self.recent:
            self.recent.clear()
            self.noise_bytes = self._useless_bytes = 0
        self.frame_t, self.frame_gap_s, self.rtcm2_t = None, 0.0, -math.inf
        epochs, t = self._epochs, epoch.t
        epochs.append((t, epoch.time_s))
        while t - epochs[0][0] > _LOSSES_OVER_S:
            epochs.popleft()

    def shows(self, heard_t: float, traffic: Traffic, window_s: float) -> None:
        """A sample of what came, heard at `heard_t`; those heard over `window_s` before it are forgotten."""
        recent = self.recent
        recent.append((heard_t, traffic, frozenset(_message_numbers(traffic))))
        while heard_t - recent[0][0] > window_s:
            recent.popleft()
        if useless_bytes := traffic.other_bytes + traffic.bad_frame_bytes:
            if not self._useless_bytes:
                self._useless_t = heard_t
            self.noise_bytes += traffic.other_bytes
            self._useless_bytes += useless_bytes
        if traffic.size_bytes > traffic.sentence_bytes or (traffic.sentence_bytes and self.of_sentences):
            self.heard_t = heard_t
        if traffic.frames:
            if self.frame_t is not None:
                self.frame_gap_s = min(max(self.frame_gap_s, heard_t - self.frame_t), _LONGEST_GAP_S)
            self.frame_t = heard_t
        if traffic.rtcm2_words >= _RTCM2_WORDS:
            self.rtcm2_t = heard_t

    def silences(self, since: float, t: float, over_s: float) -> tuple[int, float]:
        """How often it was silent for too long within the last `over_s`, with the silence since `since`, and for how long that
        goes back; 1 where one of them was not short."""
        self._silences[since] = t
        self._silences = {began: ended for began, ended in self._silences.items() if began > t - over_s or began == since}
        if any(ended - began > _SHORT_S for began, ended in self._silences.items()):
            return 1, t - since
        return len(self._silences), t - min(self._silences)

    @property
    def longest_wait_s(self) -> float:
        """For how long noise as it came may seem to bring nothing; 0.0 where fewer bytes came than the longest frame has."""
        if self._useless_bytes < _LONGEST_FRAME_BYTES:
            return 0.0
        wait_s = _LONGEST_FRAME_BYTES * (self.heard_t - self._useless_t) / self._useless_bytes
        return wait_s if wait_s <= _LONGEST_WAIT_S else 0.0

    def lost(self, longest_s: float) -> Lost:
        """What was lost before the silence, by the epochs' own times: the lesser share of two minutes and of the last one.

        A gap that is as long as those beside it is the base's own interval, which may have changed. One of over `longest_s`
        was a silence of its own, and counts as so long.
        """
        epochs = [(t, time_s) for t, time_s in self._epochs if time_s is not None]
        gaps = [round((after - before) % WEEK_S, 3) for (_, before), (_, after) in pairwise(epochs)]
        if not gaps:
            return Lost(0, 0.0)
        shortest = min((gap for gap in gaps if gap > 0.0), default=1.0)
        beside = [gaps[1:2], *zip(gaps, gaps[2:], strict=False), gaps[-2:-1]]
        due = [
            1 if gap in others and len(set(others)) == 1 else max(1, round(min(gap, longest_s) / shortest))
            for gap, others in zip(gaps, beside, strict=False)
        ]
        last = due[bisect_right(epochs, epochs[-1][0] - _LOSSES_OVER_S / 2, key=itemgetter(0)) :]
        share = min(1.0 - len(part) / sum(part) for part in (due, last) if part)
        return Lost(sum(due) - len(due), share)


class Shown:
    """Sums of what one line has shown, of samples each with the messages that it names; `silent` is for its user to set."""

    def __init__(self, heard: Iterable[tuple[Traffic, frozenset[int]]]) -> None:
        self.silent = False
        self.size_bytes = self.sentence_bytes = 0
        self.frames = self.bad_frames = self.observation_frames = 0
        stations: set[int | None] = set()
        self.messages: set[int] = set()
        for fact, messages in heard:
            self.size_bytes += fact.size_bytes
            self.sentence_bytes += fact.sentence_bytes
            self.frames += fact.frames
            self.bad_frames += fact.bad_frames
            self.observation_frames += fact.observation_frames
            stations.update(fact.frames_by_station)
            self.messages.update(messages)
        stations.discard(None)  # of a message that says none
        self.stations = cast(set[int], stations)

    @property
    def other_than_sentences(self) -> int:
        """Bytes."""
        return self.size_bytes - self.sentence_bytes

    @property
    def has_broken_frames(self) -> bool:
        """True if more frames begin than chance makes in so many bytes of noise: a Poisson mean, and six of its sigmas."""
        by_chance = _FALSE_HEADS * self.other_than_sentences
        return self.bad_frames > 1.0 + by_chance + _SURE_SIGMAS * math.sqrt(by_chance)


class Lost(NamedTuple):
    """Epochs that did not come in the two minutes before the last one, and their share of those that were due."""

    epochs: int
    share: float


def _message_numbers(traffic: Traffic) -> Iterator[int]:
    return (int(message) for message in traffic.by_message if message.isdecimal() and message.isascii())
