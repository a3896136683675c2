"""What can be replayed: a tape, a log, or a scenario; each with its site, its records, and where its time ends."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import tomli_w
from witnesspost.daemon.atomic import is_own_output
from witnesspost.daemon.local_time import Instant
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.verifying import first_bad_row
from witnesspost.daemon.stream.inbox import Chunk
from witnesspost.replay.play.grids import find_grids
from witnesspost.replay.play.tape import Record, Tape, Truth
from witnesspost.replay.world.invent import invent
from witnesspost.replay.world.scenario import Scenario, scenario, scenarios
from witnesspost.rules.alert import AnyChange, Change, RowKey
from witnesspost.rules.book.contents import FIGURES, open_site
from witnesspost.rules.facts import Fact
from witnesspost.rules.site.file import NotReadable, bytes_of
from witnesspost.rules.site.model import Site, SiteError
from witnesspost.rules.site.reading import site_from_table, site_from_toml
from witnesspost.rules.site.renamed import under_new_names
from witnesspost.rules.site.text import decoded, table_of

_SQLITE = b"SQLite format 3\0"


class NoSource(Exception):
    """There is nothing to play at that name, or it brings no site file of its own and none was named."""


class Source:
    """An open source; use it as a context manager. `records` can be iterated once; `end_t` is None where only the end will
    tell. `file` is what it is read from."""

    def __init__(
        self,
        kind: str,
        site: Site,
        site_text: str,
        records: Iterator[Record],
        begins_t: float,
        end_t: float | None,
        file: LogFile | Tape | None = None,
    ):
        self._file = file
        self.kind = kind
        self.site = site
        self.site_text = site_text
        self.records = records
        self.begins_t = begins_t
        self.end_t = end_t
        self.truths: list[Truth] = []
        self.invented = kind == "scenario"  # then nothing ought to be said where no truth line says so
        self.damage: str | None = None  # a log's: the first row of it that is not as it was written, in words
        self.path = str(file.path) if isinstance(file, LogFile) else None  # a log's
        self.digest: bytes | None = None  # a whole log's: what its chain ends with, which stands for all that was fed
        self.instant_at: Callable[[float], Instant | None] | None = None  # a log's: what time it was at a `t`
        self.row_key: Callable[[Change], RowKey | None] = lambda change: None  # a log's own, of a change that is in it
        self.changes: Callable[[], Sequence[AnyChange]] | None = None  # a log's own: of its alerts, as they were judged then
        self.figures: dict[str, dict[str, Any]] | None = None  # a log's: what its run judged by

    def part(self, t: float) -> float:
        """The share of it that is played when it is played to `t`, 0 to 1."""
        if self.end_t is None:
            return self._file.part if isinstance(self._file, Tape) else 0.0
        return (t - self.begins_t) / max(1e-3, self.end_t - self.begins_t)

    def __enter__(self) -> Source:
        return self

    def __exit__(self, *_: object) -> None:
        if self._file is not None:
            self._file.close()


def open_source(name: str, site_file: str | None = None, seed: int | None = None, grids: Path | None = None) -> Source:
    """The source of that name: a file (tape or log, told by its first bytes), a scenario's file or its bare name.

    `site_file` overrides the site that the source brings; `grids` is a folder in which the grids of a log may lie. Raises
    NoSource, SiteError, or the source's own error (TapeError, LogError, NoGrid, ScenarioError).
    """
    site, text = _named(site_file)
    path = Path(name)
    if _names_a_scenario(path):
        return _scenario(scenario(name), site, text, seed)
    if not path.exists():
        raise NoSource(f"{name}: there is no such file; name a tape, a log, or a scenario")
    if seed is not None:
        raise NoSource(f"{name}: leave --seed out; only a scenario is invented, a log or a tape is played as it is")
    if path.is_file():
        with path.open("rb") as file:
            if file.read(len(_SQLITE)) == _SQLITE or path.suffix == ".db":
                return _log(name, site, text, grids)
        if is_own_output(path):
            raise NoSource(f"{name}: the output goes into this very file; send it elsewhere")
    return _tape(name, site, text)


def open_all(
    name: str, site_file: str | None = None, seed: int | None = None, grids: Path | None = None
) -> list[tuple[str, Source]]:
    """What the name stands for, each with its own name: one source as `open_source` has it, or a scenario's variants."""
    if _names_a_scenario(Path(name)):
        site, text = _named(site_file)
        return [(told.name, _scenario(told, site, text, seed)) for told in scenarios(name)]
    return [(name, open_source(name, site_file, seed, grids))]


def _named(site_file: str | None) -> tuple[Site | None, str]:
    """The site file that overrides the source's own, and its text."""
    if not site_file:
        return None, ""
    try:
        return open_site(site_file), bytes_of(site_file).decode()
    except SiteError:
        if _has_figures_alone(site_file):
            raise NoSource(
                f"{site_file}: has figures alone; expected a whole site file with these figures in it, or "
                f"`witnesspost season LOG --site {site_file}`, which takes figures alone"
            ) from None
        raise


def _has_figures_alone(site_file: str) -> bool:
    with contextlib.suppress(NotReadable):
        table = table_of(decoded(bytes_of(site_file))[0]).table
        return bool(table) and table.keys() <= {"rules", "own_rule"}
    return False


def _names_a_scenario(path: Path) -> bool:
    """A TOML file, with or without `:variant`; or the bare name of one that comes with Witnesspost."""
    bare = path.parent == Path() and path.suffix not in (".db", ".jsonl", ".gz") and not path.exists()
    return path.suffix.partition(":")[0] == ".toml" or bare


def _scenario(told: Scenario, site: Site | None, text: str, seed: int | None) -> Source:
    text = text or tomli_w.dumps(told.site_table)
    return Source("scenario", site or told.site, text, invent(told, seed), 0.0, told.duration_s)


def _log(name: str, site: Site | None, text: str, folder: Path | None) -> Source:
    with contextlib.ExitStack() as opened:
        log = opened.enter_context(LogFile.open(name))
        if site is None:
            try:
                text = log.run.site_toml
                site = site_from_toml(text, log.run.site_path, FIGURES, recorded=True)
            except SiteError as error:
                raise NoSource(
                    f"{name}: the site file in it is not usable ({error.problems[0]}); name one with --site"
                ) from None
            find_grids(site, log, folder)
        begins_t, ends_t = log.span()
        source = Source("log", site, text, records_of(log), begins_t, ends_t, log)
        source.damage = first_bad_row(log)
        source.digest = log.last_digest() if source.damage is None else None
        source.instant_at = log.instant_at
        source.row_key = log.row_key
        source.changes = log.changes
        figures = log.figures()
        source.figures = under_new_names(figures) if figures else None
        opened.pop_all()
        return source


def records_of(log: LogFile) -> Iterator[Chunk | Fact]:
    """What the log was fed, in that order. Raises LogError."""
    for t, stream, what in log.played():
        yield Chunk(t, stream, what) if isinstance(what, bytes) else what


def _tape(name: str, site: Site | None, text: str) -> Source:
    with contextlib.ExitStack() as opened:
        tape = opened.enter_context(Tape(name))
        if site is None:
            if tape.header.site is None:
                raise NoSource(f"{name}: this tape brings no site; name a site file with --site")
            site = site_from_table(tape.header.site, name, FIGURES, recorded=True)
            text = tomli_w.dumps(tape.header.site)
        source = Source("tape", site, text, iter(tape), 0.0, None, tape)
        source.invented = tape.header.scenario is not None
        opened.pop_all()
        return source
