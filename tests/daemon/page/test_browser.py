"""The page in a real Chromium, against a live watch on ptys: what a person sees, touches and hears of.

Screenshots of every place are taken on the way. With PICTURES=1 the README's two go into .pictures/.
"""

import os
import re
import sqlite3
import time
from contextlib import closing
from itertools import product
from pathlib import Path

import pytest
from msgspec import json as msgspec_json
from msgspec import structs

from tests.daemon.page.chromium import AXE, PROGRAM, Chromium
from tests.daemon.page.conftest import PIN
from tests.daemon.page.rover import LiveRover
from tests.daemon.strip.quarry import write_day
from tests.daemon.view import LOG

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(PROGRAM is None, reason="Debian's chromium is not installed (the gate installs it)"),
]
PLACES = ("/", "/check-in", "/today", "/day", "/radio", "/files", "/help")
LOOKS = list(product((320, 1280), (False, True)))
PICTURES = Path(__file__).parents[3] / ".pictures"
HEARD_S = 3.0


@pytest.fixture(scope="module")
def chromium(tmp_path_factory):
    one = Chromium(tmp_path_factory.mktemp("chromium"))
    yield one
    one.close()


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
    """What the log has of a kind, as soon as it is committed."""
    time.sleep(1.0)
    path = max(rover.folder.glob("log/kestrel-rover.*.db"))
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as log:
        return [msgspec_json.decode(detail) for (detail,) in log.execute("SELECT detail FROM event WHERE kind = ?", (kind,))]


# ── a stop ──────────────────────────────────────────────────────────────────────────────────────────────────────────


def test_a_stop_comes_to_the_phone_and_is_seen_by_a_name(rover, phone, tmp_path):
    phone.js("window.found = null; new MutationObserver(() => { const s = document.querySelector('#state');"
             " if (s.dataset.state === 'stop' && !found) found = Date.now() / 1000; })"
             ".observe(document.body, {subtree: true, attributes: true, childList: true})")  # fmt: skip
    phone.until("document.querySelector('#state').dataset.state === 'well'")
    rover.corrections = False
    rover.watch.until_change("raised", "corrections-stopped")
    raised_at = time.time()
    assert phone.until("window.found") - raised_at <= 1.0
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
    phone.until("document.querySelector('#state .since').innerText.includes('seen')")
    assert phone.js("document.querySelector('#by').value") == "Kim Ng", "the name is there the next time"
    phone.js("document.querySelectorAll('.steps input')[2].checked = true")
    phone.tap(".steps li:nth-child(3) .it", leads_on=True)
    assert "step 3" in phone.text(".said")
    phone.until("document.querySelector('.steps li:nth-child(3)').innerText.includes('solved it 1 of 1 times here')")
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


LUMINANCE = """
(where) => {
  const light = ([r, g, b]) => [r, g, b].map(v => v / 255).map(v => v <= .04045 ? v / 12.92 : ((v + .055) / 1.055) ** 2.4)
    .reduce((sum, v, n) => sum + v * [.2126, .7152, .0722][n], 0);
  const numbers = text => text.match(/[\\d.]+/g).map(Number);
  return [...document.querySelectorAll(where)].filter(e => e.offsetParent).map(e => {
    let back = e;
    while (back && numbers(getComputedStyle(back).backgroundColor)[3] === 0) back = back.parentElement;
    const [one, other] = [getComputedStyle(e).color, back ? getComputedStyle(back).backgroundColor : 'rgb(255, 255, 255)']
      .map(numbers).map(light).sort((a, b) => b - a);
    return (one + .05) / (other + .05);
  });
}
"""


@pytest.mark.parametrize(("width", "dark"), LOOKS)
def test_the_states_word_and_the_steps_stand_out_seven_to_one(rover, phone, width, dark):
    """WCAG 2.2, 1.4.6 (contrast, enhanced), by its own formula."""
    stopped(rover, phone)
    phone.look(width, dark=dark)
    ratios = phone.js(f"({LUMINANCE})('#state h1, #state .say, #state .since, .steps label, .steps .step')")
    assert len(ratios) > 6
    assert min(ratios) >= 7.0
    states = ("stop", "check", "note", "well", "starting", "fault", "past", "unheard")
    for state in states:
        phone.js(f"document.querySelector('#state').className = 'state is-{state}'")
        assert min(phone.js(f"({LUMINANCE})('#state h1, #state .say, #state .since')")) >= 7.0, state


SMALL = """
[...document.querySelectorAll('a, button, input:not([type=hidden]), select, summary')].map(e => {
  const label = e.labels && e.labels[0], b = e.getBoundingClientRect(), l = label ? label.getBoundingClientRect() : b;
  const wide = Math.max(b.right, l.right) - Math.min(b.left, l.left), tall = Math.max(b.height, l.height);
  return [e.outerHTML.slice(0, 90), wide, tall, b.width && b.right > 0];
}).filter(([, wide, tall, seen]) => seen && (wide < 44 || tall < 44))
"""


@pytest.mark.parametrize("path", PLACES)
def test_nothing_to_touch_is_smaller_than_a_thumb(rover, phone, path):
    phone.go(rover.address + path)
    assert phone.js(SMALL) == []
    phone.look(1280)
    assert phone.js(SMALL) == []


@pytest.mark.parametrize("path", PLACES)
def test_nothing_is_wider_than_the_narrowest_phone(rover, phone, path):
    phone.go(rover.address + path)
    assert phone.js("document.documentElement.scrollWidth") <= 320


# ── lost, and back ──────────────────────────────────────────────────────────────────────────────────────────────────


def test_a_lost_connection_is_said_within_three_seconds_and_comes_back(rover, phone):
    rover.freeze(True)
    try:
        began = time.monotonic()
        phone.until("document.body.classList.contains('unheard')", 10)
        assert time.monotonic() - began <= HEARD_S + 0.8, "3 s, and half a second until it looks"
        assert re.fullmatch(r"Not heard for [34] s", phone.text("#unheard"))
        assert phone.js("getComputedStyle(document.querySelector('#state')).display") == "none"
    finally:
        rover.freeze(False)
    phone.until("!document.body.classList.contains('unheard')")
    assert phone.js("getComputedStyle(document.querySelector('#state')).display") != "none"


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
    phone.until("document.querySelector('#holds').innerText.includes('1.800 m')")
    assert events(rover, "setup")[-1]["pole_height_m"] == 1.8
    phone.write("#pole_height_m", "2.0")
    phone.tap("[value=setup]", leads_on=True)
    phone.until("document.querySelector('#holds').innerText.includes('2.000 m')")


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
