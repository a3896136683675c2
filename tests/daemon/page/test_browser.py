"""The page in a real Chromium, against a live watch on ptys: what a person sees, touches and hears of.

Screenshots of every tab are taken on the way. With PICTURES=1 the README's two go into .pictures/.
"""

import json
import os
import re
import socket
import sqlite3
import threading
import time
from contextlib import closing
from itertools import product
from pathlib import Path

import pytest
from msgspec import json as msgspec_json
from msgspec import structs
from witnesspost.daemon.page.server import REQUEST_S as SLOW_S
from witnesspost.daemon.status.snapshot import EpochStatus
from witnesspost.daemon.status.told import CheckInStatus

from tests.daemon.page.chromium import AXE, PROGRAM
from tests.daemon.page.conftest import ALERT, PIN, PLACES
from tests.daemon.page.rover import LiveRover
from tests.daemon.strip.quarry import write_day
from tests.daemon.view import LOG

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(PROGRAM is None, reason="Debian's chromium is not installed (the gate installs it)"),
]
LOOKS = list(product((320, 1280), (False, True)))
PICTURES = Path(__file__).parents[3] / ".pictures"
HEARD_S = 3.0
FORGED = "This form was not made by this page. Nothing was changed; do it here once more."
THUMB_PX = 44


@pytest.fixture(scope="module")
def rover(tmp_path_factory):
    one = LiveRover(tmp_path_factory.mktemp("rover"))
    yield one
    one.close()


@pytest.fixture
def phone(chromium, rover):
    """A phone that has entered the PIN."""
    one = entered(chromium, rover)
    yield one
    one.close()


def entered(chromium, rover, **look):
    one = chromium.phone(**look)
    one.go(f"{rover.address}/")
    one.write("#pin", PIN)
    one.tap("button.main", leads_on=True)
    return one


def events(rover, kind):
    """What the log has of a kind, with all that was told before this call."""
    return told(rover, kind)[kind]


def told(rover, *kinds):
    """What the log has of each kind, with all that was told before this call."""
    with closing(sqlite3.connect(f"file:{rover.logged()}?mode=ro", uri=True)) as log:
        rows = log.execute("SELECT kind, detail FROM event ORDER BY n").fetchall()
    return {kind: [msgspec_json.decode(detail) for found, detail in rows if found == kind] for kind in kinds}


# ── a stop ──────────────────────────────────────────────────────────────────────────────────────────────────────────


SPIES = """
window.shaken = []; window.tones = [];
navigator.vibrate = pattern => { shaken.push(pattern); return true; };
const make = AudioContext.prototype.createOscillator;
AudioContext.prototype.createOscillator = function () {
  const one = make.call(this), start = one.start;
  one.start = at => { tones.push(Math.round((at - this.currentTime) * 10) / 10); return start.call(one, at); };
  return one;
};
"""


def test_a_stop_shakes_the_phone_and_sounds_and_a_check_does_neither(served, chromium):
    """Long, short, long, short as the buzzer has it, until it is seen, and anew with the next stop."""
    phone = chromium.phone()
    phone.ask("Page.addScriptToEvaluateOnNewDocument", source=SPIES)
    phone.go(f"http://127.0.0.1:{served.port}/")
    phone.write("#pin", PIN)
    phone.tap("button.main", leads_on=True)
    phone.js("document.body.dispatchEvent(new PointerEvent('pointerdown', {bubbles: true}))")

    def shows(state, *alerts, silent=False):
        served.view.t += 1.0
        served.stands(*alerts, shown=state)
        served.view.beats(silent=silent)
        loud = json.dumps(state == "stop" and not silent)
        here = f"s.dataset.state === '{state}' && s.hasAttribute('data-sounds') === {loud}"
        phone.until(f"(s => {here})(document.querySelector('#state'))")

    check = structs.replace(ALERT, severity="check")
    for state, alerts in (("well", ()), ("check", (check,)), ("past", (structs.replace(ALERT, state="normal"),))):
        shows(state, *alerts)
        time.sleep(0.3)
        assert phone.js("[shaken.length, tones.length]") == [0, 0], state
    shows("stop", ALERT)
    phone.until("tones.length >= 4")
    assert phone.js("shaken[0]") == [600, 200, 200, 200, 600, 200, 200]
    assert phone.js("tones.slice(0, 4)") == [0, 0.8, 1.2, 2]
    shows("stop", ALERT, silent=True)
    before = phone.js("[shaken.length, tones.length]")
    time.sleep(4.5)  # the pattern is begun anew every four seconds
    assert phone.js("[shaken.length, tones.length]") == before
    shows("stop", ALERT)
    phone.until(f"shaken.length > {before[0]} && tones.length >= {before[1] + 4}")
    phone.close()


