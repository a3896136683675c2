"""The lines on the terminal, for one who may have stopped reading: Ctrl-S, a dead connection, a full pipe. The companion
`terminal`.

    changes ──► standard output      ports, the log, what companions say ──► standard error
"""

from __future__ import annotations

import contextlib
import datetime as dt
import os
import threading
from collections import deque

from witnesspost.daemon.clock import system_utc
from witnesspost.daemon.companion import PostView
from witnesspost.daemon.host.news import News, port_words
from witnesspost.daemon.lines import ROWS, Teller, json_line
from witnesspost.daemon.local_time import Instant, Stamps
from witnesspost.daemon.screen import Entry, Look, entry_text
from witnesspost.daemon.status.snapshot import hints_of
from witnesspost.rules.alert import Change
from witnesspost.rules.language.speech import ENGLISH, Speech

MOST_LINES = 500
ROW_S = 1.0  # a change as JSON waits so long for its row in the log: a healthy card takes some milliseconds
_ROW_AGAIN_S = 0.02
_STOP_S = 0.5


class Terminal:
    """Prints each change for people, in their language, times in `zone`; or as JSON if `as_json`, once the log has it, whose
    row it names, or after ROW_S without that. `out` and `err` are file descriptors."""

    name = "terminal"
    vital = False

    def __init__(self, as_json: bool, out: int = 1, err: int = 2, zone: dt.tzinfo = dt.UTC, speech: Speech = ENGLISH):
        self._as_json = as_json
        self._zone = zone
        self._speech = speech
        self._fds = out, err
        self._unwritten: deque[tuple[float, Change]] = deque()
        self._out: Lines | None = None
        self._err: Lines | None = None

    def start(self, post: PostView) -> None:
        """Say where the log is, if it is there already."""
        out, err = self._fds
        self._out, self._err = Lines(out, "standard output"), Lines(err, "standard error")
        self._post, self._news = post, News(post)
        self._lost = 0
        self._stamps = Stamps(self._zone, self._instant, self._speech.phrase)
        self._teller = Teller(self._stamps, self._speech, self._hints)
        self._tell_log()

    def see(self, changes: list[Change]) -> None:
        """An entry each, in the lines that the terminal has room for now."""
        assert self._out is not None
        if self._as_json:
            now = self._post.now()
            self._unwritten.extend((now, change) for change in changes)
            self._put_written(now)
            return
        look = Look.of(self._fds[0])
        for change in changes:
            text = self._teller.text(change, look)
            if change.change != "acknowledged" or change.because_of is None:  # it was seen with what explains it
                self._out.put(text)

    def turn(self, t: float) -> None:
        """What is new goes to standard error, so that standard output carries alerts alone."""
        self._put_written(t)
        self._tell_news(t)

    def stop(self) -> None:
        """The last lines, if anybody reads them now."""
        if self._out is None or self._err is None:
            return
        t = self._post.now()
        self._put_written(t + ROW_S)
        self._tell_news(t)
        if (pulse := self._post.pulse()).ended and pulse.log.failed is None:
            self._tell("log", t, f"{os.path.basename(pulse.log.path or 'none')} closed")
        self._out.close()
        self._err.close()
        self._out.join(_STOP_S)
        self._err.join(_STOP_S)

    def _put_written(self, t: float) -> None:
        """The changes whose row is known or has been waited for, in order."""
        assert self._out is not None
        while self._unwritten:
            came_t, change = self._unwritten[0]
            row_key = self._post.row_key(change)
            if row_key is None and t < came_t + ROW_S:
                self._post.wake(t + _ROW_AGAIN_S)
                return
            self._unwritten.popleft()
            self._out.put(json_line(change, row_key))

    def _tell_news(self, t: float) -> None:
        assert self._out is not None
        assert self._err is not None
        for words in self._news.said():
            self._tell("post", t, words)
        self._tell_log()
        for port in self._news.ports():
            self._tell("port", t, port_words(port))
        if self._out.lost and not self._lost:
            self._post.say("nobody reads standard output: the oldest lines are dropped", lasting=True)
        if self._out.lost > self._lost and self._out.empty:
            lost = f"{self._out.lost - self._lost} changes of alerts were dropped here: nobody read them"
            self._err.put(self._speech.phrase(lost))
            self._lost = self._out.lost

    def _hints(self, change: Change) -> list[str]:
        """What has solved such an alert here, as far as the post has counted that by now."""
        status = self._post.snapshot()
        return hints_of(status.solved, change.rule, change.cause, change.role) if status is not None else []

    def _tell_log(self) -> None:
        if (where := self._news.log()) is not None:
            self._tell("log", self._post.pulse().t, where)

    def _instant(self, t: float) -> Instant:
        pulse = self._post.pulse()
        if pulse.utc is not None:
            return Instant(pulse.utc + dt.timedelta(seconds=t - pulse.t))
        return Instant(system_utc() - dt.timedelta(seconds=self._post.now() - t), about=True)

    def _tell(self, word: str, t: float, text: str) -> None:
        assert self._err is not None
        entry = Entry(word, self._stamps(t), self._speech.phrase(text), [], shown=self._speech.text(ROWS, word))
        self._err.put(entry_text(entry, Look.of(self._fds[1])))


class Lines:
    """Lines to a file descriptor, from a thread of its own; the last MOST_LINES wait there, `lost` counts the others.

    Past Python's own streams: whoever is held up while writing to one keeps its lock, at the interpreter's end too.
    """

    def __init__(self, fd: int, name: str):
        self.lost = 0
        self._fd = fd
        self._waiting: deque[bytes] = deque()
        self._writes = False
        self._closing = False
        self._news = threading.Condition()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    @property
    def empty(self) -> bool:
        """True if all is written."""
        return not self._waiting and not self._writes

    def put(self, text: str) -> None:
        """Write this line when the ones before it are written."""
        with self._news:
            self._waiting.append(text.encode(errors="replace") + b"\n")
            if len(self._waiting) > MOST_LINES:
                self._waiting.popleft()
                self.lost += 1
            self._news.notify_all()

    def close(self) -> None:
        """No more will come."""
        with self._news:
            self._closing = True
            self._news.notify_all()

    def join(self, timeout_s: float) -> None:
        """Wait at most so long until all is written."""
        self._thread.join(timeout_s)

    def _run(self) -> None:
        while (data := self._next()) is not None:
            with contextlib.suppress(OSError):  # a terminal that is gone must not end the watch
                while data:
                    data = data[os.write(self._fd, data) :]
            if data:
                self.lost += 1

    def _next(self) -> bytes | None:
        with self._news:
            self._writes = False
            self._news.wait_for(lambda: self._closing or self._waiting)
            if not self._waiting:
                return None
            self._writes = True
            return self._waiting.popleft()
