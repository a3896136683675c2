"""The proofs can fail: what each of them must call wrong is called wrong; and each is tried in small."""

import os
import random
import subprocess
import sys
import time

import pytest

from tests.proof import cases, fuzz, kills, power_cuts
from tests.proof.clocks import dates_jump, turn_of
from tests.proof.disk import Disk
from tests.proof.table import Length, rows_of


def test_a_reader_that_raises_another_error_is_named_with_its_case():
    def raises(data):
        raise KeyError(data)

    reader = cases.Reader("a reader", lambda chance: b"%d" % chance.randrange(10), raises, (ValueError,))
    assert cases.tried(reader, 7).startswith("a reader 7: KeyError: ")
    assert cases.tried(reader._replace(ends=(KeyError,)), 7) is None


def test_a_reader_that_takes_too_long_twice_is_named(monkeypatch):
    monkeypatch.setattr(cases, "SLOW_S", -1.0)
    assert "took " in cases.tried(cases.Reader("a reader", lambda chance: b"", len), 1)


def test_a_case_is_the_same_whenever_it_is_made():
    sample = bytes(range(256))
    reader = cases.Reader("a reader", lambda chance: cases.changed(chance, sample, sample), len)
    assert [cases.case(reader, n) for n in range(50)] == [cases.case(reader, n) for n in range(50)]
    assert len({cases.case(reader, n) for n in range(50)}) > 40


@pytest.fixture(scope="module")
def changes(tmp_path_factory):
    """What a log sent to its disk."""
    folder = tmp_path_factory.mktemp("disk")
    disk = Disk(folder / "log")
    disk.keeps(folder / "journal")
    words = [sys.executable, "-c", power_cuts._WRITE, str(folder / "log")]
    subprocess.run(words, check=True, env={**os.environ, **disk.environment})
    disk.close()
    return power_cuts.read_journal(folder / "journal")


def cuts(changes, tmp_path, count):
    wrong = []
    for number in range(count):
        folder = tmp_path / str(number)
        folder.mkdir()
        wrong += power_cuts.after_a_cut(changes, random.Random(number), folder, lies=False).wrong
    return wrong


@pytest.mark.slow
def test_a_power_cut_costs_nothing_that_was_promised(changes, tmp_path):
    assert cuts(changes, tmp_path, 20) == []


@pytest.mark.slow
@pytest.mark.parametrize("of", ["files", "the folder"])
def test_without_its_syncs_a_power_cut_would(changes, tmp_path, of):
    unsynced = [change for change in changes if change.kind != "s" or (change.path.endswith("/log") != (of == "the folder"))]
    assert len(unsynced) < len(changes)
    assert any("were promised" in text for text in cuts(unsynced, tmp_path, 20))


@pytest.mark.slow
def test_a_date_that_is_set_raises_nothing_and_costs_nothing(tmp_path):
    assert dates_jump(tmp_path, 0.5) == []


@pytest.mark.slow
@pytest.mark.parametrize("role", ["base", "rover"])
def test_a_week_that_begins_anew_raises_nothing(role):
    assert turn_of("GPS week", role, 30.0, 30.0) == []


def test_what_fails_before_it_is_killed_is_no_kill():
    with pytest.raises(AssertionError, match="had failed by itself"):
        kills.Kills().during(lambda: 1 / 0, random.Random(1))


@pytest.mark.parametrize("takes_s", [0.003, 0.1])
def test_kills_come_while_the_work_is_done_however_long_it_takes(takes_s):
    def round_(folder, chance, of):
        of.left += of.during(lambda: time.sleep(takes_s), chance)
        return []

    row = kills._rounds("kills", round_, 5)
    assert row.wrong == ()
    assert row.cases.startswith("5 cut short of ")


def test_rounds_that_are_never_cut_short_try_nothing():
    assert kills._rounds("kills", lambda folder, chance, of: [], 3).wrong == ("kills: of 60 rounds 0 were cut short, not 3",)

    def leaves_nothing(folder, chance, of):
        of.during(lambda: time.sleep(0.01), chance)
        return []

    (nothing,) = kills._rounds("kills", leaves_nothing, 3).wrong
    assert nothing == "kills: those that were cut short left nothing to judge: nothing was tried"


def test_a_part_without_a_row_has_tried_nothing(monkeypatch):
    monkeypatch.setattr(kills, "rows", lambda length: iter(()))
    (row,) = rows_of("kills", Length(short=True, minutes=0.0))
    assert row.wrong == ("kills: no row",)


def test_a_reader_that_was_given_no_case_has_tried_nothing():
    reader = cases.Reader("a reader", lambda chance: b"", len)
    assert fuzz._row(reader, Length(short=False, minutes=0.0), 1.0).wrong == ("a reader: no case: nothing was tried",)


@pytest.mark.slow
@pytest.mark.parametrize("part", [kills, fuzz], ids=lambda part: part.__name__)
def test_each_part_in_small_finds_nothing_wrong(part):
    rows = list(part.rows(Length(short=True, minutes=0.0)))
    assert len(rows) >= 4
    assert [text for row in rows for text in row.wrong] == []