def test_a_stop_comes_to_the_phone_and_is_seen_by_a_name(rover, phone, tmp_path):
    phone.js("window.found = null; new MutationObserver(() => { const s = document.querySelector('#state');"
             " if (s.dataset.state === 'stop') found = true; })"
             ".observe(document.body, {subtree: true, attributes: true, childList: true})")  # fmt: skip
    phone.until("document.querySelector('#state').dataset.state === 'well'")
    rover.corrections = False
    rover.watch.until_change("raised", "corrections-stopped")
    phone.until("window.found")  # how soon is measured: `tests.bench phones`
    assert phone.text("#state h1") == "STOP"
    assert "No corrections for" in phone.text("#state .say")
    assert re.search(r"Since \d\d:\d\d, for \d+ s\.", phone.text("#state .since"))
    phone.tap(".steps li:nth-child(2) label")
    assert phone.js("document.querySelectorAll('.steps input')[1].checked")
    said = phone.text("#state .since")
    phone.until(f"document.querySelector('#state .since').innerText !== {said!r}")
    assert phone.js("document.querySelectorAll('.steps input')[1].checked"), "a tick stays when news come"
    phone.write("#by", "Kim Ng")
    said = phone.text("#state .since")
    phone.until(f"document.querySelector('#state .since').innerText !== {said!r}")
    assert phone.js("document.querySelector('#by').value") == "Kim Ng", "and what is being written"
    phone.picture(tmp_path / "stop.png")
    if os.environ.get("PICTURES"):
        PICTURES.mkdir(exist_ok=True)
        phone.look(360, 740)
        phone.picture(PICTURES / "stop.png", height=1000)
        phone.look(320)
    assert phone.js("document.querySelector('#state').hasAttribute('data-sounds')")
    phone.tap("[value=quiet]", leads_on=True)
    assert phone.text(".said") == "Quiet for 10 minutes, by Kim Ng. The light goes on telling the truth."
    phone.until("!document.querySelector('#state').hasAttribute('data-sounds')")
    assert phone.text("#state h1") == "STOP"
    phone.tap("[value=seen]", leads_on=True)
    assert "Seen by Kim Ng: corrections-stopped" in phone.text(".said")
    phone.until("document.querySelector('#state .since').innerText.includes('Seen')")
    assert phone.js("document.querySelector('#by').value") == "Kim Ng", "the name is there the next time"
    phone.js("document.querySelectorAll('.steps input')[2].checked = true")
    phone.tap(".steps li:nth-child(3) .it", leads_on=True)
    assert "step 3" in phone.text(".said")
    phone.until("document.querySelector('.steps li:nth-child(3)').innerText.includes('solved it here before')")
    assert events(rover, "acknowledge")[-1]["by"] == "Kim Ng"
    assert events(rover, "shelve")[-1] == {"for_s": 600.0, "rule": None, "by": "Kim Ng", "note": None}
    assert events(rover, "solved")[-1]["by"] == "Kim Ng"


