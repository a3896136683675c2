"""Cases that are nearly right: a sound sample with some places changed, made from its number alone.

Each ends soon, and in nothing but its reader's own error; `case(reader, number)` makes it again. A case is wrong too where it
takes longer than `SLOW_S`, twice in a row, in CPU time.
"""

from __future__ import annotations

import random
import time
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

SLOW_S = 2.0  # the largest samples take a tenth of a second
_ODD = (
    *(b"", b"\0", b"\xff", b"\xd3", b"$", b"*", b",", b";", b"\n", b"\r\n", b"\t", b'"', b"'", b"[", b"]", b"{", b"}", b"="),
    *(b".", b"-", b"e", b"nan", b"inf", b"1e308", b"1e400", b"-1", b"0", b"9" * 20, b"9" * 400, b"1e-320", b"0x1f", b"<"),
    *(b"null", b"true", b"[" * 3000, b"\xef\xbb\xbf", b"\xff\xfe", b"\xd9\xa4", b"\xe2\x80\xae", b"\x1b[2J", b"\\u0000", b"\\"),
    *(b"9999-12-31T23:59:59Z", b"0001-01-01T00:00:00Z", b"\xc3\x28", b"&", b"]]>", b"%", b"%00", b"\xed\xa0\x80", b"A" * 5000),
)  # fmt: skip


def changed(chance: random.Random, sample: bytes, other: bytes = b"") -> bytes:
    """The sample with one to six places changed."""
    data = bytearray(sample)
    for _ in range(min(chance.randint(1, 6), chance.randint(1, 6))):
        at = chance.randrange(len(data) + 1)
        to = min(len(data), at + int(chance.expovariate(1 / 8)) + 1)
        how = chance.randrange(8)
        if how == 0 and at < len(data):
            data[at] ^= 1 << chance.randrange(8)
        elif how == 1 and at < len(data):
            data[at] = chance.randrange(256)
        elif how == 2:
            del data[at:to]
        elif how == 3:
            data[at:to] = chance.choice(_ODD)
        elif how == 4:
            data[at:at] = chance.choice(_ODD)
        elif how == 5:
            data[at:at] = data[at:to] * chance.choice((1, 1, 2, 50))
        elif how == 6 and chance.random() < 0.3:
            del data[at:]
        elif how == 7 and other:
            begin = chance.randrange(len(other))
            data[at:to] = other[begin : begin + chance.randint(1, 200)]
    return bytes(data)


def changed_text(chance: random.Random, sample: bytes) -> bytes:
    """As `changed`, or whole words and lines of it: numbers by odd ones, lines doubled, dropped and swapped."""
    if chance.random() < 0.5:
        return changed(chance, sample, sample)
    lines = sample.split(b"\n")
    for _ in range(chance.randint(1, 3)):
        at = chance.randrange(len(lines))
        how = chance.randrange(4)
        if how == 0:
            lines.insert(at, lines[chance.randrange(len(lines))])
        elif how == 1 and len(lines) > 1:
            del lines[at]
        else:
            words = lines[at].replace(b",", b" , ").replace(b"=", b" = ").split(b" ")
            words[chance.randrange(len(words))] = chance.choice(_ODD)
            lines[at] = b" ".join(words)
    return b"\n".join(lines)


class Reader(NamedTuple):
    """One reader: how a case is made, what reads it, which errors are its own, and its share of the time."""

    name: str
    make: Callable[[random.Random], Any]
    read: Callable[[Any], object]
    ends: tuple[type[BaseException], ...] = ()
    share: float = 1.0


class Wrong(Exception):
    """A reader did what it must not."""


def case(reader: Reader, number: int) -> Any:
    """The case of that number."""
    return reader.make(random.Random(f"{reader.name} {number}"))


def tried(reader: Reader, number: int) -> str | None:
    """What is wrong with the case; None where it ended as it must."""
    for attempt in range(2):
        given = case(reader, number)
        begun = time.process_time()
        try:
            reader.read(given)
        except reader.ends:
            pass
        except Exception as error:
            place = traceback.extract_tb(error.__traceback__)[-1]
            return f"{reader.name} {number}: {type(error).__name__}: {error} ({Path(place.filename).name}:{place.lineno})"[:300]
        taken_s = time.process_time() - begun
        if taken_s <= SLOW_S:
            return None
        if attempt:
            return f"{reader.name} {number}: took {taken_s:.1f} s"
    return None
