"""Facts kept from one replay to the next: the same alerts, byte for byte, whatever the figures; never another log's."""

import contextlib
import os
import random

import msgspec
import pytest
import tomli_w
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.replay.play import packed_reads, stored_facts
from witnesspost.replay.play.player import play
from witnesspost.replay.play.proving import all_scenarios
from witnesspost.replay.play.source import open_source
from witnesspost.replay.play.stored_facts import StoredFacts
from witnesspost.replay.play.tape import Chunk
from witnesspost.replay.world.invent import invent
from witnesspost.rules.book.contents import FIGURES
from witnesspost.rules.book.words import words
from witnesspost.rules.facts import CheckIn, Planned, Port
from witnesspost.rules.site.reading import site_from_table

SOME = ("control-check", "own-rule", "tilt")
ENCODE = msgspec.json.Encoder(enc_hook=str).encode


def first_variants():
    """One of each family of scenarios, as long as it is no day."""
    first = {}
    for told in all_scenarios():
        family = told.name.partition(":")[0]
        if told.duration_s <= 1000.0:
            first.setdefault(family, told)
    return first


FAMILIES = first_variants()


def logged(tmp_path, told, extra=()):
    """A log of the scenario, as a post would have written it."""
    path = tmp_path / "kestrel.0001.db"
    site = site_from_table(told.site_table, told.site.path, FIGURES)
    log = Log.start(tmp_path, site, tomli_w.dumps(told.site_table), path=path)
    pipeline = Pipeline(site, log)
    records = sorted([*invent(told), *extra], key=lambda record: record.t)
    for _ in play(pipeline, records, end_t=told.duration_s):
        pass
    log.close(pipeline.t, "stopped")
    return path


def replayed(path, cache, site_file=None, keep=True):
    """The changes in bytes, with their words, and whether the bytes of the log were left alone."""
    with open_source(str(path), site_file) as source, contextlib.closing(StoredFacts(source, cache)) as known:
        pipeline = Pipeline(source.site, begins_t=source.begins_t)
        said = [*play(pipeline, source.records, end_t=source.end_t, reader=known.reads), *pipeline.tick(0.0)]
        if keep:
            known.keep()
        return b"\n".join(ENCODE([change, words(change)]) for change in said), known.are_known


def fresh(path, site_file=None):
    """The changes of a replay that reads the bytes."""
    with open_source(str(path), site_file) as source:
        pipeline = Pipeline(source.site, begins_t=source.begins_t)
        return b"\n".join(ENCODE([one, words(one)]) for one in play(pipeline, source.records, end_t=source.end_t))


@pytest.mark.parametrize("family", SOME)
def test_a_block_may_end_anywhere(tmp_path, monkeypatch, family):
    monkeypatch.setattr(packed_reads, "_BLOCK_TURNS", 1)
    path = logged(tmp_path, FAMILIES[family])
    expected = fresh(path)
    assert expected
    assert replayed(path, tmp_path / "cache") == (expected, False)
    assert replayed(path, tmp_path / "cache") == (expected, True)


@pytest.mark.long
@pytest.mark.parametrize("family", sorted(set(FAMILIES) - set(SOME)))
def test_each_other_family_of_scenarios_says_the_same(tmp_path, family):
    path = logged(tmp_path, FAMILIES[family])
    expected = fresh(path)
    assert replayed(path, tmp_path / "cache") == (expected, False)
    assert replayed(path, tmp_path / "cache") == (expected, True)


