"""The report: a page that stands by itself, says what it knows, and says what it does not."""

import contextlib
import datetime as dt
import re
import shutil
import sqlite3
from html.parser import HTMLParser
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from click.testing import CliRunner
from witnesspost.daemon.log.day import Day
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.replay.commands.replay import replay
from witnesspost.replay.commands.report import report
from witnesspost.replay.office import pictures
from witnesspost.replay.office.base import Bases, Segment
from witnesspost.replay.office.epochs import Epochs
from witnesspost.replay.office.facts_of_day import DayFacts, facts_of, power_of, verdict_of
from witnesspost.replay.play.player import play
from witnesspost.replay.play.source import open_source
from witnesspost.rules.coordinates import Ecef, Enu
from witnesspost.rules.facts import Acknowledge, Health, Solved

_VOID = {"meta", "br", "rect", "path", "line", "use", "circle", "polyline"}


class Whole(HTMLParser):
    """Every element that is opened is closed; what the page loads from elsewhere; its texts, and which of them are code."""

    def __init__(self):
        super().__init__()
        self.open, self.loads, self.texts, self.codes = [], [], [], []

    def handle_starttag(self, tag, attrs):
        self.loads += [value for name, value in attrs if name in ("src", "href", "data") and value]
        if tag not in _VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        pass

    def handle_endtag(self, tag):
        assert self.open, tag
        assert self.open.pop() == tag

    def handle_data(self, data):
        if not self.open or self.open[-1] not in ("script", "style"):
            self.texts.append(data)
            if "code" in self.open:
                self.codes.append(data)


def run(*arguments):
    return CliRunner().invoke(report, [str(argument) for argument in arguments])


def read(path):
    page = Whole()
    page.feed(path.read_text())
    page.close()
    assert page.open == []
    return page, " ".join(" ".join(page.texts).split())


@pytest.fixture(scope="module")
def made(day, tmp_path_factory):
    log, field = day
    out = tmp_path_factory.mktemp("report") / "day.html"
    result = run(log, "--points", field, "-o", out)
    assert result.exit_code == 0, result.output
    return out


def test_it_begins_with_what_the_base_said_and_what_becomes_of_the_points(made):
    _, text = read(made)
    first = text[text.index("From 07:00 to 07:1") :]
    assert first.startswith("From 07:00 to 07:11 the base was 16.7 m high (a missing geoid separation).")
    assert "orthometric-as-ellipsoidal" not in text  # a cause's words, not its key
    assert re.search(r"Of 30 points \d+ can be kept, \d+ can be repaired by computation", first)


def test_a_check_in_that_the_bases_coordinate_explains_is_counted_as_failed_and_told_with_the_base(made):
    _, text = read(made)
    first = text[: text.index("The day Times")].replace("\N{NO-BREAK SPACE}", " ")
    assert re.search(r"Of 6 check-ins 3 failed: 2 would pass with the base put right; the rover read 2\d cm low", first)
    assert text.count("failed, by the base") == 2


def test_what_no_check_in_judges_is_told_as_a_difference_from_the_site_file(tmp_path):
    """A slip in typing may be the sheet's as well as the base's: a base's log alone does not tell which."""
    log = tmp_path / "slip.db"
    assert CliRunner().invoke(replay, ["base-datum:digit-slip", "--log", str(log)]).exit_code == 0
    assert run(log, "-o", tmp_path / "slip.html").exit_code == 0
    _, text = read(tmp_path / "slip.html")
    first = text[: text.index("The day Times")]
    assert re.search(r"to \d\d:\d\d the base's coordinate was .+ against the site file's KQ-1 \(a slip in typing\)", first)
    assert "the base was" not in first


def test_a_figure_and_its_unit_stay_on_one_line_and_code_is_as_it_was(made):
    page, _ = read(made)
    said = "".join(page.texts)
    assert "the base was 16.7~m high".replace("~", "\N{NO-BREAK SPACE}") in said
    apart = re.compile(r"\d (?:s|min|h|m|mm|cm|km|Hz|%)(?!\w)")
    assert [text for text in page.texts if text not in page.codes and apart.search(text)] == []
    assert page.codes
    assert not any("\N{NO-BREAK SPACE}" in code for code in page.codes)  # file names, digests and versions can be copied


