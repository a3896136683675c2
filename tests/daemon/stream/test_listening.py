"""What comes on a port: real bytes at the right and at wrong speeds, sampled as a UART samples them."""

from pathlib import Path

import pytest
from witnesspost.daemon.stream.listening import BAUDS, listen

DATA = Path(__file__).parents[2] / "data"
RTCM, MIXED, NMEA = (DATA / name for name in ("rtcm-station.bin", "mixed.bin", "nmea.txt"))


def garbled(data, sent_baud, read_baud):
    """What a UART at `read_baud` makes of bytes sent at `sent_baud`: 8 data bits, one start, one stop; sampled in each bit's
    middle from the falling edge of the start bit; a frame without its stop bit is still handed over (as Linux does)."""
    line = [bit for byte in data for bit in (0, *((byte >> n) & 1 for n in range(8)), 1)]

    def level(time_bits):
        index = int(time_bits)
        return line[index] if index < len(line) else 1

    made, at, step = bytearray(), 0.0, sent_baud / read_baud
    while at < len(line):
        if level(at):
            at = float(int(at) + 1)
            continue
        made.append(sum(level(at + step * (n + 1.5)) << n for n in range(8)))
        at += step * 9.5
    return bytes(made)


class Line:
    """A port whose other end sends `data` once a second at `baud`; time goes on by reading."""

    def __init__(self, data, baud, every_s=1.0):
        self.data, self.baud, self.every_s = data, baud, every_s
        self.now, self.opened, self.closed, self._sent_at = 0.0, [], 0, 0.0

    def clock(self):
        return self.now

    def open(self, baud):
        self.opened.append(baud)
        self._speed = baud
        return self

    def read(self, size):
        self.now += 0.25
        if self.data and self.now >= self._sent_at + self.every_s:
            self._sent_at = self.now
            return self.data if self._speed == self.baud else garbled(self.data, self.baud, self._speed)
        return b""

    def close(self):
        self.closed += 1


def heard(line, bauds=BAUDS, **other):
    return listen("/dev/ttyKESTREL", line.open, bauds, clock=line.clock, **other)


def test_the_uart_reads_what_was_sent_at_its_own_speed_and_garbage_at_others():
    data = RTCM.read_bytes()[:300]
    assert garbled(data, 38400, 38400) == data
    assert garbled(b"U", 9600, 9600) == b"U"
    assert garbled(data, 38400, 9600) not in data


@pytest.mark.parametrize("baud", [9600, 38400, 115200, 921600])
@pytest.mark.parametrize("source", [RTCM, MIXED, NMEA], ids=lambda path: path.name)
def test_the_speed_is_found(source, baud):
    line = Line(source.read_bytes()[:4000], baud)
    found = heard(line)
    assert found.baud == baud
    assert line.opened == [*BAUDS[: BAUDS.index(baud) + 1]]
    assert line.closed == len(line.opened)
    assert found.makes_sense
    assert found.for_s == pytest.approx(15.0, abs=0.3)


def test_what_a_station_says_is_counted_and_kept():
    line = Line(RTCM.read_bytes(), 115200)
    found = heard(line)
    times = found.messages["1005"]
    assert times >= 14
    assert found.messages["1077"] == times  # one of each, says the data's README
    assert {station.station_id for station in found.stations.values()} == set(found.stations)
    assert (found.carries, found.bad) == (["corrections"], 0)


def test_nmea_only():
    found = heard(Line(NMEA.read_bytes(), 115200))
    assert found.carries == ["positions"]
    assert found.fix is not None
    assert not found.epochs
    assert {"GGA", "RMC"} <= found.messages.keys()


def test_binary_only_makes_no_sense_at_any_speed():
    binary = bytes((17 * n * n + 5 * n) % 256 for n in range(600)).replace(b"$", b"%").replace(b"\xd3", b"\xd4")
    line = Line(binary, 38400)
    found = heard(line)
    assert (found.baud, found.makes_sense, found.carries) == (None, False, [])
    assert line.opened == list(BAUDS)
    assert found.size_bytes > 0


def test_a_silent_port_is_silent_at_the_first_speed_already():
    line = Line(b"", 38400)
    found = heard(line)
    assert (found.size_bytes, found.baud, line.opened) == (0, None, [BAUDS[0]])
    assert line.now == pytest.approx(12.0, abs=0.3)


def test_a_line_that_speaks_every_five_seconds_is_waited_for():
    line = Line(RTCM.read_bytes(), 9600, every_s=5.0)
    assert heard(line).baud == 9600


def test_broken_frames_among_good_ones_are_counted():
    found = heard(Line((DATA / "mixed-badcrc.bin").read_bytes(), 38400))
    assert found.makes_sense
    assert found.bad > 0


def test_one_sentence_by_chance_is_not_enough():
    one = NMEA.read_bytes().splitlines(keepends=True)[0]
    assert heard(Line(one + b"\x00" * 200, 38400), (38400,), try_s=0.5).baud is None