class TestALogOfEverything:
    """Noise, told facts and a lost port beside a rover's day."""

    @pytest.fixture
    def path(self, tmp_path):
        noise = random.Random(3)
        extra = [
            Port(t=20.0, stream="corrections", state="lost", reason="unplugged"),
            Port(t=31.0, stream="corrections", state="back"),
            Planned(t=40.0, stream="", for_s=5.0, why="battery"),
            CheckIn(t=60.0, stream="", point="KQ-1"),
            *(Chunk(t=70.0 + n / 10, stream="corrections", data=noise.randbytes(90)) for n in range(300)),
        ]
        return logged(tmp_path, FAMILIES["control-check"], extra)

    def test_says_the_same(self, path, tmp_path):
        expected = fresh(path)
        assert b"port-lost" in expected
        assert replayed(path, tmp_path / "cache") == (expected, False)
        assert replayed(path, tmp_path / "cache") == (expected, True)

    def test_under_other_figures_its_facts_are_known(self, path, tmp_path):
        replayed(path, tmp_path / "cache")
        table = FAMILIES["control-check"].site_table
        other = tmp_path / "other.toml"
        other.write_text(tomli_w.dumps({**table, "rules": {"corrections-stopped": {"on_delay_s": 60.0, "port_lost_s": 8.0}}}))
        assert replayed(path, tmp_path / "cache", str(other)) == (fresh(path, str(other)), True)
        assert fresh(path, str(other)) != fresh(path)

    def test_other_rules_read_other_facts(self, path, tmp_path):
        replayed(path, tmp_path / "cache")
        other = tmp_path / "other.toml"
        other.write_text(tomli_w.dumps({**FAMILIES["control-check"].site_table, "rules": {"sky": {"off": True}}}))
        assert replayed(path, tmp_path / "cache", str(other)) == (fresh(path, str(other)), False)

    @pytest.mark.parametrize("spoil", [lambda data: data[:-40], lambda data: data[:500] + b"x" + data[501:], lambda data: b""])
    def test_a_spoilt_file_is_passed_over_and_written_anew(self, path, tmp_path, spoil):
        replayed(path, tmp_path / "cache")
        (file,) = (tmp_path / "cache").iterdir()
        file.write_bytes(spoil(file.read_bytes()))
        assert replayed(path, tmp_path / "cache") == (fresh(path), False)
        assert replayed(path, tmp_path / "cache")[1]

    def test_a_replay_that_is_broken_off_leaves_nothing(self, path, tmp_path):
        replayed(path, tmp_path / "cache", keep=False)
        assert list((tmp_path / "cache").iterdir()) == []

    def test_a_program_that_reads_otherwise_reads_anew(self, path, tmp_path, monkeypatch):
        replayed(path, tmp_path / "cache")
        monkeypatch.setattr(stored_facts, "_program", lambda: ["another"])
        assert not replayed(path, tmp_path / "cache")[1]

    def test_where_the_cache_cannot_be_written_all_is_played(self, path, tmp_path):
        (tmp_path / "cache").write_text("a file")
        assert replayed(path, tmp_path / "cache") == (fresh(path), False)

    def test_a_full_disk_keeps_nothing(self, path, tmp_path, monkeypatch):
        full = os.open("/dev/full", os.O_WRONLY)
        monkeypatch.setattr(stored_facts.tempfile, "mkstemp", lambda dir, suffix: (full, f"{dir}/full{suffix}"))
        assert replayed(path, tmp_path / "cache") == (fresh(path), False)
        assert list((tmp_path / "cache").iterdir()) == []

    def test_the_longest_unused_go_first(self, path, tmp_path, monkeypatch):
        replayed(path, tmp_path / "cache")
        (kept,) = (tmp_path / "cache").iterdir()
        size = kept.stat().st_size
        old = tmp_path / "cache" / "old.facts"
        old.write_bytes(bytes(size))
        killed = tmp_path / "cache" / "killed.new"
        killed.write_bytes(bytes(size))
        for file, used_at in ((killed, 0.0), (old, 1.0), (kept, 2.0)):
            os.utime(file, (used_at, used_at))
        monkeypatch.setattr(stored_facts, "MOST_BYTES", 2 * size + size // 2)
        monkeypatch.setattr(stored_facts, "_program", lambda: ["another"])
        replayed(path, tmp_path / "cache")
        assert kept.exists()
        assert not old.exists()
        assert not killed.exists()
