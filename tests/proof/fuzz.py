"""Every parser and file reader, fed what is nearly right (`tests.proof.cases`): the readers, their samples, and a row each."""

from __future__ import annotations

import contextlib
import io
import json
import random
import shutil
import socket
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from witnesspost.daemon.log.folder import LogBusy
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.log.mark import AlarmMark
from witnesspost.daemon.log.opening import LogError
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.salvaging import Sound, sound_blocks
from witnesspost.daemon.log.verifying import verify
from witnesspost.daemon.page import forms
from witnesspost.daemon.page.wifi import NotWifi, read_wifi
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.daemon.requests import answer
from witnesspost.daemon.stream.decoding import Decoder
from witnesspost.daemon.stream.framing import FRAME, SENTENCE, Framer, crc24q, nmea_checksum
from witnesspost.daemon.stream.rtcm2 import rtcm2_words
from witnesspost.replay.office.decisions import apply_decisions
from witnesspost.replay.office.field_file import read_field
from witnesspost.replay.office.field_points import FieldError
from witnesspost.replay.play.tape import Tape, TapeError
from witnesspost.replay.world.scenario import ScenarioError, scenarios
from witnesspost.rules.book.contents import FIGURES, open_site, open_whole_site
from witnesspost.rules.facts import ReadingFailed, RuleFailed
from witnesspost.rules.site.model import SiteError
from witnesspost.rules.site.reading import site_from_toml
from witnesspost.rules.site.salvage import salvage

from tests import DATA
from tests.daemon.page.conftest import Served
from tests.daemon.view import View
from tests.proof.cases import Reader, Wrong, changed, changed_text, tried
from tests.proof.hostile import KINDS
from tests.proof.hostile import SITE as POST
from tests.proof.table import Length, Row
from tests.rules.site.conftest import GOOD

# ── bytes of a line ─────────────────────────────────────────────────────────────────────────────────────────────


def _recorded() -> list[bytes]:
    return [path.read_bytes() for path in sorted(DATA.glob("*.bin"))] + [
        path.read_bytes() for path in sorted(DATA.glob("nmea*.txt"))
    ]


def _framed(payload: bytes) -> bytes:
    body = b"\xd3" + (len(payload) & 1023).to_bytes(2, "big") + payload[:1023]
    return body + crc24q(body).to_bytes(3, "big")


def _payloads(recordings: list[bytes]) -> list[bytes]:
    return [unit[3:-3] for data in recordings for kind, unit in Framer().feed(data) if kind == FRAME and len(unit) > 8]


def _line_readers() -> Iterator[Reader]:
    recordings = _recorded()
    payloads = _payloads(recordings)
    sentences = [unit[1:].rpartition(b"*")[0] for data in recordings for kind, unit in Framer().feed(data) if kind == SENTENCE]

    def cut(chance: random.Random) -> list[bytes]:
        data = chance.choice(recordings)
        begin = chance.randrange(len(data))
        whole = changed(chance, data[begin : begin + 2000], chance.choice(recordings))
        ends = sorted(chance.randrange(len(whole) + 1) for _ in range(chance.randrange(6)))
        return [whole[a:b] for a, b in zip([0, *ends], [*ends, len(whole)], strict=True)]

    def frames(parts: list[bytes]) -> None:
        framer = Framer()
        units = [unit for part in parts for unit in framer.feed(part)]
        units += framer.flush()
        if b"".join(data for _, data in units) != b"".join(parts):
            raise Wrong("the units joined are not the bytes fed")

    def message(chance: random.Random) -> bytes:
        if chance.random() < 0.2:
            return chance.choice(KINDS)(chance)
        payload = bytearray(changed(chance, chance.choice(payloads), chance.choice(payloads)))
        if chance.random() < 0.3 and len(payload) > 2:
            payload[:2] = (chance.randrange(4096) << 4 | payload[1] & 15).to_bytes(2, "big")
        return _framed(bytes(payload))

    def sentence(chance: random.Random) -> bytes:
        body = changed_text(chance, chance.choice(sentences)).replace(b"\n", b"").replace(b"\r", b"")
        return b"$" + body + b"*%02X\r\n" % nmea_checksum(body)

    decoder = Decoder("line")
    clock = iter(range(1 << 60))

    def decodes(data: bytes) -> None:
        """As the pipeline calls it, but for its own last resort: what it would tell as ReadingFailed is raised here."""
        framer = Framer()
        decoder.decode(next(clock) / 10.0, framer.feed(data) + framer.flush())

    yield Reader("framer", cut, frames)
    yield Reader("RTCM 3 messages, good checksum", message, decodes, share=3.0)
    yield Reader("NMEA sentences, good checksum", sentence, decodes, share=3.0)
    yield Reader("RTCM 2 words", lambda chance: changed(chance, chance.randbytes(90)), rtcm2_words)

    failed: list[str] = []
    pipelines: list[Pipeline] = []
    for role in ("base", "rover"):
        pipeline = Pipeline(site_from_toml(POST.format(role=role)), None)
        pipelines.append(pipeline)
        see_all = pipeline.engine.see_all

        def seen(facts: Sequence[Any], see_all: Callable[[Any], None] = see_all) -> None:
            failed.extend(fact.error for fact in facts if isinstance(fact, RuleFailed | ReadingFailed))
            see_all(facts)

        pipeline.engine.see_all = seen  # type: ignore[method-assign]
    at = iter(range(1 << 60))

    def judged(parts: list[bytes]) -> None:
        t = next(at) / 20.0
        for pipeline in pipelines:
            for part in parts:
                pipeline.feed(t, "line", part)
            pipeline.tick(t)
        if failed:
            raise Wrong(failed.pop())

    def line(chance: random.Random) -> list[bytes]:
        return [*(chance.choice((message, sentence))(chance) for _ in range(chance.randint(1, 4))), *cut(chance)[:1]]

    yield Reader("a line through every rule", line, judged, share=3.0)


