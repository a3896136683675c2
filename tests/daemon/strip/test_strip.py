"""The strip of a day whose truth was written by hand."""

import contextlib
import datetime as dt
import re
import sqlite3
import xml.etree.ElementTree as ET

import pytest
from msgspec.structs import replace
from witnesspost.daemon.log import rows
from witnesspost.daemon.log.opening import LogError
from witnesspost.daemon.strip.drawing import HOUR, Titles, Touch, picture
from witnesspost.daemon.strip.reading import StripReader
from witnesspost.daemon.strip.strip import CheckMark, FixBand, Level, Strip
from witnesspost.rules.facts import Utc

from tests.daemon.log.feeding import change, start
from tests.daemon.strip.quarry import MORNING, _fix, _rows, seconds, write_day

TITLES = Titles("The day", "fix", "corr.", "age", "off", {"stop": "stop", "check": "check", "note": "note"})
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture
def strip(tmp_path):
    return StripReader().read(write_day(tmp_path), 24)


def clocks(strip, *bands):
    return [f"{strip.clock(band.from_s)}–{strip.clock(band.to_s)}" for band in bands]


def test_it_ends_with_the_full_hour_after_now(strip):
    assert strip.begin == dt.datetime(2026, 5, 3, 23, 0, tzinfo=dt.UTC)
    assert [strip.clock(at_s) for at_s in (0.0, strip.until_s, strip.lasts_s)] == ["17:00", "16:10", "17:00"]


def test_the_fix_is_the_worst_of_each_minute(strip):
    assert [(band.kind, clock) for band, clock in zip(strip.fix, clocks(strip, *strip.fix), strict=True)] == [
        ("unfixed", "07:00–07:03"),
        ("fixed", "07:03–10:30"),
        ("float", "10:30–10:36"),
        ("fixed", "10:36–11:06"),
        ("unfixed", "11:06–11:21"),
        ("fixed", "11:21–12:00"),
        ("fixed", "12:30–16:10"),
    ]


def test_the_age_is_the_greatest_of_each_minute(strip):
    by_clock = {strip.clock(level.from_s): level.value for level in strip.age_s}
    assert (by_clock["09:00"], by_clock["11:05"], by_clock["11:21"]) == (1.0, 55.0, 1.0)
    assert "11:10" not in by_clock
    assert "12:10" not in by_clock


def test_corrections_are_told_where_they_came(strip):
    assert {level.value for level in strip.corrections} == {1.0}
    assert clocks(strip, *strip.corrections) == ["07:00–11:05", "11:21–12:00", "12:30–16:10"]


def test_alerts_are_those_that_were_nobodys_consequence(strip):
    told = [(band.severity, band.rule, band.is_open) for band in strip.alerts]
    assert told == [("stop", "corrections-stopped", False), ("check", "sky", False)]
    assert clocks(strip, *strip.alerts) == ["11:05–11:21", "14:20–14:24"]


def test_an_unseen_stop_that_came_again_stood_twice_and_not_between(tmp_path):
    paths = write_day(tmp_path)
    with contextlib.closing(sqlite3.connect(paths[0])) as connection, connection:
        connection.execute("UPDATE alert SET change = 'normal' WHERE n = 5")
        stop = next(row for row in _rows() if isinstance(row, rows.AlertRow))
        again = [(20, "11:40", "raised"), (21, "11:45", "normal")]
        rows.insert(connection, [replace(stop, n=n, t=seconds(clock), change=change) for n, clock, change in again])
    strip = StripReader().read(paths, 24)
    assert clocks(strip, *strip.alerts) == ["11:05–11:21", "11:40–11:45", "14:20–14:24"]


