"""What a log was fed as the lines of a tape (JSON Lines), for whoever carries an hour of it away.

{"tape": 1, "streams": ["corrections", "receiver"], "note": "…", "site": {…}}
{"t": 12.345, "stream": "corrections", "hex": "d300…"}
{"t": 30.0, "stream": "corrections", "port": "lost", "reason": "…"}
{"t": 60.0, "tell": {"planned": {"for_s": 120, "why": "battery"}}}
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from typing import Any

import msgspec
from witnesspost.daemon.log.reading import LogFile
from witnesspost.rules.facts import Acknowledge, CheckIn, Fact, Frozen, Health, Planned, Port, SetUp, Shelve, Solved

TOLD: Mapping[str, type[Fact]] = {
    "planned": Planned,
    "frozen": Frozen,
    "acknowledge": Acknowledge,
    "shelve": Shelve,
    "setup": SetUp,
    "checkin": CheckIn,
    "solved": Solved,
    "health": Health,
}
"""What a tape can tell that no stream says, by its word there."""

_TOLD_AS = {kind: word for word, kind in TOLD.items()}
_encode = msgspec.json.Encoder().encode


def first_line(streams: list[str], note: str = "", site: dict[str, Any] | None = None, scenario: str | None = None) -> bytes:
    """A tape's first line."""
    first: dict[str, Any] = {"tape": 1, "streams": streams, "note": note}
    if site is not None:
        first["site"] = site
    if scenario is not None:
        first["scenario"] = scenario
    return _encode(first) + b"\n"


def chunk_line(t: float, stream: str, data: bytes) -> bytes:
    """The line of what one read of a port brought."""
    return b'{"t":%.3f,"stream":%b,"hex":"%b"}\n' % (t, _encode(stream), data.hex().encode())


def fact_line(t: float, fact: Fact) -> bytes:
    """The line of a fact that was told: a `Port`, or one of TOLD."""
    if isinstance(fact, Port):
        reason = {"reason": fact.reason} if fact.reason else {}
        return _encode({"t": t, "stream": fact.stream, "port": fact.state, **reason}) + b"\n"
    fields = msgspec.structs.asdict(fact)
    told = {key: value for key, value in fields.items() if key not in ("t", "stream") and value is not None}
    return _encode({"t": t, "tell": {_TOLD_AS[type(fact)]: told}}) + b"\n"


def tape_of(log: LogFile, from_t: float) -> Iterator[bytes]:
    """The lines of what the log was fed from `from_t` on, its time begun anew there. Raises UnreadableLog."""
    begins_t = max(from_t, log.run.begun_at_t)
    note = f"{log.path.name} from t = {begins_t:.3f} s"
    try:
        site = tomllib.loads(log.run.site_toml.removeprefix("\ufeff"))
    except (tomllib.TOMLDecodeError, RecursionError):
        site = None
    yield first_line(log.streams, note, site)
    for t, stream, what in log.inputs(from_t=begins_t):
        tape_t = round(t - begins_t, 3)
        if isinstance(what, bytes):
            yield chunk_line(tape_t, stream, what)
        elif isinstance(what, Port) or type(what) in _TOLD_AS:
            yield fact_line(tape_t, what)