def test_it_has_all_its_parts_and_needs_no_network(made):
    page, text = read(made)
    assert [part for part in page.loads if not part.startswith(("#", "data:"))] == []
    assert not re.search(r"[+−]0(?![.\d])", text)  # what rounds to nothing has no sign
    parts = ("The day", "The base", "Check-ins", "The map", "The points", "The radio", "Alerts", "What this page cannot know")
    assert not re.search(r"check-ins? (on \S+ )?at [\d: and]+ UTC", text)  # the post's own time, as all the page has it
    assert re.search(r"between good check-ins at 07:\d\d and 07:\d\d \(-0600\)", text)
    for words in (*parts, "Decision of the licensed surveyor", "digest ", "KQ-2", "passed", "failed"):
        assert words in text, words
    assert made.stat().st_size < 6_000_000


def test_a_day_without_points_and_without_check_ins_says_so_in_large_type(tmp_path):
    log = tmp_path / "quiet.db"
    assert CliRunner().invoke(replay, ["base-datum:quiet-right", "--log", str(log)]).exit_code == 0
    assert run(log, "-o", tmp_path / "quiet.html").exit_code == 0
    _, text = read(tmp_path / "quiet.html")
    assert re.search(
        r"The base's coordinate agreed with the site file from \d\d:\d\d to \d\d:\d\d\. No stop alert was raised\.", text
    )
    assert "None made." in text
    assert "It takes both posts' logs" in text
    refused = run(log, "-o", tmp_path / "quiet.html")
    assert (refused.exit_code, "exists; name a file that does not" in refused.stderr) == (2, True)


def test_a_day_that_goes_past_midnight_says_which_day():
    """And what came a hundredth of a second before the hour is told by the hour."""
    first = dt.datetime(2026, 6, 19, 12, 59, 59, 990_000, dt.UTC).timestamp()  # a Friday, at 06:59:59.99 in Denver
    denver = ZoneInfo("America/Denver")
    found = DayFacts(post=None, zone=denver, bases=None, checks=[], alerts=[], gaps=[], link=[], first_utc=first,
                     last_utc=first + 86_400.0)  # fmt: skip
    assert found.span == "Friday 2026-06-19, 07:00 to Sat 07:00 (-0600)"
    assert (found.clock(first + 600.0), found.clock(first + 65_000.0)) == ("07:10", "Sat 01:03")


def test_a_coordinate_that_comes_in_turns_with_another_is_told_once():
    """Two bases under one number on one channel: a page of one sentence for each minute would hide all others."""
    begun = dt.datetime(2026, 6, 19, 13, 0, tzinfo=dt.UTC).timestamp()
    wrong = {"offset": Enu(2600.0, 1900.0, 0.0), "cause": "unexplained", "right": False}

    def told(turns):
        segments = [
            Segment(
                number=number, station_id=417, arp=Ecef(0.0, 0.0, 0.0), from_utc=begun + 600.0 * number,
                to_utc=begun + 600.0 * (number + 1), heard_to_utc=begun + 600.0 * (number + 1), ours=True, judged=True,
                point="KQ-1", **(wrong if number % 2 else {"right": True}),
            )
            for number in range(2 * turns)
        ]  # fmt: skip
        found = DayFacts(post=SimpleNamespace(role="base"), zone=dt.UTC, bases=Bases(segments), checks=[], alerts=[], gaps=[],
                         link=[], first_utc=begun, last_utc=begun + 36_000.0)  # fmt: skip
        return verdict_of(found, None)

    is_wrong = (
        "the base's coordinate was 2.60 km east, 1.90 km north against the site file's KQ-1 (no usual mistake explains it)."
    )
    turns = "So often in turns with another coordinate, it may be another base under the same number."
    assert told(1).startswith(f"From 13:10 to 13:20 {is_wrong} No stop")
    assert told(2).startswith(f"From 13:10 to 13:40, 2 times, {is_wrong} No stop")  # a tripod that was moved and put back
    assert told(10).startswith(f"From 13:10 to 16:20, 10 times, {is_wrong} {turns} No stop")


