"""`witnesspost verify` over several logs: what is missing between them is damage, how they are named is not."""

import contextlib
import shutil
import sqlite3

import pytest
from click.testing import CliRunner
from witnesspost.daemon.cli import main
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.rules.site.reading import site_from_toml

from tests.daemon.commands.narrow import shown_at
from tests.daemon.log.feeding import SITE


def logs(folder, count, name="kestrel-base"):
    """So many runs of a post, one after the other."""
    text = f"# {folder}\n" + SITE.replace("kestrel-base", name)
    for number in range(count):
        log = Log.start(folder, site_from_toml(text), text)
        pipeline = Pipeline(site_from_toml(text), log)
        pipeline.feed(1.0, "corrections", b"abc%d" % number)
        pipeline.tick(2.0)
        pipeline.end()
        log.close(2.0, "stopped")
    return sorted(folder.glob(f"{name}.*.db"))


def verified(*paths):
    done = CliRunner().invoke(main, ["verify", *map(str, paths)])
    return done.exit_code, [line.strip() for line in done.output.splitlines() if "DAMAGED" in line], done.output


def test_the_order_in_which_logs_are_named_is_no_damage(tmp_path):
    one, two, three = logs(tmp_path, 3)
    assert verified(three, one, two)[:2] == (0, [])
    assert verified(two, three)[:2] == (0, [])


def test_a_folder_stands_for_the_logs_in_it(tmp_path):
    one, two = logs(tmp_path, 2)
    status, damaged, output = verified(one.parent)
    assert (status, damaged) == (0, [])
    assert [line for line in output.splitlines() if " blocks, " in line and line.startswith((f"{one}:", f"{two}:"))]
    (tmp_path / "empty").mkdir()
    status, _, output = verified(one, tmp_path / "empty")
    assert (status, output.count("\n")) == (2, 1)
    assert f"{tmp_path / 'empty'}: a folder without a log (NAME.0001.db) in it" in output


def test_two_posts_are_no_damage(tmp_path):
    one, two = logs(tmp_path, 2)
    three, four = logs(tmp_path, 2, "kestrel-rover")
    assert verified(one, three, two, four)[:2] == (0, [])


@pytest.mark.parametrize("reverse", [False, True])
def test_a_missing_file_between_is_damage(tmp_path, reverse):
    one, two, three = logs(tmp_path, 3)
    other, *_ = logs(tmp_path, 1, "kestrel-rover")
    status, damaged, _ = verified(*sorted([one, three, other], reverse=reverse))
    assert (status, damaged) == (1, [f"DAMAGED: does not go on from {one}: a file between them is missing, or one was changed"])
    assert two.exists()


def test_a_copy_beside_its_log_is_no_damage(tmp_path):
    one, two = logs(tmp_path, 2)
    copy = shutil.copy(one, tmp_path / "copy.db")
    status, damaged, output = verified(one, copy, two)
    assert (status, damaged) == (0, [])
    assert f"the same file as {one}" in output


def test_two_cards_of_one_post_that_each_begin_with_the_first_number(tmp_path):
    one, two = logs(tmp_path / "a", 2)
    three, four = logs(tmp_path / "b", 2)
    status, damaged, output = verified(one, two, three, four)
    assert (status, damaged) == (0, [])
    assert output.count("goes on from no other") == 1


def test_a_changed_file_is_damage_and_so_is_what_claims_to_follow_it(tmp_path):
    one, two = logs(tmp_path, 2)
    with contextlib.closing(sqlite3.connect(one)) as connection, connection:
        connection.execute("UPDATE raw SET data = x'616263FF'")
    status, damaged, _ = verified(two, one)
    assert status == 1
    assert len(damaged) >= 1


@pytest.mark.parametrize("columns", [40, 80])
def test_at_a_terminal_it_is_wrapped_and_nothing_is_lost(tmp_path, columns):
    one, two, three = logs(tmp_path, 3)
    two.unlink()
    with contextlib.closing(sqlite3.connect(three)) as connection, connection:
        connection.execute("UPDATE raw SET data = x'616263FF'")
    piped = verified(one, three)[2].splitlines()
    shown, status = shown_at(columns, "verify", one, three)
    assert status == 1
    assert [line for line in shown if len(line) > columns] == []
    assert any(len(line) > columns for line in piped)
    assert "".join(" ".join(shown).split()) == "".join(" ".join(piped).split())
    starts = [line for line in shown if line.startswith("  ") and not line.startswith("   ")]
    assert [line[:9] for line in starts] == [line[:9] for line in piped if line.startswith("  ")]
