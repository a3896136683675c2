"""Files: closed logs as they are, in pieces where a phone went away meanwhile; of the running one a snapshot; a tape.

A copy of the running log lies beside it for as long as the page runs, one at a time, and is not made where the disk would
fall under a tenth of its room. Nothing that a request says becomes part of a path: a number is looked up among what is there.
"""

from __future__ import annotations

import contextlib
import os
import re
import zlib
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

from microdot.microdot import Microdot, Request, Response
from witnesspost.daemon.companion import PostView
from witnesspost.daemon.log.opening import LogError, copy_log, wal_of
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.tape import tape_of
from witnesspost.daemon.page import words
from witnesspost.daemon.page.fields import hidden
from witnesspost.daemon.page.forms import Refused
from witnesspost.daemon.page.gate import Session
from witnesspost.daemon.page.html import Html, tag
from witnesspost.daemon.page.live import Parts
from witnesspost.daemon.page.logs import Log, Logs
from witnesspost.daemon.page.place import Form
from witnesspost.daemon.page.sight import Sight
from witnesspost.daemon.page.worker import Ending, Worker

TAPE_S = 3600.0
ROOM_FRACTION = 0.10  # of the disk stays free: under that the post itself is in trouble (`post-health`)
_PIECE_BYTES = 65536
_LISTED = 60
_RANGE = re.compile(r"bytes=(\d{1,15})-(\d{0,15})", re.ASCII)


class Piece(NamedTuple):
    """The bytes `first` to `last` of a file."""

    first: int
    last: int


class NoSuchPiece(Exception):
    """The file has no such bytes."""


def piece_of(said: str | None, size_bytes: int) -> Piece | None:
    """What a Range header asks for (RFC 9110, 14): None where it asks for all, or for what need not be understood.

    Raises NoSuchPiece.
    """
    match = _RANGE.fullmatch(said or "")
    if match is None:
        return None
    first, last = int(match[1]), int(match[2]) if match[2] else size_bytes - 1
    if first >= size_bytes or last < first:
        raise NoSuchPiece
    return Piece(first, min(last, size_bytes - 1))