# ── files ───────────────────────────────────────────────────────────────────────────────────────────────────────

_CSV = b"name,easting,northing,height\nKQ-1,512345.678,4330123.456,1874.322\nKQ-2,512445.678,4330223.456,1878.1\n"
_GEOJSON = json.dumps(
    {
        "type": "FeatureCollection",
        "features": [
            {
                "type": "Feature",
                "properties": {"name": f"P{n}", "time": "2026-05-04T14:00:00Z"},
                "geometry": {"type": "Point", "coordinates": [-104.98, 39.12 + n / 1e4, 1874.3]},
            }
            for n in range(4)
        ],
    },
    indent=0,
).encode()
_LANDXML = (
    b'<?xml version="1.0"?>\n<LandXML><Units><Metric linearUnit="meter"/></Units><CgPoints>\n'
    + b"".join(b'<CgPoint name="P%d">43301%d.456 5123%d.678 1874.3</CgPoint>\n' % (n, 20 + n, 40 + n) for n in range(5))
    + b"</CgPoints></LandXML>"
)
_TIMED = b"name;north;east;height;time\n" + b"".join(
    b"P%d;43301%d,456;5123%d,678;1874,3;2026-05-04 14:%02d:00\n" % (n, 20 + n, 40 + n, n) for n in range(5)
)
_DECISIONS = b"point,verdict,by,reason\nP1,keep,Ada,seen on the plan\nP2,observe-again,Ada,too near the truck\n"
_WIFI = (
    b"[connection]\nid=witnesspost\ntype=wifi\n\n[wifi]\nmode=ap\nssid=kestrel-base\n\n[wifi-security]\nkey-mgmt=wpa-psk\n"
    b"psk=abcd-efgh-jkmn\n\n[ipv4]\naddress1=10.88.17.1/24\nmethod=shared\n"
)


def _file_readers(folder: Path) -> Iterator[Reader]:
    file = folder / "file"

    def written(read: Callable[[Path], object]) -> Callable[[bytes], object]:
        def reads(data: bytes) -> object:
            file.write_bytes(data)
            return read(file)

        return reads

    def of(*samples: bytes) -> Callable[[random.Random], bytes]:
        return lambda chance: changed_text(chance, chance.choice(samples))

    site = GOOD.encode()
    control = folder / "with-control.toml"
    control.write_text(GOOD + '\n[[project.control_file]]\npath = "control.csv"\n')

    def control_file(data: bytes) -> None:
        (folder / "control.csv").write_bytes(data)
        open_site(control)

    yield Reader("site file", of(site), written(open_site), (SiteError,), 2.0)
    yield Reader("site file with its datum", of(site), written(open_whole_site), (SiteError,), 2.0)
    yield Reader("site file that is salvaged", of(site), written(lambda path: salvage(path, FIGURES)))
    yield Reader("control file", of(_CSV), control_file, (SiteError,))
    yield Reader("scenario", of(*_scenario_files()), written(scenarios), (ScenarioError, SiteError))
    yield Reader("field file", of(_CSV, _TIMED, _LANDXML, _GEOJSON), written(_read_points), (FieldError,), 2.0)
    yield Reader("decisions", of(_DECISIONS), written(_decided), (FieldError,))
    yield Reader("Wi-Fi file", of(_WIFI), written(read_wifi), (NotWifi,))

    yield Reader("tape", of(_TAPE), written(_played), (TapeError,))
    yield from _log_readers(folder)