# ── seen ────────────────────────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.skipif(not AXE.exists(), reason="axe-core is not installed (the gate does: npm install --prefix .tools axe-core)")
def test_axe_finds_nothing_in_any_place_wide_or_narrow_light_or_dark(chromium, rover, phone, tmp_path):
    found = []
    stranger = chromium.phone()
    for width, dark in LOOKS:
        for one, path in [(stranger, "/"), *((phone, path) for path in PLACES)]:
            one.look(width, dark=dark)
            one.go(rover.address + path)
            found += [f"{path} {width} {'dark' if dark else 'light'}: {line}" for line in one.axe()]
            name = "pin" if one is stranger else path.strip("/") or "now"
            one.picture(tmp_path / f"{name}-{width}-{'dark' if dark else 'light'}.png")
    assert found == []
    assert phone.complaints + stranger.complaints == []


@pytest.mark.skipif(not AXE.exists(), reason="axe-core is not installed")
def test_axe_finds_nothing_in_a_stop(rover, phone, tmp_path):
    stopped(rover, phone)
    found = []
    for width, dark in LOOKS:
        phone.look(width, dark=dark)
        phone.js("document.querySelectorAll('.steps input')[1].click()")
        found += phone.axe()
        phone.picture(tmp_path / f"stop-{width}-{'dark' if dark else 'light'}.png")
    assert found == []


def stopped(rover, phone):
    rover.corrections = False
    phone.until("document.querySelector('#state').dataset.state === 'stop'")


@pytest.mark.parametrize(("width", "dark"), LOOKS)
def test_the_states_word_and_the_steps_stand_out_seven_to_one(rover, phone, width, dark):
    """WCAG 2.2, 1.4.6 (contrast, enhanced), by its own formula."""
    stopped(rover, phone)
    phone.look(width, dark=dark)
    ratios = phone.contrasts("#state h1, #state .say, #state .since, .steps label, .steps .step")
    assert len(ratios) > 6
    assert min(ratios) >= 7.0
    states = ("stop", "check", "note", "well", "starting", "fault", "past", "unheard")
    for state in states:
        phone.js(f"document.querySelector('#state').className = 'state is-{state}'")
        assert min(phone.contrasts("#state h1, #state .say, #state .since")) >= 7.0, state


@pytest.mark.parametrize("path", PLACES)
def test_nothing_to_touch_is_smaller_than_a_thumb(rover, phone, path):
    phone.go(rover.address + path)
    for width in (320, 1280):
        phone.look(width)
        assert [one for one in phone.targets() if min(one[1:]) < THUMB_PX] == []


@pytest.mark.parametrize("path", PLACES)
def test_nothing_is_wider_than_the_narrowest_phone(rover, phone, path):
    phone.go(rover.address + path)
    assert phone.js("document.documentElement.scrollWidth") <= 320


def test_a_frequency_is_not_broken_on_the_narrowest_phone(rover, phone):
    phone.go(f"{rover.address}/radio")
    lines = """[...document.querySelectorAll('.figure')].map(cell => {
        const text = document.createRange();
        text.selectNodeContents(cell);
        return [cell.innerText, text.getClientRects().length];
    })"""
    assert phone.js(lines) == [["461.025", 1], ["461.025", 1], ["4", 1], ["2", 1]]


# ── lost, and back ──────────────────────────────────────────────────────────────────────────────────────────────────


def test_a_lost_connection_is_said_within_three_seconds_and_comes_back(rover, phone):
    rover.freeze(True)
    try:
        began = time.monotonic()
        phone.until("document.body.classList.contains('unheard')", 10)
        assert time.monotonic() - began <= HEARD_S + 0.8, "3 s, and half a second until it looks"
        assert re.fullmatch(r"Not heard for [34] s", phone.text("#unheard"))
        assert phone.js("getComputedStyle(document.querySelector('#state')).display") == "none"
        assert not phone.shows("#ready")
    finally:
        rover.freeze(False)
    phone.until("!document.body.classList.contains('unheard')")
    assert phone.js("getComputedStyle(document.querySelector('#state')).display") != "none"
    phone.until("!document.body.classList.contains('stale')")  # a beat later: the watch has been away too
    assert phone.shows("#ready")


