"""The report: a page that stands by itself, says what it knows, and says what it does not."""

import re
from html.parser import HTMLParser

import pytest
from click.testing import CliRunner
from witnesspost.daemon.log.day import Day
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.replay.commands.replay import replay
from witnesspost.replay.commands.report import report
from witnesspost.replay.office.facts_of_day import power_of
from witnesspost.replay.play.player import play
from witnesspost.replay.play.source import open_source
from witnesspost.rules.facts import Acknowledge, Health, Solved

_VOID = {"meta", "br", "rect", "path", "line", "use", "circle", "polyline"}


class Whole(HTMLParser):
    """Every element that is opened is closed; what the page loads from elsewhere."""

    def __init__(self):
        super().__init__()
        self.open, self.loads, self.texts = [], [], []

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
    assert first.startswith("From 07:00 to 07:11 the base was 16.7 m high (orthometric-as-ellipsoidal).")
    assert re.search(r"Of 30 points \d+ can be kept, \d+ can be repaired by computation", first)


def test_it_has_all_its_parts_and_needs_no_network(made):
    page, text = read(made)
    assert [part for part in page.loads if not part.startswith(("#", "data:"))] == []
    assert not re.search(r"[+−]0(?![.\d])", text)  # what rounds to nothing has no sign
    parts = ("The day", "The base", "Check-ins", "The map", "The points", "The radio", "Alerts", "What this page cannot know")
    for words in (*parts, "Decision of the licensed surveyor", "digest ", "KQ-2", "passed", "failed"):
        assert words in text, words
    assert made.stat().st_size < 6_000_000


def test_a_day_without_points_and_without_check_ins_says_so_in_large_type(tmp_path):
    log = tmp_path / "quiet.db"
    assert CliRunner().invoke(replay, ["base-datum:quiet-right", "--log", str(log)]).exit_code == 0
    assert run(log, "-o", tmp_path / "quiet.html").exit_code == 0
    _, text = read(tmp_path / "quiet.html")
    assert "The base was right all day. No stop alert was raised." in text
    assert "None made." in text
    assert "It takes both posts' logs" in text
    refused = run(log, "-o", tmp_path / "quiet.html")
    assert (refused.exit_code, "exists; name a file that does not" in refused.stderr) == (2, True)


def test_what_a_file_says_is_text_and_no_markup(day, tmp_path):
    log, field = day
    hostile = tmp_path / "hostile.csv"
    lines = field.read_text().splitlines()
    hostile.write_text(
        "\n".join([lines[0], *(line.replace(line.split(",")[0], "<script>alert(1)</script>", 1) for line in lines[1:])])
    )
    assert run(log, "--points", hostile, "-o", tmp_path / "hostile.html").exit_code == 0
    assert "<script>alert(1)" not in (tmp_path / "hostile.html").read_text()


def test_both_posts_logs_say_what_was_lost_on_the_way(tmp_path):
    """A base and its rover under one sky log the same frames, but for 30 s of 300 in which the link fades."""
    logs = []
    for name, more in (("base", ""), ("rover", '[[event]]\ndo = "fade"\nat_s = 100.6\nfor_s = 30.0\n')):
        source = tmp_path / f"{name}.toml"
        source.write_text(f'like = "quiet-hour-{name}"\nseed = 3\nduration_s = 300\n{more}')
        logs.append(str(tmp_path / f"kestrel-{name}.0001.db"))
        assert CliRunner().invoke(replay, [str(source), "--log", logs[-1]]).exit_code == 0
    assert run(*logs, "-o", tmp_path / "day.html").exit_code == 0
    _, text = read(tmp_path / "day.html")
    assert 88.0 < float(re.search(r"Of all frames ([\d.]+)% arrived", text)[1]) < 92.0


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
