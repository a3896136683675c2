"""A damaged log gives what it still proves, and nothing that it does not."""

import contextlib
import random
import sqlite3

import pytest
from click.testing import CliRunner
from witnesspost.daemon.cli import main
from witnesspost.daemon.log.opening import LogError
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.salvaging import Sound, sound_blocks

from tests.daemon.log.test_log import start

BLOCKS = 60


@pytest.fixture
def whole(tmp_path):
    """A log of numbered blocks, and what each holds."""
    log = start(tmp_path)
    data = []
    for number in range(BLOCKS):
        data.append(b"block %03d " % number * 100)
        log.chunk(float(number), "corrections", data[-1])
        log.event(float(number), "mark", {})
    log.close(float(BLOCKS), "stopped")
    return tmp_path / "kestrel-base.0001.db", data


def sound(path):
    found = Sound()
    with LogFile.open(path) as log:
        return list(sound_blocks(log, "corrections", found)), found


def test_a_whole_log_gives_all(whole):
    path, data = whole
    blocks, found = sound(path)
    assert (blocks, found.left_out) == (data, 0)


def test_one_changed_block_and_one_removed(whole):
    path, data = whole
    with contextlib.closing(sqlite3.connect(path)) as connection, connection:
        numbers = [n for (n,) in connection.execute("SELECT n FROM raw ORDER BY n")]
        connection.execute("UPDATE raw SET data = CAST(replace(data, 'block', 'BLOCK') AS BLOB) WHERE n = ?", (numbers[10],))
        connection.execute("DELETE FROM raw WHERE n = ?", (numbers[40],))
    blocks, found = sound(path)
    assert blocks == [one for number, one in enumerate(data) if number not in (10, 40)]
    assert found.left_out == 3  # those two, and the row behind the missing one


@pytest.mark.parametrize("seed", range(25))
def test_pages_that_are_overwritten_cost_their_own_rows(whole, seed):
    path, data = whole
    chance = random.Random(seed)
    image = bytearray(path.read_bytes())
    for _ in range(3):
        at = chance.randrange(20 * 512, len(image) - 512) // 512 * 512  # behind the schema and the run's own row
        image[at : at + 512] = chance.randbytes(512)
    path.write_bytes(image)
    try:
        blocks, _ = sound(path)
    except LogError:  # the run's own row or the list of streams was hit
        return
    assert set(blocks) <= set(data)
    assert blocks == sorted(blocks)


def test_the_command(whole, tmp_path):
    path, data = whole
    with contextlib.closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE raw SET stream = 'receiver' WHERE n = (SELECT min(n) FROM raw)")
    output = tmp_path / "out"
    done = CliRunner().invoke(main, ["extract", str(path), "--stream", "corrections", "--what-is-sound", "-o", str(output)])
    assert done.exit_code == 0, done.output
    assert "1 of 122 rows cannot be proven and are left out" in done.output
    assert output.read_bytes() == b"".join(data[1:])
    done = CliRunner().invoke(main, ["extract", str(path), "--as", "csv", "--what-is-sound", "-o", str(tmp_path / "x")])
    assert done.exit_code == 2