CHECKING = CheckInStatus(
    point="KQ-2", by="Kim", ago_s=3.0, stood_s=4.0, needed_s=10.0, hindrance=None, outcome=None, line="KQ-2: stand still"
)
PASSED = structs.replace(
    CHECKING, outcome="passed", east_m=0.003, north_m=0.004, up_m=0.0, limit_horizontal_m=0.03, limit_vertical_m=0.05
)
GREEN = """[...document.querySelectorAll('main *')].filter(one => one.checkVisibility()).flatMap(
    one => [getComputedStyle(one), getComputedStyle(one, '::before')].flatMap(style => [style.color, style.backgroundColor])
).filter(colour => colour === 'rgb(11, 90, 51)').length"""
"""How much of the page is in the green of what is well."""


@pytest.mark.parametrize("lost", ["the post", "the watch"])
def test_while_nothing_is_heard_nothing_looks_current(served, chromium, lost):
    """Steps stay, to be gone through on the way to the radio; what was well, or went on, is not said to be so now."""
    site = f"http://127.0.0.1:{served.port}"
    epoch = EpochStatus(
        stream="corrections", station_id=417, ago_s=0.5, interval_s=1.0, systems="GPS", satellites=9, came_share=1.0
    )
    phone = chromium.phone()
    phone.go(f"{site}/")
    phone.write("#pin", PIN)
    phone.tap("button.main", leads_on=True)
    for path, check_in, goes, stays in (
        ("/", None, ["#ready .holds", "#beside .other"], [".steps"]),
        ("/check-in", CHECKING, ["#check .count", "#check .progress", "#check .since"], ["#check h2"]),
        ("/check-in", PASSED, [], ["#check h2", "#check table"]),
        ("/radio", None, ["#line dd"], ["table.ends"]),
    ):
        served.stands(ALERT, structs.replace(ALERT, number=2), shown="stop")
        served.view.status = structs.replace(served.view.status, check_in=check_in, epochs=[epoch])
        phone.go(site + path)
        phone.until("document.querySelector('[data-state=stop]') !== null")
        assert [where for where in goes + stays if not phone.shows(where)] == [], path
        assert bool(phone.js(GREEN)) == (path == "/" or check_in is PASSED), path
        back = threading.Event()
        if lost == "the post":
            served.page._loop.call_soon_threadsafe(back.wait)
        else:
            served.view.t += 10.0
        try:
            phone.until("document.body.classList.contains('stale')")
            assert [where for where in goes if phone.shows(where)] == [], path
            assert [where for where in stays if not phone.shows(where)] == [], path
            assert phone.js(GREEN) == 0, path
        finally:
            back.set()
            served.view.beats()
        phone.until("!document.body.classList.contains('stale')")
        assert [where for where in goes + stays if not phone.shows(where)] == [], path
    phone.close()


def test_without_script_too_nothing_looks_current_while_the_watch_is_not_heard(served, chromium):
    phone = chromium.phone(script=False)
    phone.go(f"http://127.0.0.1:{served.port}/")
    phone.write("#pin", PIN)
    phone.tap("button.main", leads_on=True)
    assert phone.shows("#ready .holds")
    served.view.t += 10.0
    phone.go(f"http://127.0.0.1:{served.port}/")
    assert phone.js("document.querySelector('#state').dataset.state") == "unheard"
    assert not phone.shows("#ready .holds")
    phone.close()


def test_a_post_that_starts_anew_asks_for_the_pin(rover, phone):
    rover.restart()
    phone.until("document.querySelector('#pin') !== null")
    assert "KQ-" not in phone.text()
    phone.write("#pin", PIN)
    phone.tap("button.main", leads_on=True)
    phone.until("document.querySelector('#ready') !== null")


# ── saying ──────────────────────────────────────────────────────────────────────────────────────────────────────────


