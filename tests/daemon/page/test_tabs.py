"""Each tab as a phone gets it, of a day whose truth was written by hand."""

import html
import re
import xml.etree.ElementTree as ET

import msgspec
import pytest
from witnesspost.daemon.page.html import tag
from witnesspost.daemon.status.snapshot import EpochStatus
from witnesspost.daemon.status.told import CheckInStatus, SetUpStatus
from witnesspost.rules.facts import CheckIn, SetUp

from tests.daemon.page.conftest import PLACES, STATUS, events
from tests.daemon.view import port


def stands(served, **changes):
    served.view.status = msgspec.structs.replace(STATUS, up_s=served.view.t, **changes)


@pytest.mark.parametrize("path", PLACES)
def test_each_place_has_an_address_that_every_page_links(day, path):
    text = day.inside().get(path).text
    assert re.findall(r"<nav.*?</nav>", text)[0].count("<a ") == len(PLACES)
    for other in PLACES:
        assert f'<a href="{other}"' in text
    assert text.count('aria-current="page"') == 1
    assert text.count("<h1") == 1
    assert "kestrel-rover" in text


@pytest.mark.parametrize("path", PLACES)
def test_each_place_is_well_formed_and_has_no_id_twice(day, path):
    text = day.inside().get(path).text
    ids = re.findall(r' id="([^"]+)"', text)
    assert len(ids) == len(set(ids))
    body = re.sub(r"^<!doctype html>\n", "", text)
    body = re.sub(r" (defer|required|checked|selected|open|download|data-sounds|formnovalidate)(?=[ >])", r' \1=""', body)
    ET.fromstring(body)
    for targets in re.findall(r' for="([^"]+)"', text):  # an output names all that it is made of
        assert set(targets.split()) <= set(ids)


@pytest.mark.parametrize("path", PLACES[1:])
def test_every_other_place_says_the_state_as_well(day, path):
    assert 'id="head" href="/" class="head is-well"' in day.inside().get(path).text


def test_the_places_show_themselves_without_logs_and_without_a_snapshot(served):
    browser = served.inside()
    served.view.status = None
    for path in PLACES:
        assert browser.get(path).status == 200
    assert "There is no log yet." in browser.get("/day").text


# ── Check in ────────────────────────────────────────────────────────────────────────────────────────────────────────


def test_who_stands_on_a_point_says_so(served):
    browser = served.inside()
    answer = browser.send("/check-in", do="checkin", point="KQ-2", by="Kim")
    assert served.view.told == [CheckIn(t=100.0, stream="", point="KQ-2", by="Kim")]
    assert browser.get(answer.headers["Location"]).line.startswith("Check-in on KQ-2 by Kim: stand still")


@pytest.mark.parametrize("outcome", ["passed", "failed", "declined", "given-up", "elsewhere", "unknown-point"])
def test_once_a_check_in_has_ended_nobody_is_told_to_stand_still(served, outcome):
    """On the page that answered, loaded again as a phone without script does, and in the news that one with script gets."""
    stands(served, check_in=check_in(point="KQ-1", ago_s=400.0, outcome="passed", line="KQ-1: passed"))
    browser = served.inside()
    location = browser.send("/check-in", do="checkin", point="KQ-2", by="Kim").headers["Location"]
    asked = browser.get(location).text
    assert (asked.count("KQ-2 by Kim: stand still"), asked.count("KQ-1: passed")) == (1, 0)
    served.view.t += 1.0
    stands(served, check_in=check_in(ago_s=0.8, stood_s=0.4, line="KQ-2: stand still, 0 of 10 s"))
    going = browser.get(location).text
    assert (going.count("KQ-2 by Kim: stand still"), going.count("KQ-2: stand still, 0 of 10 s")) == (0, 1)
    served.view.t += 1.0
    stands(served, check_in=check_in(ago_s=1.8, outcome=outcome, line="KQ-2: it has ended"))
    ended = browser.get(location).text
    assert "stand still" not in ended.replace("stand still for ten seconds", "")  # how the next is done
    with browser.connect() as end:
        end.sendall(browser.head("GET", "/live/check-in"))
        assert "stand still" not in next(events(end))


