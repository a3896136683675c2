"""Files: closed logs as they are, in pieces where a phone went away meanwhile; the running one as a snapshot; tape, bundle.

Snapshot and bundle lie beside the running log for as long as the page runs, are made one at a time, and not where the disk
would fall under a tenth of its room. Nothing that a request says becomes part of a path: a number is looked up among what is
there.
"""

from __future__ import annotations

import os
import re
import zlib
from collections.abc import AsyncIterator, Callable, Iterator
from functools import partial
from pathlib import Path
from typing import IO, Any, NamedTuple

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
from witnesspost.daemon.page.making import Making, Progress
from witnesspost.daemon.page.sight import Sight
from witnesspost.daemon.page.tab import Form, Tab
from witnesspost.daemon.page.worker import Ending, Worker
from witnesspost.daemon.status.snapshot import Status

TAPE_S = 3600.0
ROOM_FRACTION = 0.10  # of the disk stays free: under that the post itself is in trouble (`post-health`)
_PIECE_BYTES = 65536
_LISTED = 60
WriteBundle = Callable[[IO[bytes], Status, Path, Progress], object]
"""Writes the bundle of a post, its log's copy in that folder meanwhile."""
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


class Files(Tab):
    """The tab itself."""

    address = "/files"
    title = "FILES"

    def __init__(self, post: PostView, logs: Logs, worker: Worker, write_bundle: WriteBundle | None = None):
        self._post = post
        self._logs = logs
        self._worker = worker
        self._copy, self._bundle = Making(worker), Making(worker)
        self._write_bundle = write_bundle
        self._taping = False
        self.start: Callable[[Any], object] = lambda task: task.close()

    # ── what is shown ───────────────────────────────────────────────────────────────────────────────────────────

    def parts(self, sight: Sight, form: Form) -> Parts:
        """The running log's copy, and the bundle."""
        parts = {"running": _made("running", self._copy, _COPY, form)}
        return parts | ({"bundle": _made("bundle", self._bundle, _BUNDLE, form)} if self._write_bundle is not None else {})

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
        """Begin a snapshot of the running log, or the bundle."""
        do = fields.get("do")
        if do not in ("snapshot", "bundle") or (do == "bundle" and self._write_bundle is None):
            raise Refused(words.NOTHING_CHOSEN)
        if self._copy.at_work or self._bundle.at_work:
            raise Refused(words.COPY_ONE, 409)
        current = self._logs.current()
        if current is None:
            raise Refused(words.NO_LOG, 409)
        made, copies = (self._copy, 1) if do == "snapshot" else (self._bundle, 2)  # a copy, and the same packed
        try:
            _refuse_where_room_is_short(current, copies, made.size_bytes)
        except OSError:
            raise Refused(words.NO_ROOM, 507) from None
        name = current.name.partition(".")[0]
        if do == "snapshot":
            target, work = current.with_name(f"{name}.snapshot.db"), partial(_copy, current)
        else:
            status = self._post.snapshot()  # as the post says it, not in the language of the phone's reader
            target, work = current.with_name(f"{name}.bundle.zip"), partial(self._bundled, status)
        made.at_work = True
        self.start(made.make(target, work))
        return words.COPY_BEGUN if do == "snapshot" else words.BUNDLE_BEGUN

    def _bundled(self, status: Status | None, target: Path, progress: Progress) -> None:
        if status is None or self._write_bundle is None:
            raise OSError("the post is only just starting")
        with target.open("xb") as file:
            self._write_bundle(file, status, target.parent, progress)

    def end(self) -> None:
        """Take away what was made."""
        self._copy.end()
        self._bundle.end()

    # ── what is fetched ─────────────────────────────────────────────────────────────────────────────────────────

    def route(self, routes: Microdot) -> None:
        """The files themselves."""
        routes.get("/files/snapshot")(self._get_copy)
        routes.get("/files/bundle")(self._get_bundle)
        routes.get("/files/tape")(self._get_tape)
        routes.get("/files/<number>")(self._get_closed)

    async def _get_closed(self, request: Request, number: str) -> Response:
        closed = await self._worker.do(self._logs.closed)
        found = next((log.path for log in closed if str(log.number) == number), None)
        return await self._sent(request, found, found.name if found is not None else "")

    async def _get_copy(self, request: Request) -> Response:
        current = self._logs.current()
        return await self._sent(request, self._copy.file, current.name if current is not None else "snapshot.db")

    async def _get_bundle(self, request: Request) -> Response:
        path = self._bundle.file
        return await self._sent(request, path, path.name if path is not None else "", "application/zip")

    async def _sent(self, request: Request, path: Path | None, name: str, kind: str = "application/vnd.sqlite3") -> Response:
        """The file at `path`, or the piece of it that was asked for."""
        try:
            state = path.stat() if path is not None else None
        except OSError:
            state = None
        if path is None or state is None:
            return Response(f"{words.NO_FILE}\n", 404, {"Content-Type": "text/plain"})
        tag_of_it = f'"{state.st_size:x}-{state.st_mtime_ns:x}"'
        headers = {
            "Content-Type": kind,
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


class _Words(NamedTuple):
    """The names among the words of what is said of a file that is made."""

    title: str
    why: str
    make: str
    again: str
    get: str
    going: str
    failed: str


_COPY = _Words("RUNNING", "RUNNING_WHY", "COPY_MAKE", "COPY_AGAIN", "COPY_GET", "COPYING", "COPY_FAILED")
_BUNDLE = _Words("BUNDLE", "BUNDLE_WHY", "BUNDLE_MAKE", "COPY_AGAIN", "BUNDLE_GET", "BUNDLING", "BUNDLE_FAILED")


def _made(key: str, made: Making, said: _Words, form: Form) -> Html:
    """How far a file is that is made when asked for, and the way to it."""
    inside: list[Html] = [tag("h2", getattr(words, said.title)), tag("p", getattr(words, said.why))]
    do = "snapshot" if said is _COPY else "bundle"
    if made.at_work:
        inside.append(tag("p", getattr(words, said.going).format(part=100 * made.part), class_="said"))
    else:
        if made.failed:
            inside.append(tag("p", getattr(words, said.failed), class_="said refused"))
        if made.file is not None:
            size = words.MEGABYTES.format(size=made.size_bytes / 1e6)
            text = getattr(words, said.get).format(size=size)
            inside.append(tag("p", tag("a", text, href=f"/files/{do}", class_="button main", download=True), class_="buttons"))
        button = tag("button", getattr(words, said.make if made.file is None else said.again), name="do", value=do)
        inside.append(tag("form", hidden(form.token), tag("div", button, class_="buttons"), method="post", action="/files"))
    return tag("section", *inside, id=key)


def _refuse_where_room_is_short(current: Path, copies: int, had_bytes: int) -> None:
    disk = os.statvfs(current.parent)
    wanted = copies * sum(path.stat().st_size for path in (current, wal_of(current)) if path.exists())
    left = disk.f_bavail * disk.f_frsize + had_bytes - wanted
    if left < ROOM_FRACTION * disk.f_blocks * disk.f_frsize:
        raise Refused(words.NO_ROOM, 507)


def _copy(current: Path, target: Path, progress: Progress) -> None:
    copy_log(current, target, progress)


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