def test_a_peak_of_a_second_in_a_day_is_drawn_and_what_one_pixel_shows_is_drawn_once():
    """A day at 10 Hz on a circle; the age is 1 s but once 25 s, for one epoch."""
    n = 864_000
    columns = {name: np.zeros(n) for name in Epochs._fields[2:]}
    turn = np.arange(n) / n * 100 * 2 * np.pi
    columns |= {"utc": np.arange(n) / 10.0, "age_s": np.full(n, 1.0)}
    columns["age_s"][431_234] = 25.0
    epochs = Epochs([], [], **columns)
    utc, age_s = pictures._ages(epochs)
    assert (len(utc), age_s.max()) == (6, 25.0)  # before, the peak, after: two corners each
    assert utc[2] <= 43_123.4 <= utc[3] <= utc[2] + 30.0
    assert list(age_s) == [1.0, 1.0, 25.0, 25.0, 1.0, 1.0]
    shown = pictures._places(100 * np.cos(turn), 100 * np.sin(turn), columns["utc"] >= 0)
    assert 2_000 < len(shown) < 6_000
    drawn = np.angle(np.exp(1j * turn[shown]))
    assert np.diff(np.sort(drawn)).max() * 100 < 1.0  # metres: no place that was walked is left out


def test_what_a_file_says_is_text_and_no_markup(day, tmp_path):
    log, field = day
    hostile = tmp_path / "hostile.csv"
    lines = field.read_text().splitlines()
    hostile.write_text(
        "\n".join([lines[0], *(line.replace(line.split(",")[0], "<script>alert(1)</script>", 1) for line in lines[1:])])
    )
    assert run(log, "--points", hostile, "-o", tmp_path / "hostile.html").exit_code == 0
    assert "<script>alert(1)" not in (tmp_path / "hostile.html").read_text()


def logs_of_both_posts(folder, **worlds):
    """The log of each post's quiet hour, invented as its world says."""
    logs = []
    for name, world in worlds.items():
        source = folder / f"{name}.toml"
        source.write_text(f'like = "quiet-hour-{name}"\n{world}')
        logs.append(str(folder / f"kestrel-{name}.0001.db"))
        assert CliRunner().invoke(replay, [str(source), "--log", logs[-1]]).exit_code == 0
    return logs


def test_both_posts_logs_say_what_was_lost_on_the_way(tmp_path):
    """A base and its rover under one sky log the same frames, but for 30 s of 300 in which the link fades."""
    fade = '[[event]]\ndo = "fade"\nat_s = 100.6\nfor_s = 30.0\n'
    logs = logs_of_both_posts(tmp_path, base="seed = 3\nduration_s = 300\n", rover=f"seed = 3\nduration_s = 300\n{fade}")
    assert run(*logs, "-o", tmp_path / "day.html").exit_code == 0
    _, text = read(tmp_path / "day.html")
    assert 88.0 < float(re.search(r"Of all frames ([\d.]+)% arrived", text)[1]) < 92.0
    assert re.search(r"Of all frames of corrections (9|10|11)% did not arrive\. No check-in was made\.", text)


def test_an_alert_is_told_with_the_post_that_raised_it_where_there_are_two(tmp_path):
    """What both posts heard at one time is one each, and no two times of one."""
    off = '[[event]]\ndo = "base-off"\nat_s = 100.0\nfor_s = 30.0\n'
    logs = logs_of_both_posts(tmp_path, **dict.fromkeys(("base", "rover"), f"seed = 3\nduration_s = 180\n{off}"))
    assert run(*logs, "-o", tmp_path / "day.html").exit_code == 0
    _, text = read(tmp_path / "day.html")
    first = text[: text.index("The day Times")].replace("\N{NO-BREAK SPACE}", " ")
    for post in ("kestrel-base", "kestrel-rover"):
        assert re.search(rf"At 08:01 at {post}, for \d+ s: No corrections", first), first
        assert f"08:01 {post} stop No corrections" in text
    assert "times" not in first
    assert run(logs[1], "-o", tmp_path / "one.html").exit_code == 0
    _, text = read(tmp_path / "one.html")
    assert re.search(r"At 08:01, for \d+\Ws: No corrections", text)