def test_a_check_in_that_the_post_never_takes_up_does_not_ask_for_ever(served):
    browser = served.inside()
    location = browser.send("/check-in", do="checkin", point="KQ-2", by="Kim").headers["Location"]
    served.view.t += 10.0
    served.stands()
    assert "KQ-2 by Kim" not in browser.get(location).text


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"point": ""}, "Choose a point. Nothing was changed."),
        ({"point": "KQ-9"}, "KQ-9 is none of the site file&#x27;s control points; there are KQ-1, KQ-2. Nothing was changed."),
        ({"point": "<b>" * 90}, "Nothing was changed."),
        ({"point": "<b>\n\r\x1b[0m"}, "Nothing was changed."),
        ({"by": ""}, "Give your name"),
    ],
)
def test_a_check_in_that_makes_no_sense_changes_nothing(served, fields, words):
    browser = served.inside()
    answer = browser.send("/check-in", **{"do": "checkin", "point": "KQ-2", "by": "Kim"} | fields)
    assert answer.status == 400
    assert words in answer.line
    assert "<b>" not in answer.line
    assert served.view.told == []


def check_in(**changes):
    going = CheckInStatus(
        point="KQ-2", by="Kim", ago_s=5.0, stood_s=3.2, needed_s=10.0, hindrance=None, outcome=None, line="KQ-2: stand still"
    )
    return msgspec.structs.replace(going, **changes)


@pytest.mark.parametrize(
    ("said", "written"),
    [
        ("14.4 s", "14.4~s"), ("for 3 min, 12 mm", "for 3~min, 12~mm"), ("87 % of 461.025 MHz", "87~% of 461.025~MHz"),
        ("39.1°", "39.1°"), ("KQ-2 stands", "KQ-2 stands"), ("3 steps, 4 minutes", "3 steps, 4 minutes"), ("x s", "x s"),
        ("812 bytes/s & 4 m", "812~bytes/s &amp; 4~m"),
    ],
)  # fmt: skip
def test_a_figure_and_its_unit_stay_on_one_line(said, written):
    assert tag("p", said) == f"<p>{written}</p>".replace("~", "\N{NO-BREAK SPACE}")
    assert tag("input", value=said) == f'<input value="{html.escape(said)}" />'  # what a form sends is as it was


def test_a_check_in_counts_down(served):
    stands(served, check_in=check_in())
    text = served.inside().get("/check-in").text
    assert '<p class="count">7 s</p>' in text
    assert 'width="32"' in text


LOADED_AGAIN = '<noscript><meta http-equiv="refresh" content="5" /></noscript>'


def test_a_phone_without_script_loads_a_check_in_again_until_it_has_ended(served):
    """From the moment that it was asked for: the post's own snapshot of it comes a little later."""
    browser = served.inside()
    assert LOADED_AGAIN not in browser.get("/check-in").text  # it would take away what is being written
    browser.send("/check-in", do="checkin", point="KQ-2", by="Kim")
    assert LOADED_AGAIN in browser.get("/check-in").text
    stands(served, check_in=check_in())
    served.view.t += 30.0
    assert LOADED_AGAIN in browser.get("/check-in").text
    stands(served, check_in=check_in(outcome="declined", line="KQ-2: no check-in within 60 s: nobody stood still on it"))
    assert LOADED_AGAIN not in browser.get("/check-in").text


def test_a_check_in_that_passed_shows_each_axis_against_its_limit(served):
    measured = {"east_m": 0.003, "north_m": 0.004, "up_m": -0.012, "limit_horizontal_m": 0.03, "limit_vertical_m": 0.05}
    stands(served, check_in=check_in(outcome="passed", stood_s=10.0, line="KQ-2: passed: 3, 4, −12 mm", **measured))
    text = served.inside().get("/check-in").text
    assert "<span>KQ-2: passed</span>" in text
    rows = re.findall(r'<tr[^>]*><th scope="row">(\w+)</th><td>(.*?)</td><td>(.*?)</td></tr>', text)
    assert rows == [
        ("East", "3 mm", "–"),
        ("North", "4 mm", "–"),
        ("Across", "5 mm", "30 mm"),
        ("Up", "−12 mm", "50 mm"),
    ]
    assert "differs" not in text


def test_a_check_in_that_failed_says_which_limit_and_why(served):
    measured = {"east_m": 0.003, "north_m": 0.004, "up_m": -0.3, "limit_horizontal_m": 0.03, "limit_vertical_m": 0.05}
    why = "The pole is 0.3 m too short."
    stands(served, check_in=check_in(outcome="failed", stood_s=10.0, line="KQ-2: not passed", why=why, **measured))
    text = served.inside().get("/check-in").text
    assert "<span>KQ-2: not passed</span>" in text
    assert text.count('class="differs"') == 1
    assert "The pole is 0.3 m too short." in text


