"""A sender that invents: good checksums around whatever makes tables grow, and what the pipeline keeps of it.

    python -m tests.proof --only hostile      each kind of invention through a base's and a rover's pipeline, with a log

What is counted: the largest container that can be reached from the pipeline, the rows of each table a minute, what failed, and
the time of the last quarter of the bytes against the second. Each kind is a function from a chance to one frame or sentence.
"""

from __future__ import annotations

import contextlib
import random
import sqlite3
import tempfile
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

from witnesspost.daemon.log.log import Log
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.daemon.stream.framing import crc24q, nmea_checksum
from witnesspost.rules.facts import ReadingFailed, RuleFailed
from witnesspost.rules.site.reading import site_from_toml

from tests.bench.adversarial import PATTERNS
from tests.proof.table import Length, Row

MOST_KEPT = 5000  # items of any one container: every reference station there can be, and a few
BYTES_AN_ITEM = 64  # a text counts by what it takes, as so many items of a container would
MOST_ROWS_A_MINUTE = 3000  # of any one table: fifty positions a second
MOST_SLOWER = 2.0
MANY_BYTES = 100_000_000
BYTES_A_S = 40_000
SLOW_BYTES_A_S = (
    5_000  # by which a pattern's first part is over when every window of the rules is full, and every station known
)
SITE = """
[post]
name = "kestrel-{role}"
role = "{role}"
[[stream]]
name = "line"
port = "loop://"
carries = ["corrections", "positions"]
[project]
frame = "EPSG:6319"
vertical = "ellipsoidal"
[[project.control]]
name = "KQ-1"
latitude = 39.1234567
longitude = -104.9876543
height = 1874.322
[base]
kind = "own"
occupies = "KQ-1"
station_id = [417, 418]
antenna_height_m = 1.843
"""
_ADDRESS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"
_ODD = (
    *("99999999999999999999", "-1", "1e308", "-1e308", "nan", "inf", "", "0", "00", "1e-320", "+5", " 5", "5_0", "0x1f"),
    *("235960.00", "245959", "9" * 400, "1" * 60, ".", "-", "e", "2026", "00000000", "311299", "290200", "A", "RRRR"),
)
_SENTENCES = (
    "GPGGA,120000.00,3907.40740,N,10459.25926,W,4,17,0.8,1850.0,M,-17.8,M,1.0,0417",
    "GNGNS,120000.00,3907.40740,N,10459.25926,W,RRNN,17,0.8,1850.0,-17.8,1.0,0417",
    "GPGST,120000.00,1.0,0.1,0.1,10.0,0.01,0.01,0.02",
    "GPRMC,120000.00,A,3907.40740,N,10459.25926,W,0.02,90.0,040526,,,R",
    "GPZDA,120000.00,04,05,2026,00,00",
    "GPGSV,1,1,04,02,45,123,44,05,30,200,40,07,20,10,38,09,10,300,35,1",
    "GPXDR,A,1.0,D,PTCH,A,1.0,D,ROLL",
)


def sentence(body: str) -> bytes:
    """A sentence with its checksum."""
    data = body.encode("latin-1", "replace")
    return b"$" + data + f"*{nmea_checksum(data):02X}\r\n".encode()


