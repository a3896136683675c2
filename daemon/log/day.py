"""Several logs as one day: the files of each post in their order, posts side by side.

A folder stands for the logs in it. The order of one post's files is that of its chain (`n` runs on from file to file), however
they are given. UTC is what two files, and two posts, have in common: `t` begins anew with each run.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import re
from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import pairwise
from pathlib import Path

from witnesspost.daemon.log.opening import LogError
from witnesspost.daemon.log.reading import LogFile

_LOG = re.compile(r".+\.\d{4,}\.db")


class NoLogs(LogError):
    """A folder holds no logs."""


class SameLog(LogError):
    """Two of the files are one log."""


class TwoPosts(LogError):
    """The logs of one post are needed, and there are those of several."""


class PostLogs:
    """The logs of one post, in order.

    `given` are the logs that a result is traced to: `files` themselves, or those that each of `files` was made again from.
    """

    def __init__(self, files: Sequence[LogFile], made_from: Sequence[Sequence[LogFile]] | None = None):
        self.files = list(files)
        self._made_from = [[log] for log in files] if made_from is None else list(made_from)
        self.given = [log for logs in self._made_from for log in logs]
        self.name = self.files[0].run.name
        self.role = self.files[0].run.role

    @property
    def zone(self) -> dt.tzinfo:
        """The post's time zone, as its last site file has it."""
        return self.files[-1].zone

    @property
    def streams(self) -> list[str]:
        """The names of all its streams."""
        return list(dict.fromkeys(name for log in self.files for name in log.streams))

    def given_at(self, number: int, t: float) -> int:
        """Which of `given` has what `files` has in its `number`th at `t`."""
        logs = self._made_from[number]
        before = sum(map(len, self._made_from[:number]))
        return before + max(0, bisect_left(logs, t, key=lambda log: log.run.begun_at_t) - 1)

    def runs(self) -> list[list[LogFile]]:
        """The files run by run: those together that go on from one another, none missing between them. What stands at the end
        of one stands at the beginning of the next, and `t` and the numbers of alerts go on."""
        found: list[list[LogFile]] = []
        for log in self.files:
            if found and log.goes_on_from(found[-1][-1].last_digest()):
                found[-1].append(log)
            else:
                found.append([log])
        return found

    def missing(self) -> list[str]:
        """Files that ought to stand between two of these, as sentences."""
        return [
            f"{two.path.name} goes on from {two.run.previous_file}, which is not here"
            for one, two in pairwise(self.given)
            if two.run.previous_file is not None and two.run.first_n != one.last_n() + 1
        ]


class Day:
    """Open logs. Use as a context manager, or `close` it."""

    def __init__(self, files: Iterable[LogFile]):
        by_post: dict[tuple[str, str], list[LogFile]] = {}
        for log in files:
            by_post.setdefault((log.run.name, log.run.role), []).append(log)
        self.posts = [
            PostLogs(sorted(logs, key=lambda log: (log.run.first_n, log.run.number))) for _, logs in sorted(by_post.items())
        ]

    def made_again(self, again: Callable[[Sequence[LogFile]], LogFile]) -> Day:
        """The same day of other logs, each made again from the files of one run."""
        day = Day(())
        for post in self.posts:
            runs = post.runs()
            day.posts.append(PostLogs([again(files) for files in runs], runs))
        return day

    @classmethod
    def open(cls, paths: Iterable[str | Path]) -> Day:
        """Open the logs at `paths`; a folder stands for the logs in it. Raises a LogError."""
        with contextlib.ExitStack() as opened:
            files: dict[bytes, LogFile] = {}
            for path in log_files(paths):
                log = opened.enter_context(LogFile.open(path))
                same = files.setdefault(log.run.digest, log)
                if same is not log and log.run.digest:
                    raise SameLog(f"{log.path}: is the same log as {same.path}, or a copy of it; name one of them")
            day = cls(files.values())
            opened.pop_all()
            return day

    @property
    def files(self) -> Iterator[LogFile]:
        """All logs, post by post."""
        for post in self.posts:
            yield from post.files

    def post(self, name: str | None = None) -> PostLogs:
        """The post of that name, or the only one. Raises TwoPosts."""
        names = ", ".join(post.name for post in self.posts)
        if name is None:
            if len(self.posts) > 1:
                raise TwoPosts(f"{names}: logs of {len(self.posts)} posts; say which with --post NAME")
            return self.posts[0]
        found = [post for post in self.posts if post.name == name]
        if not found:
            raise TwoPosts(f"there are no logs of a post {name!r}; there are those of {names}")
        return found[0]

    def close(self) -> None:
        """Let go of the files."""
        for log in self.files:
            log.close()

    def __enter__(self) -> Day:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def log_files(paths: Iterable[str | Path]) -> Iterator[Path]:
    """The logs at `paths`; a folder stands for the logs in it. Raises NoLogs."""
    for path in map(Path, paths):
        if not path.is_dir():
            yield path
            continue
        found = sorted(one for one in path.iterdir() if _LOG.fullmatch(one.name))
        if not found:
            raise NoLogs(f"{path}: a folder without a log (NAME.0001.db) in it; name one with logs, or the logs themselves")
        yield from found