def test_a_check_in_that_could_not_be_judged_says_why(served):
    measured = {"east_m": 0.0, "north_m": 0.0, "up_m": 0.0, "limit_horizontal_m": 0.03, "limit_vertical_m": 0.05}
    line = "KQ-2: cannot be checked: the receiver gives its height in steps of 0.100 m; set it to more decimals"
    stands(served, check_in=check_in(outcome="declined", stood_s=10.0, line=line, **measured))
    text = served.inside().get("/check-in").text
    assert "<span>KQ-2: no check</span>" in text
    assert "set it to more decimals" in text
    assert "<table" not in text


# ── Today ───────────────────────────────────────────────────────────────────────────────────────────────────────────

SET_UP = {"do": "setup", "point": "KQ-2", "antenna_height_m": "1,532", "pole_height_m": "1.8 m", "by": "Kim"}


def test_a_set_up_is_told_as_it_is(served):
    browser = served.inside()
    assert browser.send("/today", **SET_UP).status == 303
    fact = SetUp(t=100.0, stream="", point="KQ-2", antenna_height_m=1.532, pole_height_m=1.8, by="Kim")
    assert served.view.told == [fact]


def test_a_slant_makes_its_vertical_height_by_pythagoras(served):
    browser = served.inside()
    slant = {"antenna_height_m": "", "slant_m": "1.300", "radius_m": "0.5", "offset_m": "0.1"}
    answer = browser.send("/today", **SET_UP | slant | {"do": "vertical"})
    assert answer.status == 200
    assert answer.line == "These make 1.100 m, vertical. Nothing was set up yet."  # √(1.3² − 0.5²) = 1.2
    assert 'name="slant_m" value="1.300"' in answer.text, "what was typed stays"
    assert ">These make 1.100 m, vertical.</output>" in answer.text
    assert served.view.told == []
    assert browser.send("/today", **SET_UP | slant).status == 303
    assert served.view.told[0].antenna_height_m == 1.1
    assert served.view.told[0].slant_m == 1.3


@pytest.mark.parametrize(
    ("slant_m", "radius_m", "offset_m", "said"),
    [
        ("1,3 m", "0.5", "", "These make 1.200 m, vertical."),
        ("0.4", "0.5", "", "These make no antenna height: the slant is the longest of them."),
        ("", "0.5", "", ""),
        ("1.3", "half", "", ""),
    ],
)
def test_what_a_slant_makes_stays_where_the_form_was_not_taken(served, slant_m, radius_m, offset_m, said):
    fields = {"antenna_height_m": "", "slant_m": slant_m, "radius_m": radius_m, "offset_m": offset_m, "by": ""}
    answer = served.inside().send("/today", **SET_UP | fields)
    assert answer.status == 400
    assert f">{said}</output>" in answer.text


def test_what_holds_is_shown(served):
    said = {"by": "Kim", "utc": "2026-05-04T13:05:00Z", "slant_m": 1.3, "radius_m": 0.5, "offset_m": 0.1}
    set_up = SetUpStatus(planned=False, point="KQ-2", antenna_height_m=1.1, pole_height_m=1.8, **said)
    stands(served, set_up=set_up)
    text = served.inside().get("/today").text
    for words in ("KQ-2", "1.100 m", "slant 1.300 m, radius 0.500 m, offset 0.100 m", "Set up by Kim, 07:05."):
        assert words in text
    stands(served)
    assert "nobody has said a set-up today" in served.inside().get("/today").text


BAD_SET_UPS = {
    "no point": ({"point": ""}, "Choose a point"),
    "an unknown point": ({"point": "KQ-9"}, "KQ-9 is none of"),
    "letters": ({"antenna_height_m": "high"}, "read high; expected metres such as 1.532"),
    "not a number": ({"antenna_height_m": "nan"}, "read nan; expected metres"),
    "infinite": ({"pole_height_m": "1e999"}, "expected metres"),
    "a date": ({"pole_height_m": "2026-05-04"}, "expected metres"),
    "negative": ({"antenna_height_m": "-1.5"}, "expected an antenna height of 0 to 20 m"),
    "a tower": ({"antenna_height_m": "99"}, "expected an antenna height of 0 to 20 m"),
    "both heights": ({"slant_m": "1.6", "radius_m": "0.1"}, "not both"),
    "a slant without a radius": ({"antenna_height_m": "", "slant_m": "1.6"}, "radius"),
    "a slant shorter than its radius": ({"antenna_height_m": "", "slant_m": "0.1", "radius_m": "0.5"}, "not longer than"),
    "only an offset": ({"antenna_height_m": "", "offset_m": "0.1"}, "slant"),
    "no name": ({"by": " "}, "Give your name"),
    "markup": ({"antenna_height_m": "<script>"}, "read &lt;script&gt;"),
    "too long": ({"antenna_height_m": "1" * 400}, "is too long"),
    "nothing chosen": ({"do": "delete"}, "Choose what to do"),
    "a slant to reckon that is none": ({"do": "vertical"}, "Give the slant and the antenna&#x27;s radius"),
}


