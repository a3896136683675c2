"""What is read of plain sentences at once is what the decoder reads of them one by one."""

import datetime as dt
import math
from itertools import accumulate, pairwise
from types import SimpleNamespace

import numpy as np
from hypothesis import example, given
from hypothesis import strategies as st
from witnesspost.daemon.stream.decoding import Decoder
from witnesspost.daemon.stream.framing import SENTENCE, Framer, nmea_checksum
from witnesspost.replay.office.epochs import Line, no_columns
from witnesspost.replay.office.plain_lines import plain
from witnesspost.rules.facts import Fix, Tilt
from witnesspost.rules.site.model import TiltSentence

COMPENSATES = TiltSentence(sentence="PEXMP,TILT", angle_field=3, aligned_field=4, aligned_value="1", compensates=True)


def sentence(text):
    body = text.encode("latin-1")
    return b"$" + body + b"*%02X\r\n" % nmea_checksum(body)


def gga(time="135001.10", lat="3907.3498993", lon="10459.2016110", height="1876.0003", rest="M,-16.7000,M,1.0,0417", **other):
    said = {"talker": "GN", "ns": "N", "ew": "W", "quality": "4", "satellites": "18", "hdop": "0.70"} | other
    return sentence(
        f"{said['talker']}GGA,{time},{lat},{said['ns']},{lon},{said['ew']},{said['quality']},{said['satellites']},{said['hdop']},"
        f"{height},{rest}"
    )


def gst(time="135001.10", sigmas="0.0040,0.0050,0.0070"):
    return sentence(f"GNGST,{time},,0.0040,0.0040,0.0,{sigmas}")


TIMES = st.sampled_from(
    ["135001.10", "135001.20", "135001", "000000.00", "235959.90", "135001.123", "246001.00", "135060.00", "", "1"]
)
NUMBERS = st.one_of(
    st.decimals(-99999, 99999, places=4).map(str),
    st.sampled_from(
        ["", "nan", "inf", "1e3", "1_0.5", "12345678901234567.5", "-0.0", "+5.25", ".5", "5.", "x", "9999999999.0"]
    ),
)
LATITUDES = st.one_of(
    st.decimals(0, 9999, places=7).map(lambda number: f"{number:012.7f}"),
    st.sampled_from(
        ["", "3907.35", "39073498", "9000.0000000", "9000.0000001", "-907.3498993", "3999.9999999", "7.5", "x907.3498993"]
    ),
)
LONGITUDES = st.one_of(
    st.decimals(0, 19999, places=7).map(lambda number: f"{number:013.7f}"),
    st.sampled_from(["", "18000.0000000", "18000.0000001", "1 459.2016110"]),
)
PLAIN_GGA = st.builds(gga, time=st.sampled_from(["135001.10", "135001.20", "135002.00"]))
ANY_GGA = st.builds(
    gga,
    time=TIMES,
    lat=LATITUDES,
    lon=LONGITUDES,
    height=NUMBERS,
    rest=st.one_of(
        st.builds("M,{},M,{},{}".format, NUMBERS, NUMBERS, st.sampled_from(["", "0417", "17", "-1", "99999", "x", " 7"])),
        st.sampled_from(["M,-16.7,M,1.0", "M,-16.7,M,1.0,0417,9", "M,,M,,"]),
    ),
    talker=st.sampled_from(["GN", "GP", "PX", "G1", "1G", "gn", "GNX"]),
    ns=st.sampled_from(["N", "S", ""]),
    ew=st.sampled_from(["E", "W"]),
    quality=st.sampled_from(["4", "5", "0", "", "10", "-1", "x"]),
    satellites=st.sampled_from(["18", "", "x", "-1", "1_0"]),
    hdop=st.sampled_from(["0.70", "", "x", "nan"]),
)
OTHERS = st.sampled_from(
    [
        sentence("GNZDA,135001.00,19,06,2026,00,00"),
        sentence("GNRMC,135001.00,A,3907.34,N,10459.20,W,0.0,0.0,190626,,,R"),
        sentence("GNGNS,135001.10,3907.3498993,N,10459.2016110,W,RR,18,0.7,1876.0,-16.7,1.0,0417"),
        sentence("GNXDR,A,1.5,D,PTCH,A,-2.5,D,ROLL"),
        sentence("PEXMP,TILT,7.5,1"),
        sentence("pexmp,TILT,7.5,0"),
        sentence("PEXMP,TILT,,0"),
        sentence("gnxdr,A,1.5,D,PTCH,A,-2.5,D,ROLL"),
        gga()[:-4] + b"00\r\n",
        gga()[:30],
        gga().replace(b"\r\n", b"\n"),
        gga().replace(b"\r\n", b"\r\r\n"),
        gga().lower(),
        sentence("GNGGA," + "9" * 1100),
        sentence("GNGGA,1*7,3"),
        b"\xd3\x00\x13",
        b"\xd3",
        b"$",
        b"\n",
        b"\r\n\r\n",
        b"noise \x80\xff",
    ]
)
GSTS = st.builds(
    gst, TIMES, st.sampled_from(["0.0040,0.0050,0.0070", ",,", "nan,1.0,1.0", "x,1.0,1.0", "1.0,1.0", "1e10,1.0,1.0"])
)
SAID = st.one_of(
    st.lists(st.one_of(PLAIN_GGA, st.just(gst()), st.just(gst("135002.00"))), max_size=12),
    st.lists(st.one_of(PLAIN_GGA, ANY_GGA, GSTS, OTHERS), max_size=12),
)