def frame(bits: str) -> bytes:
    """A frame of RTCM 3 with its checksum."""
    bits += "0" * (-len(bits) % 8)
    payload = int(bits, 2).to_bytes(len(bits) // 8, "big")
    body = b"\xd3" + len(payload).to_bytes(2, "big") + payload
    return body + crc24q(body).to_bytes(3, "big")


def _bits(chance: random.Random, count: int) -> str:
    return f"{chance.getrandbits(count):0{count}b}"


def odd_fields(chance: random.Random) -> bytes:
    """A usual sentence with one or two fields of another kind."""
    fields = chance.choice(_SENTENCES).split(",")
    for _ in range(chance.randint(1, 2)):
        fields[chance.randrange(1, len(fields))] = chance.choice(_ODD)
    if chance.random() < 0.1:
        del fields[chance.randrange(1, len(fields)) :]
    return sentence(",".join(fields))


def addresses(chance: random.Random) -> bytes:
    """A sentence nobody has heard of."""
    return sentence("".join(chance.choices(_ADDRESS, k=chance.randint(4, 9))) + ",1,2,3")


def signals(chance: random.Random) -> bytes:
    """A GSV of a signal that nobody has heard of."""
    name = "".join(chance.choices(_ADDRESS, k=chance.randint(1, 8)))
    return sentence(f"{chance.choice(('GP', 'GL', 'GA', 'GB'))}GSV,1,1,01,{chance.randrange(10**9)},45,123,44,{name}")


def dates(chance: random.Random) -> bytes:
    """Another day each time."""
    day, month, year = chance.randint(1, 28), chance.randint(1, 12), chance.randint(0, 99)
    if chance.random() < 0.5:
        return sentence(f"GPRMC,120000.00,A,3907.40740,N,10459.25926,W,0.02,90.0,{day:02}{month:02}{year:02},,,R")
    return sentence(f"GPZDA,{chance.randint(0, 23):02}0000.00,{day:02},{month:02},{2000 + year},00,00")


def places(chance: random.Random) -> bytes:
    """Another place each time, of every quality and station."""
    latitude, longitude = chance.uniform(0, 8959), chance.uniform(0, 17959)
    return sentence(
        f"GPGGA,120000.00,{latitude:010.5f},N,{longitude:011.5f},W,{chance.randint(0, 9)},17,0.8,"
        f"{chance.uniform(-1e5, 1e5):.3f},M,-17.8,M,1.0,{chance.randint(0, 1023):04}"
    )


def epochs(chance: random.Random) -> bytes:
    """Observations of any station at any time; in a third of them more is promised, and never comes."""
    message = chance.choice((1074, 1077, 1084, 1087, 1094, 1097, 1124, 1127, 1004, 1012))
    more = "1" if chance.random() < 0.33 else "0"
    moment = chance.randrange(604_800_000)
    bits = f"{message:012b}{chance.choice((417, chance.randrange(4096))):012b}{moment:030b}{more}" + "0" * 18
    return frame(bits + _bits(chance, 64) + _bits(chance, 32) + _bits(chance, 8 * chance.randint(0, 60) + 3))


def one_station_epochs(chance: random.Random) -> bytes:
    """Observations of the project's own station at any time."""
    bits = f"{1077:012b}{417:012b}{chance.randrange(604_800_000):030b}0" + "0" * 18
    return frame(bits + "11" + "0" * 62 + "01" + "0" * 30 + "11" + "0" * 200)


def stations(chance: random.Random) -> bytes:
    """A base's position, antenna or bias: of any station, or the project's own at another place each time."""
    station = chance.choice((417, chance.randrange(4096)))
    message = chance.choice((1005, 1006, 1007, 1008, 1033, 1230))
    head = f"{message:012b}{station:012b}"
    if message in (1005, 1006):
        metres = [f"{chance.getrandbits(38):038b}" for _ in range(3)]
        bits = f"{head}{'0' * 6}1010{metres[0]}00{metres[1]}00{metres[2]}"
        return frame(bits + (f"{chance.getrandbits(16):016b}" if message == 1006 else ""))
    text = bytes(chance.choices(range(32, 127), k=chance.randint(1, 31)))
    counted = f"{len(text):08b}" + "".join(f"{byte:08b}" for byte in text)
    return frame(head + counted + "00000000" + counted * 3)


def numbers(chance: random.Random) -> bytes:
    """Any message number over any bits."""
    return frame(f"{chance.randrange(4096):012b}" + _bits(chance, 8 * chance.randint(1, 120) + 4))


KINDS: tuple[Callable[[random.Random], bytes], ...] = (
    odd_fields,
    addresses,
    signals,
    dates,
    places,
    epochs,
    one_station_epochs,
    stations,
    numbers,
)


class Kept(NamedTuple):
    """What is left of one kind of invention, and what is wrong with that."""

    kind: str
    role: str
    size: int
    largest: tuple[int, str]
    rows: dict[str, int]
    slower: float
    failed: list[str]
    wrong: list[str]


def attack(kind: Callable[[random.Random], bytes], role: str, size: int, seed: int = 1, *, again: bool = True) -> Kept:
    """About `size` bytes of one kind through a pipeline with a log; `again` where they took longer and longer: what grows does
    so each time, what else a machine does meanwhile does not."""
    site = site_from_toml(SITE.format(role=role))
    chance = random.Random(seed)
    times = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "hostile.db")
        log = Log.start(folder, site, "", path=path)
        pipeline = Pipeline(site, log)
        failed = _failures(pipeline)
        t = done = 0
        began = time.process_time()
        while done < size:
            data = b"".join(kind(chance) for _ in range(40))
            with _told(failed):
                pipeline.feed(t / 1000, "line", data)
            done += len(data)
            t = done * 1000 // BYTES_A_S
            with _told(failed):
                pipeline.tick(t / 1000)
            times.append(time.process_time() - began)
        largest = max(containers(pipeline))
        log.close(t / 1000, "stopped")
        rows, messages = _rows(path), _messages(path)
    quarter = len(times) // 4
    slower = (times[-1] - times[-1 - quarter]) / max(times[2 * quarter] - times[quarter], 0.05)
    if slower > MOST_SLOWER and again:
        return attack(kind, role, size, seed, again=False)
    minutes = max(1.0, t / 60_000)
    wrong = [f"failed: {text}" for text in failed[:3]]
    wrong += [] if messages else ["no message of it was read: nothing was tried"]
    often = {name: count / minutes for name, count in rows.items() if count / minutes > MOST_ROWS_A_MINUTE}
    wrong += [f"{count:.0f} rows of {name} a minute" for name, count in often.items()]
    wrong += [f"{largest[1]} has {largest[0]} items"] if largest[0] > MOST_KEPT else []
    wrong += [f"the last quarter took {slower:.1f} times the second"] if slower > MOST_SLOWER else []
    return Kept(kind.__name__, role, done, largest, rows, slower, failed, wrong)