@pytest.mark.parametrize("what", BAD_SET_UPS)
def test_a_set_up_that_makes_no_sense_changes_nothing(served, what):
    change, words = BAD_SET_UPS[what]
    browser = served.inside()
    answer = browser.send("/today", **SET_UP | change)
    assert answer.status == 400
    assert words in answer.line
    assert "Nothing was changed." in answer.line
    assert "\n" not in answer.line
    assert served.view.told == []


# ── Day ─────────────────────────────────────────────────────────────────────────────────────────────────────────────


def test_the_day_is_drawn_and_an_hour_is_told(day):
    browser = day.inside()
    text = browser.get("/day").text
    assert "Touch an hour" in text
    links = re.findall(r'href="(/day\?hour=\d+)#hour" aria-label="What was from (\d\d:\d\d)', text)
    assert len(links) == 25
    eleven = browser.get({clock: href for href, clock in links}["11:00"]).text
    told = re.findall(r"<li>(.*?)</li>", re.search(r'id="hour".*?</section>', eleven, re.DOTALL)[0])
    assert told == [
        "fixed 45 min, not fixed 15 min",
        "corrections came 73 % of the time",
        "oldest corrections 55 s",
        "11:05 <b>stop</b> No corrections for 16 min: the line brings no bytes. It lasted 16 min.",
        "11:07 <b>seen by</b> Kim",
    ]
    twelve = browser.get({clock: href for href, clock in links}["12:00"]).text
    assert "<li>12:00 <b>off</b> until 12:30</li>" in twelve
    six = browser.get({clock: href for href, clock in links}["06:00"]).text
    assert "<li><b>off</b> until 07:00</li>" in six, "since before the strip begins: no clock says when"


@pytest.mark.parametrize("hour", ["", "x", "-1", "9" * 400, "<script>", "%00"])
def test_an_hour_that_is_not_there_is_not_told(day, hour):
    answer = day.inside().get(f"/day?hour={hour}")
    assert answer.status == 200
    assert 'id="hour"' not in answer.text
    assert "<script>" not in answer.text


# ── Radio ───────────────────────────────────────────────────────────────────────────────────────────────────────────


def test_the_radios_stand_side_by_side_with_what_comes(served):
    epoch = EpochStatus(
        stream="corrections", station_id=417, ago_s=0.4, interval_s=1.0, systems="GR", satellites=14, came_share=0.87
    )
    line = msgspec.structs.replace(port("open"), rate_bytes_per_s=812.0)
    stands(served, epochs=[epoch], ports=[line], distance_km=12.345)
    text = served.inside().get("/radio").text
    items = dict(re.findall(r"<dt>(.*?)</dt><dd>(.*?)</dd>", text))
    assert items == {
        "corrections": "812 bytes/s",
        "epochs of station 417": "1 a second",
        "epochs that came": "87 %",
        "last epoch": "0 s ago",
        "rover to base": "12.35 km",
        "radio horizon": "14.07 km",  # 4.12 · (√4 + √2)
    }
    rows = re.findall(r'<th scope="row">(.*?)</th><td.*?>(.*?)</td><td.*?>(.*?)</td>', text)
    assert rows[:3] == [
        ("frequency, MHz: they differ", "461.025", "461.05"),
        ("protocol", "quarry", "quarry"),
        ("error correction", "not said", "not said"),
    ]
    assert "they differ" not in rows[-1][0], "antennas may well stand at different heights"
    stands(served, distance_km=15.0)
    assert "out of range" in served.inside().get("/radio").text


# ── Help ────────────────────────────────────────────────────────────────────────────────────────────────────────────


def test_help_has_every_pattern_and_the_caution(served):
    text = served.inside().get("/help").text
    assert text.count('class="timeline"') == 18
    for words in ("Dark means dead", "sleeping phone", "licensed surveyor", "overhead lines", "tripod that was kicked"):
        assert words in text


def test_the_places_are_the_page_s_own(served):
    navigation = re.search(r"<nav.*?</nav>", served.inside().get("/").text, re.DOTALL)[0]
    assert tuple(re.findall(r'href="([^"]*)"', navigation)) == PLACES
