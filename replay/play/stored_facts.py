"""The facts of a log, kept in the user's cache: a later replay under other figures needs no bytes read again.

    first replay:   log ─► chunks ─► what is read of them ─► rules     a file of blocks, deflated:
                                              └────────────► cache       MAGIC | key | (size, block) … | digest
    a later one:                cache ─► what was read ───► rules

What the facts hang on is in the key: the log's digest (its chain covers every byte and every told fact), the site's streams and
tilt, the kinds of facts that the rules in force read, and the program that reads them, by its own source. A file that is cut,
changed or another's is passed over and written anew; where the cache cannot be written, nothing is kept and nothing said.
"""

from __future__ import annotations

import contextlib
import hashlib
import inspect
import os
import sys
import tempfile
import zlib
from collections.abc import Iterable, Iterator
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import BinaryIO

import msgspec
from witnesspost.daemon import pipeline
from witnesspost.daemon.log import blocks
from witnesspost.daemon.log import reading as log_reading
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.daemon.stream import decoding, framing, nmea, reading, rtcm2
from witnesspost.daemon.stream.inbox import Chunk
from witnesspost.daemon.stream.reading import Read
from witnesspost.replay.play import packed_reads, player, reading_ahead, reading_beside
from witnesspost.replay.play.packed_reads import Packer, unpacked
from witnesspost.replay.play.reading_ahead import read_ahead
from witnesspost.replay.play.reading_beside import Beside, is_worth_it
from witnesspost.replay.play.source import Source
from witnesspost.rules import facts, gnss
from witnesspost.rules.facts import Fact
from witnesspost.rules.site.model import Site

MOST_BYTES = 2 << 30
"""Of all files in the cache together: some forty days of a 10 Hz rover. The longest unused go first."""

_MAGIC = b"witnesspost facts 3\n"
_NEW = ".new"
_DIGEST_BYTES = 32
_SIZE_BYTES = 4
_READS = (
    blocks,
    decoding,
    facts,
    framing,
    gnss,
    log_reading,
    nmea,
    packed_reads,
    pipeline,
    player,
    reading,
    reading_ahead,
    reading_beside,
    rtcm2,
)
_LIBRARIES = ("anycrc", "msgspec", "pynmeagps", "pyrtcm")


class StoredFacts:
    """The facts of one source. Let `reads` be the player's reader; `keep` what was read when all was played.

    `beside`: what is not known is read in a process of its own, where the log is long and there is a core for it.
    """

    def __init__(self, source: Source, folder: Path, *, beside: bool = False):
        self._source = source
        self._folder = folder
        self._is_beside = beside and is_worth_it(source)
        self._path: Path | None = None
        self._beside: Beside | None = None
        self._noted: _Noted | None = None
        self._known: _Known | None = None

    def reads(self, pipeline: Pipeline, records: Iterable[Chunk | Fact]) -> Iterable[Read]:
        """What the records of the source come to: as it is remembered, or as it is read and noted."""
        key = _key(self._source, pipeline.site, pipeline.wanted)
        self._path = self._folder / f"{key.hex()}.facts"
        self._known = _Known.open(self._path, key)
        if self._known is not None:
            return unpacked(self._known.blocks())
        self._noted = noted = _Noted.begin(self._folder, key)
        if self._is_beside and self._source.path is not None:
            self._beside = Beside(self._source.path, pipeline.site, pipeline.wanted, self._source.begins_t)
            blocks = self._beside.blocks()
            return unpacked(noted.passing(blocks) if noted is not None else blocks)
        read = read_ahead(pipeline.reading, records)
        return noted.noting(read) if noted is not None else read

    @property
    def are_known(self) -> bool:
        """True where no byte was read again."""
        return self._known is not None

    def keep(self) -> None:
        """All was played: what was noted goes into the cache."""
        if self._noted is not None and self._path is not None:
            self._noted.put(self._path)
            _make_room(self._folder)

    def close(self) -> None:
        """Let go of the files; what was noted and not kept goes."""
        if self._beside is not None:
            self._beside.close()
        if self._noted is not None:
            self._noted.close()
        if self._known is not None:
            self._known.close()


def stored_facts(source: Source, *, beside: bool = False) -> StoredFacts | None:
    """Those of a log that is as it was written; None of anything else, or where the user has no place for a cache."""
    folder = _cache_folder()
    return StoredFacts(source, folder, beside=beside) if source.digest is not None and folder is not None else None