def _failures(pipeline: Pipeline) -> list[str]:
    """What fails in it from now on: rules, and readers of what was framed."""
    failed: list[str] = []
    see_all = pipeline.engine.see_all

    def seen(facts: Iterable[Any]) -> None:
        facts = [*facts]
        failed.extend(fact.error for fact in facts if isinstance(fact, RuleFailed | ReadingFailed))
        see_all(facts)

    pipeline.engine.see_all = seen  # type: ignore[method-assign]
    return failed


@contextlib.contextmanager
def _told(failed: list[str]) -> Iterator[None]:
    """An exception that comes out of the pipeline itself."""
    try:
        yield
    except Exception as error:
        failed.append(f"{type(error).__name__}: {error}")


def containers(root: Any) -> Iterator[tuple[int, str]]:
    """How many items each container has that can be reached from `root`, and by what way."""
    yield 0, "nothing"
    known = {id(root)}
    waiting: deque[tuple[Any, str]] = deque([(root, "pipeline")])
    while waiting:
        one, way = waiting.popleft()
        if isinstance(one, dict | list | set | deque | tuple):
            yield len(one), way
        elif isinstance(one, str | bytes | bytearray):
            yield len(one) // BYTES_AN_ITEM, way
        children: list[tuple[Any, str]] = []
        if isinstance(one, dict):
            children = [(value, f"{way}[]") for value in one.values()]
        elif isinstance(one, list | set | deque | tuple):
            children = [(value, f"{way}[]") for value in one]
        elif type(one).__module__.startswith("witnesspost"):
            names = {*getattr(one, "__dict__", {}), *getattr(one, "__struct_fields__", ())}
            names |= {name for kind in type(one).__mro__ for name in getattr(kind, "__slots__", ())}
            children = [(getattr(one, name, None), f"{way}.{name}") for name in names if not name.startswith("__")]
        for child, its_way in children:
            if child is not None and id(child) not in known and not isinstance(child, int | float):
                known.add(id(child))
                waiting.append((child, its_way))