def test_an_alert_that_stands_over_a_files_end_is_one_and_ends_where_it_ended(tmp_path):
    """As each day at the hour at which the post was started: the log goes on in its next file."""
    changes = {20: (1, "raised"), 150: (1, "cleared"), 170: (2, "raised")}, {10: (2, "raised"), 20: (2, "normal")}
    for run, begun_s in enumerate((0, 300)):
        log = start(tmp_path, rotate_s=60.0)
        for t in range(200 - begun_s // 3):
            log.fact(Utc(t=float(t), stream="receiver", utc=MORNING + dt.timedelta(seconds=begun_s + t), source="RMC"))
            log.chunk(float(t), "receiver", b"bytes")
            if t in changes[run]:
                log.change(change(float(t), *changes[run][t]))
            log.tick(float(t))
        log.close(float(t), "stopped")
    paths = sorted(tmp_path.glob("*.db"))
    assert len(paths) == 6
    strip = StripReader().read(paths, 1)
    assert [(band.from_s, band.to_s, band.is_open) for band in strip.alerts] == [
        (20.0, 150.0, False), (170.0, 199.0, True), (310.0, 320.0, False),
    ]  # fmt: skip
    (last,) = [band for band in StripReader().read([paths[0], *paths[2:4]], 1).alerts if band.from_s == 20.0]
    assert (last.to_s, last.is_open) == (60.0, True), "of what a missing file holds nothing is known"


def test_checks_and_what_was_said(strip):
    assert [(strip.clock(mark.at_s), mark.point, mark.passed, mark.up_m) for mark in strip.checks] == [
        ("09:12", "KQ-2", True, -0.003),
        ("15:10", "KQ-3", False, -0.3),
    ]
    assert [(strip.clock(mark.at_s), mark.kind, mark.detail["by"]) for mark in strip.said] == [("11:07", "acknowledge", "Kim")]


def test_where_no_log_says_anything_the_post_was_off(strip):
    assert [(strip.clock(from_s), strip.clock(to_s)) for from_s, to_s in strip.off] == [("17:00", "07:00"), ("12:00", "12:30")]


def test_a_second_reading_takes_what_is_new_alone_and_says_the_same_as_a_first(tmp_path):
    paths = write_day(tmp_path)
    reader = StripReader()
    before = reader.read(paths, 24)
    with contextlib.closing(sqlite3.connect(paths[1])) as connection, connection:
        last = 13_200
        rows.insert(connection, [_fix(t, 0.0) for t in range(last, last + 120, 5)])
        connection.execute("UPDATE raw SET t_last = t_last + 120")
    after = reader.read(paths, 24)
    assert after == StripReader().read(paths, 24)
    assert after.fix[:-1] == before.fix
    assert clocks(after, *after.fix[-1:]) == ["16:10–16:12"]
    assert after.fix[-1].kind == "unfixed"


def test_without_a_clock_it_counts_back_from_the_end_of_the_last_log(tmp_path):
    strip = StripReader().read(write_day(tmp_path, clock=False), 24)
    assert strip.begin is None
    assert clocks(strip, *strip.fix) == ["−3:40–−0:00"]
    assert [mark.point for mark in strip.checks] == ["KQ-3"]


def test_a_base_has_no_lane_of_the_fix(tmp_path):
    strip = StripReader().read(write_day(tmp_path, role="base"), 24)
    assert (strip.has_fix, strip.fix, strip.age_s, bool(strip.corrections)) == (False, [], [], True)


def test_where_there_is_no_log_there_is_no_strip(tmp_path):
    with pytest.raises(LogError):
        StripReader().read([])
    with pytest.raises(LogError):
        StripReader().read([tmp_path / "kestrel.0001.db"])


def test_an_earlier_log_that_cannot_be_read_leaves_its_time_empty(tmp_path):
    paths = write_day(tmp_path)
    paths[0].write_bytes(b"no log")
    strip = StripReader().read(paths, 24)
    assert clocks(strip, *strip.fix) == ["12:30–16:10"]
    assert [(strip.clock(from_s), strip.clock(to_s)) for from_s, to_s in strip.off] == [("17:00", "12:30")]


# ── the picture ─────────────────────────────────────────────────────────────────────────────────────────────────────


def drawn(strip, **more):
    return ET.fromstring(picture(strip, TITLES, **more))


def bars(svg, kind):
    """Top and height of each bar of a kind."""
    (path,) = [path.get("d") for path in svg.iter(f"{SVG}path") if path.get("class") == kind]
    return [(float(y), float(tall)) for y, tall in re.findall(r"M[\d.]+ ([\d.]+)h[\d.]+v([\d.]+)", path)]


def test_time_runs_downwards_by_the_hour(strip):
    svg = drawn(strip, newest_first=False)
    ((top, tall),) = bars(svg, "float")
    assert (top, tall) == (pytest.approx(26 + 17.5 * HOUR, abs=0.06), pytest.approx(0.1 * HOUR, abs=0.06))
    svg = drawn(strip)
    ((top, tall),) = bars(svg, "float")
    assert top == pytest.approx(26 + (24 - 17.6) * HOUR, abs=0.06)
    assert tall == pytest.approx(0.1 * HOUR, abs=0.06)


def test_what_was_when_is_said_beside_it(strip):
    texts = ["".join(text.itertext()) for text in drawn(strip).iter(f"{SVG}text")]
    for said in ("11:05 stop", "14:20 check", "09:12 ✓ KQ-2", "15:10 ✗ KQ-3", "12:00 off", "fix", "corr.", "age"):
        assert said in texts


def test_no_line_strikes_a_label_out(strip):
    """Neither that of a full hour, nor that of now, nor the chosen hour's frame: a label may stand on each."""
    svg = drawn(strip, touch=Touch("/day?hour={hour}", "What was", strip.key(3)))
    lines = list(svg.iter(f"{SVG}line"))
    assert [line.get("class") for line in lines].count("now") == 1
    labels = [text for text in svg.iter(f"{SVG}text") if text.find(f"{SVG}tspan") is not None]
    assert len(labels) == 5
    (frame,) = (one for one in svg.iter() if one.get("class") == "chosen")
    ends = [*(float(line.get("x2")) for line in lines), float(frame.get("x")) + float(frame.get("width"))]
    assert max(ends) < min(float(label.get("x")) for label in labels)


def test_each_hour_can_be_touched(strip):
    svg = drawn(strip, touch=Touch("/day?hour={hour}", "What was", strip.key(3)))
    links = list(svg.iter(f"{SVG}a"))
    assert len(links) == 24
    assert links[0].get("aria-label") == "What was 17:00–18:00"
    kinds = [one.get("class", "") for one in svg.iter()]
    assert kinds.count("chosen") == 1
    (frame,) = (one for one in svg.iter() if one.get("class") == "chosen")
    assert frame.get("y") == links[3].find(f"{SVG}rect").get("y")
    assert len({link.get("href") for link in links}) == 24
    assert {float(link.find(f"{SVG}rect").get("height")) for link in links} == {HOUR}


def test_texts_are_no_markup(strip):
    bad = Strip(
        begin=None, hours=1, until_s=3600.0, zone=dt.UTC, checks=[CheckMark(10.0, '<a">&', False, 0.0, 0.0, 0.0)]
    )  # fmt: skip
    text = picture(bad, TITLES._replace(picture="<script>"))
    assert "<script>" not in text
    assert "✗ <a" not in text
    ET.fromstring(text)


def test_the_worst_day_is_drawn_small():
    minutes = range(24 * 60)
    strip = Strip(
        begin=dt.datetime(2026, 5, 4, tzinfo=dt.UTC),
        hours=24,
        until_s=86400.0,
        zone=dt.UTC,
        has_fix=True,
        corrections_on=("corrections",),
        fix=[FixBand(60.0 * n, 60.0 * n + 60, ("fixed", "float", "unfixed", "none")[n % 4]) for n in minutes],
        age_s=[Level(60.0 * n, 60.0 * n + 60, n % 97 / 5) for n in minutes],
        corrections=[Level(60.0 * n, 60.0 * n + 60, n % 7 / 7) for n in minutes],
        checks=[CheckMark(60.0 * n, f"KQ-{n}", n % 2 == 0, 0.0, 0.0, 0.0) for n in minutes],
    )
    assert len(picture(strip, TITLES, touch=Touch("/day?hour={hour}", "What was"))) < 70_000


def test_what_is_short_is_still_seen():
    strip = Strip(begin=None, hours=1, until_s=3600.0, zone=dt.UTC, has_fix=True, fix=[FixBand(0.0, 60.0, "none")])
    strip.age_s.append(Level(0.0, 60.0, 30.0))
    svg = drawn(strip)
    assert len(bars(svg, "none")) == len(bars(svg, "late")) == 1