class _Noted:
    """Notes what is read."""

    def __init__(self, path: Path, file: BinaryIO, key: bytes):
        self._path: Path | None = path
        self._file = file
        self._digest = hashlib.blake2b(digest_size=_DIGEST_BYTES)
        self._packer = Packer()
        self._write(_MAGIC + key)

    @classmethod
    def begin(cls, folder: Path, key: bytes) -> _Noted | None:
        """Note into a file that nobody finds yet; None where the cache cannot be written."""
        try:
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            handle, name = tempfile.mkstemp(dir=folder, suffix=_NEW)
        except OSError:
            return None
        return cls(Path(name), os.fdopen(handle, "wb"), key)

    def noting(self, reads: Iterable[Read]) -> Iterator[Read]:
        """What is read, each noted before it passes."""
        for one in reads:
            self._put(self._packer.add(one))
            yield one

    def passing(self, blocks: Iterable[bytes]) -> Iterator[bytes]:
        """Blocks that another has packed, each noted before it passes."""
        for block in blocks:
            self._put(block)
            yield block

    def put(self, path: Path) -> None:
        """Whole, or not at all."""
        self._put(self._packer.rest())
        with contextlib.suppress(OSError):
            if self._path is not None:
                self._file.write(self._digest.digest())
                self._file.close()
                self._path.replace(path)
                self._path = None

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._file.close()
        if self._path is not None:
            self._path.unlink(missing_ok=True)

    def _put(self, block: bytes | None) -> None:
        if block:
            data = zlib.compress(block, 1)
            self._write(len(data).to_bytes(_SIZE_BYTES, "big") + data)

    def _write(self, data: bytes) -> None:
        if self._path is None:
            return
        self._digest.update(data)
        try:
            self._file.write(data)
        except OSError:  # the disk is full: nothing is kept
            self.close()
            self._path = None


class _Known:
    """What was read once."""

    def __init__(self, file: BinaryIO, ends_at: int):
        self._file = file
        self._ends_at = ends_at

    @classmethod
    def open(cls, path: Path, key: bytes) -> _Known | None:
        """What is known under that key; None where nothing whole is."""
        try:
            file = path.open("rb")
        except OSError:
            return None
        try:
            size = os.fstat(file.fileno()).st_size - _DIGEST_BYTES
            if size >= 0 and file.read(len(_MAGIC) + len(key)) == _MAGIC + key and _is_whole(file, size):
                file.seek(len(_MAGIC) + len(key))
                os.utime(path)  # the longest unused go first
                return cls(file, size)
        except OSError:
            pass
        file.close()
        return None

    def blocks(self) -> Iterator[bytes]:
        """All of it, in order."""
        while self._file.tell() < self._ends_at:
            size = int.from_bytes(self._file.read(_SIZE_BYTES), "big")
            yield zlib.decompress(self._file.read(size))

    def close(self) -> None:
        self._file.close()


def _is_whole(file: BinaryIO, size: int) -> bool:
    """True where the file's last bytes are the digest of those before."""
    digest = hashlib.blake2b(digest_size=_DIGEST_BYTES)
    file.seek(0)
    while size > 0 and (data := file.read(min(size, 1 << 20))):
        digest.update(data)
        size -= len(data)
    return file.read() == digest.digest()


def _key(source: Source, site: Site, wanted: frozenset[type[Fact]]) -> bytes:
    """What the facts hang on, in one digest."""
    assert source.digest is not None
    streams = [(stream.name, stream.carries) for stream in site.stream]
    said = [source.digest, source.begins_t, source.end_t, streams, site.tilt, sorted(kind.__name__ for kind in wanted)]
    return hashlib.blake2b(msgspec.msgpack.encode([*said, _program()]), digest_size=_DIGEST_BYTES).digest()


@cache
def _program() -> list[str | bytes]:
    """What reads them: the source of what is between a log's bytes and the rules, and the libraries' versions."""
    source = hashlib.blake2b(digest_size=_DIGEST_BYTES)
    for module in _READS:
        source.update(inspect.getsource(module).encode())
    return [source.digest(), sys.version, *(version(name) for name in _LIBRARIES)]


def _cache_folder() -> Path | None:
    """The user's (XDG Base Directory Specification 0.8); None where none is known, or the program's source is not at hand."""
    try:
        _program()
        named = Path(os.environ.get("XDG_CACHE_HOME", ""))
        return (named if named.is_absolute() else Path.home() / ".cache") / "witnesspost"
    except (OSError, RuntimeError, ImportError):
        return None


def _make_room(folder: Path) -> None:
    """The longest unused go, until the rest fits; so does what a killed replay has left half written."""
    with contextlib.suppress(OSError):
        paths = (*folder.glob("*.facts"), *folder.glob(f"*{_NEW}"))
        found = sorted(((path, path.stat()) for path in paths), key=lambda one: one[1].st_mtime, reverse=True)
        size = 0
        for path, state in found:
            size += state.st_size
            if size > MOST_BYTES:
                path.unlink(missing_ok=True)
