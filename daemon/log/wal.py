"""The write-ahead log beside a database, looked at without SQLite: has a frame in the middle of it gone bad?

SQLite reads a WAL up to the first frame whose checksum fails and takes that for the end, without a word: right after a
power cut, wrong where a bit has flipped, for then whole commits vanish. What follows the bad frame tells them apart: each
commit is synced before the next is begun, so a power cut leaves at most one commit behind a bad frame.

    header (32)  magic 0x377f0682/3, version, page bytes, checkpoint, salt (8), checksum (8)     all big-endian
    frame        page number (4), pages after commit or 0 (4), salt (8), checksum (8), the page

Source: sqlite.org, "Database File Format", section 4.
"""

from __future__ import annotations

import array
import sys
from pathlib import Path
from typing import NamedTuple

_HEADER_BYTES = 32
_FRAME_HEADER_BYTES = 24
_LOOKED_AT_MOST_BYTES = 16 << 20  # a start must not take seconds; the log itself keeps its WAL under a megabyte


class LostCommits(NamedTuple):
    """Commits that stand behind a frame that went bad, or all of them behind a bad header: SQLite does not see them."""

    frame: int | None
    commits: int | None

    def __str__(self) -> str:
        if self.frame is None:
            return "the header of the WAL went bad: what it held is lost"
        return f"frame {self.frame} of the WAL went bad: {self.commits} commits behind it are lost"


def lost_commits(wal: Path) -> LostCommits | None:
    """The first frame of `wal` that went bad and the commits behind it; None where there is no such frame, or where no
    more than the last commit is cut off, as a power cut leaves it. Raises OSError."""
    if not wal.exists():
        return None
    with wal.open("rb") as file:
        data = file.read(_LOOKED_AT_MOST_BYTES)
    if len(data) < _HEADER_BYTES:
        return None
    order = "big" if data[3] & 1 else "little"
    page_bytes = int.from_bytes(data[8:12], "big")
    salt = data[16:24]
    sums = _checksum(data[:24], (0, 0), order)
    if data[:3] != b"\x37\x7f\x06" or sums != _pair(data[24:32]):
        return LostCommits(None, None)
    size = _FRAME_HEADER_BYTES + page_bytes
    bad: int | None = None
    commits = 0
    for number, at in enumerate(range(_HEADER_BYTES, len(data) - size + 1, size)):
        frame = memoryview(data)[at : at + size]
        if frame[8:16] != salt:
            if bad is None and at + 2 * size <= len(data) and data[at + size + 8 : at + size + 16] == salt:
                bad = number  # the salt itself was hit: the frame after it is of this WAL
            elif bad is None:
                break  # left over from before the WAL was begun again
            continue
        if bad is None:
            sums = _checksum(frame[:8], sums, order)
            sums = _checksum(frame[_FRAME_HEADER_BYTES:], sums, order)
            if sums == _pair(frame[16:24]):
                continue
            bad = number
        commits += int.from_bytes(frame[4:8], "big") != 0
    return LostCommits(bad, commits) if bad is not None and commits > 1 else None


def _pair(data: bytes | memoryview) -> tuple[int, int]:
    return int.from_bytes(data[:4], "big"), int.from_bytes(data[4:8], "big")


def _checksum(data: bytes | memoryview, sums: tuple[int, int], order: str) -> tuple[int, int]:
    """Section 4.2: a Fibonacci-weighted sum over pairs of 32-bit words."""
    words = array.array("I", bytes(data))
    if order != sys.byteorder:
        words.byteswap()
    a, b = sums
    for even, odd in zip(words[::2], words[1::2], strict=True):
        a = (a + even + b) & 0xFFFFFFFF
        b = (b + odd + a) & 0xFFFFFFFF
    return a, b