def arrived(blocks, sizes):
    """Blocks as a log gives them: each chunk's milliseconds and where it ends, and the bytes."""
    ms = 0
    for number, data in enumerate(blocks):
        ends = sorted({min(end, len(data)) for end in accumulate(sizes[number % len(sizes) :] + sizes)} | {len(data)})
        yield list(range(ms + 40, ms + 40 * len(ends) + 1, 40)), ends, data
        ms += 40 * len(ends)


def by_the_decoder(blocks, tilt):
    """(t, what was said) of positions, GSTs and tilts, chunk by chunk."""
    framer, decoder = Framer(), Decoder("receiver", tilt, frozenset((Fix, Tilt)))
    fixes, sigmas, leans = [], [], []
    for milliseconds, ends, data in blocks:
        for ms, (begin, end) in zip(milliseconds, pairwise((0, *ends)), strict=True):
            units = framer.feed(data[begin:end])
            for kind, unit in units:
                if kind == SENTENCE and unit[3:6] == b"GST":
                    try:
                        north, east, up = (float(field) for field in unit[: unit.rfind(b"*")].split(b",")[6:9])
                    except ValueError:
                        continue
                    sigmas.append((ms / 1000, east, north, up))
            for fact in decoder.decode(ms / 1000, units):
                if isinstance(fact, Tilt):
                    lean = 0.0 if tilt and fact.aligned and fact.angle_deg is not None else fact.angle_deg
                    leans.append((ms / 1000, lean, fact.aligned))
                elif None not in (fact.latitude, fact.longitude, fact.height_m):
                    fixes.append(fact)
    return fixes, sigmas, leans


@example([[gga(), gst(), gga("135001.20"), gga("135002.00")], [gga(height=""), gga()]], [7, 200], None)
@example([[gst(), gst("135002.00"), gga()], [gga("135002.00"), b"\xd3"], [gga("135002.00"), gga()]], [400], None)
@example([[gga()[:40]], [gga()[40:], gga()], [gst()[:9]], [gst()[9:]]], [30], COMPENSATES)
@example([[gst(), gst(sigmas="1e10,1.0,1.0")], [gga()]], [400], None)
@example([[gga("246001.00")], [gga("235959.90")]], [400], None)
@example([[gga(), gga(height="-5.25"), gga("135001.20", satellites="9"), gga(ns="S"), gga(rest="M,,M,,")]], [90], None)
@example([[gga(height=f"7.{5 * 10 ** (n % 5)}", hdop=f"0.{7 * 10 ** (n // 5)}") for n in range(25)]], [90], None)
@given(
    st.lists(SAID, min_size=1, max_size=5),
    st.lists(st.integers(1, 300), min_size=1, max_size=8),
    st.sampled_from([None, COMPENSATES]),
)
def test_of_any_bytes_the_same_is_read_as_by_the_decoder(said, sizes, tilt):
    whole = b"".join(map(b"".join, said))
    cut = len(whole) // 3  # in the middle of a sentence, as likely as not
    blocks = [*map(b"".join, said), whole[:cut], whole[cut:]]
    fixes, sigmas, leans = by_the_decoder(arrived(blocks, sizes), tilt)
    log = SimpleNamespace(anchors=[(0.0, dt.datetime(2026, 6, 19, 13, 50, tzinfo=dt.UTC), "ZDA")])
    found = no_columns()
    line = Line(log, 0, "receiver", 0, SimpleNamespace(tilt=tilt), found)
    for block in arrived(blocks, sizes):
        line.read(*block)
    for name in (
        "t",
        "quality",
        "latitude",
        "longitude",
        "separation_m",
        "age_s",
        "sigma_east_m",
        "sigma_north_m",
        "sigma_up_m",
    ):
        expected = np.array([getattr(fix, name) for fix in fixes], dtype=float).astype(found[name].typecode)
        assert np.array_equal(np.frombuffer(found[name], found[name].typecode), expected, equal_nan=True), name
    assert list(found["height_m"]) == [fix.height_m + (fix.separation_m or 0.0) for fix in fixes]
    stations = [math.nan if fix.station_id is None else float(fix.station_id) for fix in fixes]
    assert np.array_equal(np.array(found["station"]), np.array(stations, np.float32), equal_nan=True)
    assert np.array_equal(np.array(line.sigmas).reshape(-1, 4), np.array(sigmas, float).reshape(-1, 4), equal_nan=True)
    assert np.array_equal(np.array(line.leans).reshape(-1, 3), np.array(leans, float).reshape(-1, 3), equal_nan=True)


def test_what_a_receiver_says_all_day_is_plain():
    said = [gst("135001.00"), *(gga(f"135001.{tenth}0") for tenth in range(10)), sentence("GNZDA,135001.00,19,06,2026,00,00")]
    found = plain(b"".join(said) + gga()[:50])
    assert found is not None
    assert (found.size, len(found.positions), len(found.sigmas)) == (len(b"".join(said)), 10, 1)
    several = [gga(height="1876.0003"), gga(height="976.0003", satellites="9"), gga(height="-76.0003"), gga(height="1875.0003")]
    assert list(plain(b"".join(several)).positions[:, 4]) == [1876.0003, 976.0003, -76.0003, 1875.0003]


def test_what_breaks_off_or_is_broken_is_not():
    assert plain(gga() + b"\xd3") is None
    assert plain(gga()[:-4] + b"00\r\n") is None
    assert plain(gga() + gga(height="")) is None
    assert plain(gga()[9:]) is None