def test_logs_that_are_not_of_one_link_are_said_to_be_none(tmp_path):
    """Another sky's base: no share of what arrived, and no alarm about it in the first sentence."""
    logs = logs_of_both_posts(tmp_path, base="seed = 3\nduration_s = 120\n", rover="seed = 4\nduration_s = 120\n")
    assert run(*logs, "-o", tmp_path / "day.html").exit_code == 0
    _, text = read(tmp_path / "day.html")
    assert re.search(r"None of the \d+ frames in the log of kestrel-base is in that of kestrel-rover: they are not the", text)
    assert "did not arrive" not in text
    assert "arrived. Ten minutes" not in text


def test_an_alert_says_what_was_done_and_by_whom_and_the_power_when_it_was_low(tmp_path):
    log = tmp_path / "kestrel-base.0001.db"
    source = open_source("corrections-stopped-base:line-silent")
    written = Log.start(tmp_path, source.site, source.site_text, path=log)
    pipeline = Pipeline(source.site, written)
    asked = False
    for _ in play(pipeline, source.records, end_t=source.end_t):
        if not asked and pipeline.t > 90:
            asked = True
            pipeline.tell(Acknowledge(t=pipeline.t, stream="", by="K. Merle", note="cable swapped"))
            pipeline.tell(
                Solved(
                    t=pipeline.t,
                    stream="",
                    rule="corrections-stopped",
                    cause="line-silent",
                    step="Check the cable.",
                    by="K. Merle",
                )
            )
            pipeline.tell(Health(t=pipeline.t, stream="", under_voltage=True))
    pipeline.tell(Health(t=pipeline.t, stream="", under_voltage=False))
    pipeline.end()
    written.close(pipeline.t, "ended")
    assert run(log, "-o", tmp_path / "day.html").exit_code == 0
    _, text = read(tmp_path / "day.html")
    assert "seen by K. Merle: cable swapped" in text
    assert "solved by K. Merle: Check the cable." in text
    with Day.open([log]) as day:
        ((begins, ends, how),) = power_of(day.posts[0])
    assert how == "low"
    assert ends - begins > 30


def test_what_came_again_before_anybody_saw_it_was_seen_when_it_was(tmp_path):
    """One alert, raised twice, has one acknowledgement: it is of both raisings, note and all."""
    told = tmp_path / "twice.toml"
    fade = '[[event]]\ndo = "fade"\nat_s = {}\nfor_s = 20\n'
    told.write_text(f'like = "quiet-hour-rover"\nseed = 3\nduration_s = 300\n{fade.format(60.6)}{fade.format(150.6)}')
    source = open_source(str(told))
    log = tmp_path / "kestrel-rover.0001.db"
    written = Log.start(tmp_path, source.site, source.site_text, path=log)
    pipeline = Pipeline(source.site, written)
    for _ in play(pipeline, source.records, end_t=source.end_t):
        pass
    pipeline.tell(Acknowledge(t=pipeline.t, stream="", by="K. Merle", note="truck in the way"))
    pipeline.tick(pipeline.t + 1.0)
    pipeline.end()
    written.close(pipeline.t, "ended")
    with Day.open([log]) as day:
        lines = [line for line in facts_of(day, source.site, None).alerts if line.rule == "corrections-stopped"]
    assert [line.done for line in lines] == [["seen by K. Merle: truck in the way"]] * 2
    first, second = (line.seen_after_s for line in lines)
    assert first - second == pytest.approx(90, abs=5)


def test_the_first_sentence_names_a_strangers_base_and_the_table_says_when_it_was_on_the_air(tmp_path):
    log = tmp_path / "strange.db"
    assert CliRunner().invoke(replay, ["neighbours-base-on-our-channel", "--log", str(log)]).exit_code == 0
    assert run(log, "-o", tmp_path / "strange.html").exit_code == 0
    page = (tmp_path / "strange.html").read_text()
    verdict = re.search(r'<p class="verdict">(.*?)</p>', page)[1]
    assert re.search(r"for 3\xa0min: Corrections come from station 901, not from ours \(417\)\.", verdict)
    assert "all day" not in verdict
    assert "No check-in was made." in verdict
    rows = re.findall(r"<tr><td[^>]*>(\d\d:\d\d)</td><td[^>]*>(\d\d:\d\d)</td><td[^>]*>(\d+)</td>", page)
    (stranger,) = (row for row in rows if row[2] == "901")
    assert stranger == ("08:03", "08:06", "901")
    colours = re.findall(r'"hatch_pattern":\{"type":"value","value":"(.)"\}', page)
    assert sorted(set(colours)) == [" ", "/"], "a base of our own that is right, and a stranger's"