class Files:
    """The place itself."""

    address = "/files"
    title = "FILES"

    def __init__(self, post: PostView, logs: Logs, worker: Worker):
        self._post = post
        self._logs = logs
        self._worker = worker
        self._copying = False
        self._copied_part = 0.0
        self._copy: Path | None = None
        self._copy_failed = ""
        self._taping = False
        self.start: Callable[[Any], object] = lambda task: task.close()

    # ── what is shown ───────────────────────────────────────────────────────────────────────────────────────────

    def parts(self, sight: Sight, form: Form) -> Parts:
        """The running log and its copy."""
        return {"running": self._running(form)}

    async def rest(self, request: Request, sight: Sight, form: Form) -> Html | None:
        """The tape, and the closed logs."""
        try:
            closed = await self._worker.do(self._logs.closed)
        except OSError:
            closed = []
        rows = [self._row(sight, log) for log in closed[:_LISTED]] or [tag("li", words.NO_CLOSED)]
        return tag(
            "section",
            tag("h2", words.TAPE),
            tag("p", words.TAPE_WHY),
            tag("p", tag("a", words.TAPE_GET, href="/files/tape", class_="button", download=True), class_="buttons"),
            tag("h2", words.CLOSED),
            tag("p", words.CLOSED_WHY),
            tag("ul", *rows, class_="files"),
        )

    def _running(self, form: Form) -> Html:
        inside: list[Html] = [tag("h2", words.RUNNING), tag("p", words.RUNNING_WHY)]
        if self._copying:
            inside.append(tag("p", words.COPYING.format(part=100 * self._copied_part), class_="said"))
        else:
            if self._copy_failed:
                inside.append(tag("p", self._copy_failed, class_="said refused"))
            if self._copy is not None:
                size = words.MEGABYTES.format(size=self._copy.stat().st_size / 1e6) if self._copy.exists() else ""
                link = tag("a", words.COPY_GET.format(size=size), href="/files/snapshot", class_="button main", download=True)
                inside.append(tag("p", link, class_="buttons"))
            button = tag("button", words.COPY_MAKE if self._copy is None else words.COPY_AGAIN, name="do", value="snapshot")
            form_inside = (hidden(form.token), tag("div", button, class_="buttons"))
            inside.append(tag("form", *form_inside, method="post", action="/files"))
        return tag("section", *inside, id="running")

    def _row(self, sight: Sight, log: Log) -> Html:
        when = words.UNKNOWN_TIME
        if log.from_utc is not None and log.to_utc is not None:
            first, last = log.from_utc.astimezone(sight.zone), log.to_utc.astimezone(sight.zone)
            same = first.date() == last.date()
            when = f"{first:%Y-%m-%d %H:%M}–{last:%H:%M}" if same else f"{first:%Y-%m-%d %H:%M} – {last:%Y-%m-%d %H:%M}"
        size = words.MEGABYTES.format(size=log.size_bytes / 1e6)
        link = tag("a", tag("b", log.path.name), tag("span", f"{when}, {size}"), href=f"/files/{log.number}", download=True)
        return tag("li", link)

    # ── what is done ────────────────────────────────────────────────────────────────────────────────────────────

    def act(self, fields: dict[str, str], session: Session, sight: Sight) -> str:
        """Begin a snapshot of the running log."""
        if fields.get("do") != "snapshot":
            raise Refused(words.NOTHING_CHOSEN)
        if self._copying:
            raise Refused(words.COPY_ONE, 409)
        current = self._logs.current()
        if current is None:
            raise Refused(words.NO_LOG, 409)
        try:
            self._refuse_where_room_is_short(current)
        except OSError:
            raise Refused(words.NO_ROOM, 507) from None
        self._copying, self._copied_part, self._copy_failed = True, 0.0, ""
        self.start(self._make_copy(current))
        return words.COPY_BEGUN

    def _refuse_where_room_is_short(self, current: Path) -> None:
        disk = os.statvfs(current.parent)
        wanted = sum(path.stat().st_size for path in (current, wal_of(current)) if path.exists())
        had = self._copy.stat().st_size if self._copy is not None and self._copy.exists() else 0
        left = disk.f_bavail * disk.f_frsize + had - wanted
        if left < ROOM_FRACTION * disk.f_blocks * disk.f_frsize:
            raise Refused(words.NO_ROOM, 507)

    async def _make_copy(self, current: Path) -> None:
        target = current.with_name(f"{current.name.partition('.')[0]}.snapshot.db")
        try:
            await self._worker.do(lambda: self._copy_to(current, target))
            self._copy = target
        except Ending:
            pass
        except (LogError, OSError):
            self._copy_failed = words.COPY_FAILED
        finally:
            self._copying = False

    def _copy_to(self, current: Path, target: Path) -> None:
        target.unlink(missing_ok=True)
        self._copy = None

        def progress(part: float) -> None:
            self._copied_part = part
            self._worker.check()

        try:
            copy_log(current, target, progress)
        except BaseException:
            target.unlink(missing_ok=True)
            raise

    def end(self) -> None:
        """Take the copy away."""
        if self._copy is not None:
            with contextlib.suppress(OSError):
                self._copy.unlink(missing_ok=True)

    # ── what is fetched ─────────────────────────────────────────────────────────────────────────────────────────

    def route(self, routes: Microdot) -> None:
        """The files themselves."""
        routes.get("/files/snapshot")(self._get_copy)
        routes.get("/files/tape")(self._get_tape)
        routes.get("/files/<number>")(self._get_closed)

    async def _get_closed(self, request: Request, number: str) -> Response:
        closed = await self._worker.do(self._logs.closed)
        found = next((log.path for log in closed if str(log.number) == number), None)
        return await self._sent(request, found, found.name if found is not None else "")

    async def _get_copy(self, request: Request) -> Response:
        current = self._logs.current()
        return await self._sent(request, self._copy, current.name if current is not None else "snapshot.db")

    async def _sent(self, request: Request, path: Path | None, name: str) -> Response:
        """The file at `path`, or the piece of it that was asked for."""
        try:
            state = path.stat() if path is not None else None
        except OSError:
            state = None
        if path is None or state is None:
            return Response(f"{words.NO_FILE}\n", 404, {"Content-Type": "text/plain"})
        tag_of_it = f'"{state.st_size:x}-{state.st_mtime_ns:x}"'
        headers = {
            "Content-Type": "application/vnd.sqlite3",
            "Content-Disposition": f'attachment; filename="{name}"',
            "Accept-Ranges": "bytes",
            "ETag": tag_of_it,
        }
        asked = request.headers.get("Range") if request.headers.get("If-Range", tag_of_it) == tag_of_it else None
        try:
            piece = piece_of(asked, state.st_size)
        except NoSuchPiece:
            return Response("", 416, {"Content-Range": f"bytes */{state.st_size}"})
        first, last = piece if piece is not None else Piece(0, state.st_size - 1)
        if piece is not None:
            headers["Content-Range"] = f"bytes {first}-{last}/{state.st_size}"
        headers["Content-Length"] = str(last - first + 1)
        body: Any = self._read(path, first, last + 1)
        return Response(body, 200 if piece is None else 206, headers)

    async def _read(self, path: Path, at: int, end: int) -> AsyncIterator[bytes]:
        file = await self._worker.do(lambda: path.open("rb"))
        with file:
            await self._worker.do(lambda: file.seek(at))
            while at < end:
                wanted = min(_PIECE_BYTES, end - at)
                data = await self._worker.do(lambda wanted=wanted: file.read(wanted))  # type: ignore[misc]
                if not data:
                    return
                at += len(data)
                yield data

    async def _get_tape(self, request: Request) -> Response:
        current = self._logs.current()
        if current is None or self._taping:
            why = words.NO_LOG if current is None else words.TAPE_ONE
            return Response(f"{why}\n", 409, {"Content-Type": "text/plain"})
        name = f"{current.name.removesuffix('.db')}.last-hour.jsonl.gz"
        headers = {"Content-Type": "application/gzip", "Content-Disposition": f'attachment; filename="{name}"'}
        if request.method == "HEAD":
            return Response("", 200, headers)
        self._taping = True
        body: Any = self._tape(current)
        return Response(body, 200, headers)

    async def _tape(self, current: Path) -> AsyncIterator[bytes]:
        try:
            packed = _packed(current, self._post.now() - TAPE_S, self._worker.check)
            while data := await self._worker.do(lambda: next(packed, b"")):
                yield data
        except (LogError, Ending) as error:
            raise ConnectionAbortedError(str(error)) from None  # cut short, so that nobody takes it for the whole
        finally:
            self._taping = False


def _packed(path: Path, from_t: float, check: Callable[[], None]) -> Iterator[bytes]:
    """The tape of a log from `from_t` on, gzip (RFC 1952), in pieces."""
    pack = zlib.compressobj(6, zlib.DEFLATED, 16 + zlib.MAX_WBITS)
    with LogFile.open(path) as log:
        ready = b""
        for line in tape_of(log, from_t):
            ready += pack.compress(line)
            if len(ready) >= _PIECE_BYTES:
                check()
                yield ready
                ready = b""
    yield ready + pack.flush()