def _rows(path: Path) -> dict[str, int]:
    with contextlib.closing(sqlite3.connect(path)) as connection, connection:
        tables = ("raw", "clock", "fix", "station", "traffic", "alert", "event")
        return {name: connection.execute(f"SELECT count(*) FROM {name}").fetchone()[0] for name in tables}


def _messages(path: Path) -> int:
    """How many messages were read in the bytes, of whatever kind."""
    with contextlib.closing(sqlite3.connect(path)) as connection:
        query = "SELECT sum(frames) FROM traffic WHERE message NOT IN ('bad frame', 'bad sentence', 'other')"
        return connection.execute(query).fetchone()[0] or 0


def rows(length: Length) -> Iterator[Row]:
    """A row a kind of invention, both roles together; one for every other pattern of bytes; and one for all that was fed."""
    size = length.of(5_000_000, 100_000)
    all_fed = []
    for kind in KINDS:
        both = [attack(kind, role, size) for role in ("base", "rover")]
        most = max(max(kept.rows.values()) for kept in both)
        wrong = tuple(f"hostile: {kind.__name__} {kept.role}: {text}" for kept in both for text in kept.wrong)
        name = kind.__name__.replace("_", " ")
        all_fed += [_Fed(name, kept.size, len(kept.failed), kept.slower) for kept in both]
        yield Row(
            f"hostile: {name}",
            f"{sum(kept.size for kept in both) / 1e6:.1f} MB",
            f"largest container {max(kept.largest[0] for kept in both):,}, most rows of a table {most:,}",
            wrong,
        )
    if length.short:
        return
    noise = [_noise(name, 130_000) for name in PATTERNS]
    worst = max(noise, key=lambda fed: fed.slower)
    yield Row(
        "hostile: patterns of bytes",
        f"{len(PATTERNS)} patterns, {sum(fed.size for fed in noise) / 1e6:.0f} MB",
        f"a byte costs at most {worst.slower:.2f} times as much after seven times as many ({worst.name})",
        tuple(
            f"hostile: {fed.name}: {fed.failed} failed, a byte costs {fed.slower:.1f} times as much after seven times as many"
            for fed in noise
            if fed.failed or fed.slower > MOST_SLOWER
        ),
    )
    all_fed += noise
    worst = max(all_fed, key=lambda fed: fed.slower)
    count = sum(fed.size for fed in all_fed)
    yield Row(
        "hostile: all of these",
        f"{count:,} bytes",
        f"{sum(fed.failed for fed in all_fed)} exceptions; "
        f"a byte costs at most {worst.slower:.2f} times as much later ({worst.name})",
        () if count >= MANY_BYTES else (f"hostile: {count:,} bytes are too few",),
    )


class _Fed(NamedTuple):
    """How many bytes of what, what failed, and how many times as much a byte cost later."""

    name: str
    size: int
    failed: int
    slower: float


def _noise(name: str, size: int) -> _Fed:
    """A pattern of the bench through a pipeline: what a byte costs in the last quarter against the second eighth."""
    pipeline = Pipeline(site_from_toml(SITE.format(role="rover")), None)
    failed = _failures(pipeline)
    done = 0
    costs = [time.process_time()]
    for part in PATTERNS[name]():
        for at in range(0, len(part), 1 << 9):
            piece = part[at : at + (1 << 9)]
            done += len(piece)
            with _told(failed):
                pipeline.feed(done / SLOW_BYTES_A_S, "line", piece)
            if done >= len(costs) * size:
                costs.append(time.process_time())
        if len(costs) > 8:
            break
    return _Fed(name, done, len(failed), (costs[8] - costs[6]) / 2 / (costs[2] - costs[1]))