class Paper(HTMLParser):
    """The text of each row that is printed."""

    def __init__(self):
        super().__init__()
        self.rows, self.inside = [], []

    def handle_starttag(self, tag, attrs):
        if tag == "tr":
            self.rows.append("")
        if tag not in _VOID:
            self.inside.append(not {"more", "narrow"}.isdisjoint((dict(attrs).get("class") or "").split()))

    def handle_startendtag(self, tag, attrs):
        pass

    def handle_endtag(self, tag):
        self.inside.pop()

    def handle_data(self, data):
        if self.rows and not any(self.inside):
            self.rows[-1] += f"{data} "


def test_on_paper_each_verdict_has_its_total_and_what_is_left_out_is_counted(day, tmp_path):
    """Nine reasons of one person for nine points: five are printed, four are said to be on the screen."""
    log, field = day
    names = [line.split(",")[0] for line in field.read_text().splitlines()[1:]]
    names = [name for name in names if names.count(name) == 1]
    decisions = tmp_path / "decisions.csv"
    chosen = [f"{name},observe-again,A. Surveyor,Slip number {n}.\n" for n, name in enumerate(names[:9])]
    decisions.write_text(f"point,verdict,by,reason\n{''.join(chosen)}")
    out = tmp_path / "paper.html"
    done = run(log, "--points", field, "--decisions", decisions, "-o", out)
    assert done.exit_code == 0, done.output
    paper = Paper()
    paper.feed(out.read_text())
    printed = [" ".join(row.split()) for row in paper.rows]
    again = [row for row in printed if row.startswith("observe-again")]
    total = int(re.fullmatch(r"observe-again (\d+) in all", again[0])[1])
    assert total >= 9
    assert len([row for row in again if "more reason" not in row]) == 1 + 5
    left = int(re.search(r"and (\d+) more reasons? on the screen", again[-1])[1])
    assert left >= 4
    for name in ("repair", "undecided", "not-witnessed"):
        assert any(row.startswith(name) for row in printed), name


def test_a_quality_that_no_receiver_says_is_no_fault(day, tmp_path):
    log, _ = day
    changed = tmp_path / log.name
    shutil.copyfile(log, changed)
    with contextlib.closing(sqlite3.connect(changed)) as connection:
        connection.execute("UPDATE fix SET quality = 300 WHERE rowid = (SELECT min(rowid) FROM fix)")
        connection.commit()
    result = run(changed, "-o", tmp_path / "day.html")
    assert (result.exit_code, result.exception) == (0, None), result.output


@pytest.mark.parametrize(
    ("kind", "detail"),
    [("setup", "[]"), ("setup", "{}"), ("checkin", "{"), ("check-in-elsewhere", '{"point": "KQ-2", "east_m": 413.8}')],
)
def test_a_log_in_which_an_event_was_changed_is_refused_in_a_line(tmp_path, kind, detail):
    log = tmp_path / "changed.db"
    assert CliRunner().invoke(replay, ["base-datum:quiet-right", "--log", str(log)]).exit_code == 0
    with contextlib.closing(sqlite3.connect(log)) as connection, connection:
        connection.execute(
            "INSERT INTO event SELECT n + 1, 9.0, 0, ?, '', 1, ?, digest FROM event ORDER BY n DESC LIMIT 1",
            (kind, detail),
        )
    refused = run(log, "-o", tmp_path / "changed.html")
    assert (refused.exit_code, refused.stderr.count("\n"), "changed.db: row " in refused.stderr) == (2, 1, True), refused.stderr
    assert "verify it" in refused.stderr