def test_a_set_up_takes_effect_at_once(rover, phone):
    phone.go(f"{rover.address}/today")
    phone.write("#pole_height_m", "1,8")
    phone.write("#by", "Kim")
    phone.tap("[value=setup]", leads_on=True)
    assert "Set up by Kim: base over KQ-1" in phone.text(".said")
    phone.until("document.querySelector('#holds').innerText.includes('1.800\u00a0m')")
    assert events(rover, "setup")[-1]["pole_height_m"] == 1.8
    phone.write("#pole_height_m", "2.0")
    phone.tap("[value=setup]", leads_on=True)
    phone.until("document.querySelector('#holds').innerText.includes('2.000\u00a0m')")


def test_a_slant_shows_the_vertical_height_that_it_makes(rover, phone):
    phone.go(f"{rover.address}/today")
    phone.tap(".slant summary")
    phone.write("#antenna_height_m", "")
    for field, length in (("slant_m", "1.3"), ("radius_m", "0.5"), ("offset_m", "0.1")):
        phone.write(f"#{field}", length)
    assert phone.text("#vertical") == "These make 1.100 m, vertical."
    phone.write("#slant_m", "1,30 m")
    assert phone.text("#vertical") == "These make 1.100 m, vertical."
    for slant, said in (("0.5", "These make no antenna height"), ("1.3.1", ""), ("", ""), ("25", "These make no antenna")):
        phone.write("#slant_m", slant)
        assert phone.text("#vertical").startswith(said), slant
        assert said or phone.text("#vertical") == "", slant
    phone.write("#slant_m", "1.3")
    phone.write("#by", "Kim")
    phone.tap("[value=setup]", leads_on=True)
    assert "antenna 1.100 m" in phone.text(".said")


def test_without_script_a_button_shows_what_a_slant_makes(chromium, rover, phone):
    plain = entered(chromium, rover, script=False)
    plain.go(f"{rover.address}/today")
    if not plain.js("document.querySelector('.slant').open"):  # it is where a slant is what holds
        plain.tap(".slant summary")
    plain.write("#antenna_height_m", "")
    for field, length in (("slant_m", "1.3"), ("radius_m", "0.5"), ("offset_m", "0.1")):
        plain.write(f"#{field}", length)
    plain.tap("[value=vertical]", leads_on=True)
    assert plain.text(".said") == "These make 1.100 m, vertical. Nothing was set up yet."
    assert plain.text("#vertical") == "These make 1.100 m, vertical."
    assert plain.js("document.querySelector('#slant_m').value") == "1.3"
    plain.close()


def test_a_check_in_counts_down_and_passes(rover, phone):
    rover.corrections = True
    phone.go(f"{rover.address}/check-in")
    phone.tap("label[for=point-1]")
    phone.write("#by", "Kim")
    phone.tap("[value=checkin]", leads_on=True)
    counted = set()
    deadline = time.monotonic() + 60
    while not (result := phone.text("#check h2") or "").startswith("KQ-2:"):
        assert time.monotonic() < deadline, phone.text()
        counted.add(phone.text("#check .count"))
        time.sleep(0.2)
    assert result == "KQ-2: passed", phone.text("#check")
    assert len(counted) >= 1
    assert re.search(r"Up\s+[−\d]+ mm\s+50 mm", phone.text("#check table"))


# ── what is not as the page makes it ────────────────────────────────────────────────────────────────────────────────


def posted(phone, path, body, **options):
    """What the page of this phone sends by itself, as a script of a hand-made page would: the status, and the line it says."""
    wanted = {"method": "POST", "body": body, "redirect": "manual"} | options
    wanted.setdefault("headers", {"Content-Type": "application/x-www-form-urlencoded"})
    return phone.js(
        f"fetch({json.dumps(path)}, {json.dumps(wanted)}).then(async a => [a.status, new DOMParser()"
        ".parseFromString(await a.text(), 'text/html').querySelector('.said')?.innerText"
        ".replaceAll('\\u00a0', ' ') ?? ''], () => [0, ''])"
    )


def said_by_people(rover):
    """How many events of people are in the log, by kind."""
    return {kind: len(found) for kind, found in told(rover, "acknowledge", "shelve", "setup", "checkin", "solved").items()}