_TAPE_LINES = (
    b'{"t": %d.5, "stream": "corrections", "hex": "d300043ed0000f"}\n',
    b'{"t": %d.7, "tell": {"planned": {"for_s": 10, "why": "x"}}}\n',
    b'{"t": %d.8, "stream": "receiver", "port": "lost"}\n',
    b'{"t": %d.9, "expect": "raised", "rule": "sky", "within_s": 5}\n',
)
_TAPE = b'{"tape": 1, "streams": ["corrections", "receiver"], "note": "a note"}\n' + b"".join(
    line % n for n in range(5) for line in _TAPE_LINES
)


def _decided(path: Path) -> None:
    apply_decisions(SimpleNamespace(points=[]), path)  # type: ignore[arg-type]


def _played(path: Path) -> None:
    with Tape(path) as tape:
        for _ in tape:
            pass


def _read_points(path: Path) -> None:
    read_field(path, lambda north, east, swapped: None)


def _scenario_files() -> list[bytes]:
    folder = Path(__file__).parents[2] / "replay" / "scenarios"
    return [path.read_bytes() for path in sorted(folder.glob("*.toml"))]


def _log_readers(folder: Path) -> Iterator[Reader]:
    live = folder / "live"
    site = site_from_toml(POST.format(role="rover"))
    log = Log.start(live, site, "")
    pipeline = Pipeline(site, log)
    chance = random.Random(1)
    for n in range(300):
        pipeline.feed(n / 5, "line", b"".join(chance.choice(KINDS)(chance) for _ in range(3)))
        pipeline.tick(n / 5)
    image = folder / "image"
    shutil.copytree(live, image)
    for path in image.glob("*-shm"):
        path.unlink()
    log.close(pipeline.t, "stopped")
    (closed,) = live.glob("*.db")
    with contextlib.closing(sqlite3.connect(closed)) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")
    closed_bytes = closed.read_bytes()
    (open_file,) = image.glob("*.db")
    wal = open_file.with_name(open_file.name + "-wal")
    parts = open_file.read_bytes(), wal.read_bytes()

    def page(chance: random.Random, data: bytes) -> bytes:
        """Bytes of some pages changed, mostly of the first ones and of the heads of the others, where the structure is."""
        spoiled = bytearray(data)
        for _ in range(chance.randint(1, 4)):
            at = chance.randrange(len(spoiled) // 4096 + 1) * 4096 + int(chance.expovariate(1 / 60)) if spoiled else 0
            if chance.random() < 0.3:
                at = int(chance.expovariate(1 / 300))
            if at >= len(spoiled):
                continue
            how = chance.randrange(6)
            if how < 3:
                spoiled[at] ^= 1 << chance.randrange(8)
            elif how == 3:
                spoiled[at : at + 512] = bytes(len(spoiled[at : at + 512]))
            elif how == 4:
                spoiled[at : at + 64] = chance.randbytes(len(spoiled[at : at + 64]))
            elif chance.random() < 0.4:
                del spoiled[at:]
        return bytes(spoiled)

    read_at = folder / "read.0001.db"

    def reads(data: bytes) -> None:
        read_at.write_bytes(data)
        with LogFile.open(read_at) as opened:
            for what in ("note", "gaps", "changes", "figures", "ended", "grids", "sqlite_check"):
                with contextlib.suppress(LogError):
                    getattr(opened, what)()
            with contextlib.suppress(LogError):
                verify(opened)
            with contextlib.suppress(LogError):
                for _ in opened.inputs():
                    pass
            for _ in sound_blocks(opened, "line", Sound()):
                pass

    def begins(given: tuple[bytes, bytes]) -> None:
        """Whatever the last file is, the next start begins; what it writes is whole."""
        work = folder / "work"
        shutil.rmtree(work, ignore_errors=True)
        work.mkdir()
        (work / open_file.name).write_bytes(given[0])
        (work / wal.name).write_bytes(given[1])
        log = Log.start(work, site, "")
        log.left(0.0, None)
        log.chunk(1.0, "line", b"after")
        log.close(2.0, "stopped")
        if log.loss is not None:
            raise Wrong(f"lost: {log.loss.why}")
        newest = max(work.glob("*.db"))
        with LogFile.open(newest) as opened:
            if not verify(opened).sound or [what for _, _, what in opened.inputs()][-1:] != [b"after"]:
                raise Wrong(f"{newest.name} does not hold what was written")

    yield Reader("log", lambda chance: page(chance, closed_bytes), reads, (LogError,), 4.0)
    yield Reader(
        "last log at a start", lambda chance: (page(chance, parts[0]), page(chance, parts[1])), begins, (LogBusy,), 4.0
    )
    sounded = b'"0123456789abcdef"\n' + b'{"t":1.0,"utc":null,"change":"raised","rule":"sky"}\n' * 3

    def marks(data: bytes) -> None:
        (folder / "mark").write_bytes(data)
        AlarmMark(folder / "mark", "x")

    yield Reader("mark of what sounded", lambda chance: changed_text(chance, sounded), marks)


# ── what people and phones send ─────────────────────────────────────────────────────────────────────────────────

_REQUESTS = [
    json.dumps(one).encode()
    for one in (
        {"do": "seen", "rule": "sky", "by": "Ada", "note": "x"},
        {"do": "shelve", "rule": "sky", "for_s": 60, "by": "Ada"},
        {"do": "pause", "for_s": 60, "why": "battery", "by": "Ada"},
        {"do": "setup", "point": "KQ-1", "antenna_height_m": 1.8, "pole_height_m": 2.0, "by": "Ada"},
        {"do": "checkin", "point": "KQ-2", "by": "Ada"},
        {"do": "solved", "rule": "sky", "step": 1, "by": "Ada"},
    )
]
_FORM = b"token=abcdef&by=Ada+L.&point=KQ-1&antenna_height_m=1%2C843&note=%C3%A9"
_HTTP = (
    b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nCookie: a=b\r\n\r\n",
    b"POST /pin HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 21\r\n\r\n"
    b"token=abc&pin=000000&",
    b"GET /live/all HTTP/1.1\r\nHost: 127.0.0.1\r\nLast-Event-ID: 5\r\nAccept: text/event-stream\r\n\r\n",
)


def _sent_readers(served: Served) -> Iterator[Reader]:
    view = View()
    view.site, view.status, view.t = served.site, served.view.status, 100.0

    def asks(data: bytes) -> None:
        said = answer(data, view)
        if (said.done is None) == (said.refused is None):
            raise Wrong("neither done nor refused")
        view.told.clear()
        view.lines.clear()

    def fills(data: bytes) -> None:
        fields = forms.fields_of("application/x-www-form-urlencoded", data)
        with contextlib.suppress(forms.Refused):
            forms.person(fields)
        with contextlib.suppress(forms.Refused):
            forms.text(fields, "note", "Note")
        with contextlib.suppress(forms.Refused):
            forms.metres(fields, "antenna_height_m", "Height")

    tries = iter(range(1 << 60))

    def sends(data: bytes) -> None:
        """The bytes, and now and then a request that is right: that one is answered."""
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", served.port), 5) as end:
            end.sendall(data)
            end.shutdown(socket.SHUT_WR)
            end.settimeout(0.01)
            with contextlib.suppress(TimeoutError):
                end.recv(65536)
        if next(tries) % 20 == 0:
            said = served.browser("127.0.0.2").get("/")
            if said is None or said.status != 200:
                raise Wrong(f"a right request is not answered: {said and said.status}")

    yield Reader("request on the post's socket", lambda c: changed_text(c, c.choice(_REQUESTS)), asks)
    yield Reader("page's form", lambda chance: changed_text(chance, _FORM), fills, (forms.Refused,))
    yield Reader("page's port", lambda chance: changed(chance, chance.choice(_HTTP)), sends, share=2.0)


def rows(length: Length) -> Iterator[Row]:
    """A row a reader; each is tried for its share of the minutes, and a hundred times in short."""
    said = io.StringIO()
    with tempfile.TemporaryDirectory(prefix="witnesspost-fuzz-") as name, contextlib.redirect_stderr(said):
        served = Served()
        try:
            readers = [*_line_readers(), *_file_readers(Path(name)), *_sent_readers(served)]
            shares = sum(reader.share for reader in readers)
            for reader in readers:
                yield _row(reader, length, reader.share / shares)
        finally:
            served.page.turn(0.0)
            served.page.stop()


def _row(reader: Reader, length: Length, share: float) -> Row:
    wrong: list[str] = []
    until = time.monotonic() + length.minutes * 60.0 * share
    count = 0
    worst_s = 0.0
    while (count < 100) if length.short else (time.monotonic() < until):
        begun = time.process_time()
        if (bad := tried(reader, length.first + count)) is not None and len(wrong) < 20:
            wrong.append(bad)
        worst_s = max(worst_s, time.process_time() - begun)
        count += 1
    wrong += [] if count else [f"{reader.name}: no case: nothing was tried"]
    ends = ", ".join(kind.__name__ for kind in reader.ends) or "nothing"
    return Row(f"fuzz: {reader.name}", f"{count:,}", f"raises {ends} alone; longest {worst_s:.2f} s", tuple(wrong))