def test_what_is_forged_or_replayed_in_a_browser_changes_nothing(rover, phone):
    before = said_by_people(rover)
    token = phone.js("document.body.dataset.token")
    made_up = token[:-4] + ("0000" if token[-4:] != "0000" else "1111")
    for path, fields in (
        ("/", "do=seen&by=Kim"),
        ("/today", "do=setup&point=KQ-1&antenna_height_m=1.5&by=Kim"),
        ("/check-in", "do=checkin&point=KQ-2&by=Kim"),
        ("/files", "do=snapshot"),
    ):
        for forged in ("", f"&token={made_up}", "&token=1.a.b"):
            assert posted(phone, path, fields + forged) == [403, FORGED], path
    assert posted(phone, "/leave", f"token={token}")[0] == 0, "who leaves is led on"
    phone.go(f"{rover.address}/")
    phone.write("#pin", PIN)
    phone.tap("button.main", leads_on=True)
    assert posted(phone, "/", f"do=seen&by=Kim&token={token}") == [403, FORGED], "another session's token"
    assert said_by_people(rover) == before


def test_a_form_that_is_sent_again_by_the_browser_changes_nothing_twice(rover, phone):
    phone.go(f"{rover.address}/today")
    form = "do=setup&point=KQ-1&antenna_height_m=1.843&pole_height_m=2&by=Kim&token=" + phone.js("document.body.dataset.token")
    before = said_by_people(rover)["setup"]
    assert posted(phone, "/today", form)[0] == 0  # led on: it was done
    assert posted(phone, "/today", form) == [409, "This form was sent before. Nothing was changed a second time."]
    assert said_by_people(rover)["setup"] == before + 1


def test_another_site_s_page_in_the_same_browser_can_neither_read_nor_change(chromium, rover, phone, tmp_path):
    """A page of another origin that posts to the post: the browser says where it comes from, and keeps the cookie back."""
    before = said_by_people(rover)
    form = f'<form method="post" action="{rover.address}/"><input name="do" value="seen"><input name="by" value="Eve"></form>'
    (tmp_path / "other.html").write_text(f"<!doctype html><title>other</title>{form}")
    phone.go(f"file://{tmp_path}/other.html")
    assert phone.js(f"fetch('{rover.address}/').then(a => a.text(), () => 'not to be read')") == "not to be read"
    phone.js("document.forms[0].submit()")
    phone.until("document.querySelector('.said') !== null")
    assert phone.text(".said") in (
        "Enter the PIN first. Nothing was changed.",
        "This came from another site's page. Nothing was changed.",
    )
    assert said_by_people(rover) == before


def test_what_is_too_large_or_too_slow_is_refused_and_the_page_stays_live(rover, phone):
    before = said_by_people(rover)
    token = phone.js("document.body.dataset.token")
    assert posted(phone, "/", f"do=seen&token={token}&by=" + "k" * 9000) == [413, ""]
    assert posted(phone, "/", "a" * 2_000_000)[0] in (413, 0)  # the post hangs up on what goes on and on
    assert posted(phone, f"/?{'a' * 9000}", "do=seen")[0] in (431, 0)
    slow = [socket.create_connection(("127.0.0.1", rover.port)) for _ in range(8)]  # of the twelve of one address
    for end in slow:
        end.sendall(b"POST / HTTP/1.1\r\nContent-Length: 100\r\n")
    said = phone.text("#ready") is not None
    assert phone.js("fetch('/').then(a => a.status)") == 200, "others are answered meanwhile"
    for end in slow:
        end.settimeout(SLOW_S + 5)
        assert end.recv(100) == b"", "dropped"
        end.close()
    assert said
    assert not phone.js("document.body.classList.contains('unheard')")
    assert said_by_people(rover) == before


NONSENSE = {
    "/": [
        ("do=explode&by=Kim", "Choose what to do"),
        ("do=seen&by=", "Give your name"),
        ("do=seen&by=" + "k" * 61, "Your name is too long"),
    ],
    "/today": [
        ("do=setup&point=KQ-9&antenna_height_m=1&by=Kim", "KQ-9 is none of"),
        ("do=setup&point=KQ-1&antenna_height_m=tall&by=Kim", "read tall; expected metres"),
        ("do=setup&point=KQ-1&antenna_height_m=999&by=Kim", "expected an antenna height of 0 to 20 m"),
        ("do=setup&point=KQ-1&slant_m=0.1&radius_m=0.5&by=Kim", "is not longer than"),
        ("do=setup&antenna_height_m=1&by=Kim", "Choose a point"),
    ],
    "/check-in": [("do=checkin&point=KQ-9&by=Kim", "KQ-9 is none of"), ("do=checkin&point=KQ-2&by=", "Give your name")],
    "/files": [("do=delete&file=/etc/passwd", "Choose what to do")],
    "/day": [("do=x", "Choose what to do")],
    "/radio": [("do=x", "Choose what to do")],
    "/help": [("do=x", "Choose what to do")],
}  # fmt: skip


@pytest.mark.parametrize("path", NONSENSE)
def test_a_form_with_nonsense_gets_one_line_in_the_browser_and_changes_nothing(rover, phone, path):
    before = said_by_people(rover)
    for body, line in NONSENSE[path]:
        phone.go(rover.address + path)
        status, said = posted(phone, path, f"{body}&token={phone.js('document.body.dataset.token')}")
        assert 400 <= status < 500, (path, body)
        assert line in said
        assert said.endswith("Nothing was changed.")
        assert "\n" not in said
    assert said_by_people(rover) == before


# ── without script ──────────────────────────────────────────────────────────────────────────────────────────────────


def test_without_script_the_state_shows_and_is_fresh_and_the_forms_work(chromium, rover, phone):
    plain = entered(chromium, rover, script=False)
    rover.corrections = False
    plain.until("document.querySelector('#state')?.dataset.state === 'stop'")
    since = plain.text("#state .since")
    plain.until(f"document.querySelector('#state .since')?.innerText !== {since!r}")
    plain.js("document.querySelectorAll('.steps input')[1].checked = true")
    plain.write("#by", "Ada")
    plain.tap(".steps li:nth-child(2) .it", leads_on=True)
    assert "Solved, says Ada" in plain.text(".said")
    plain.go(f"{rover.address}/day")
    hours = plain.js("[...document.querySelectorAll('.strip a')].map(a => a.href.baseVal)")
    assert len(hours) == 25
    plain.go(f"{rover.address}{hours[-1]}")
    assert plain.js("document.querySelector('#hour') !== null")


def test_the_strip_of_a_day_and_an_hour_of_it(chromium, served, tmp_path):
    paths = write_day(tmp_path)
    served.view.beats(log=structs.replace(LOG, path=str(paths[1])))
    one = chromium.phone(360, 740)
    one.go(f"http://127.0.0.1:{served.port}/")
    one.write("#pin", PIN)
    one.tap("button.main", leads_on=True)
    one.go(f"http://127.0.0.1:{served.port}/day")
    one.tap(".strip a[aria-label*='from 11:00']", leads_on=True)
    assert "No corrections for 16 min" in one.text("#hour")
    one.picture(tmp_path / "day.png")
    if os.environ.get("PICTURES"):
        PICTURES.mkdir(exist_ok=True)
        one.picture(PICTURES / "day.png", height=960)
    one.close()


# ── at last, since it locks this machine's address out for a minute ─────────────────────────────────────────────────


def test_a_wrong_pin_is_told_and_five_lock_this_phone_out(chromium, rover):
    other = chromium.phone()
    other.go(f"{rover.address}/")
    assert "KQ" not in other.text()
    for _ in range(5):
        other.write("#pin", "000000")
        other.tap("button.main", leads_on=True)
        assert other.text(".said") == "That is not the PIN. Nothing was changed."
    other.write("#pin", PIN)
    other.tap("button.main", leads_on=True)
    assert other.text(".said").startswith("Too many wrong PINs came from this phone.")
