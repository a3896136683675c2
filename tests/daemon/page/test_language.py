"""Page, card, status and answers in each language: no text of theirs without a translation, and English untouched."""

import ast
import datetime as dt
import errno
import html
import inspect
import io
import json
import os
import re
import zipfile

import msgspec
import pytest
from msgspec.structs import replace as replaced
from witnesspost.daemon import requests
from witnesspost.daemon.commands.status import _plumbing, screenful
from witnesspost.daemon.host.terminal import Terminal
from witnesspost.daemon.lines import QUALITY_WORDS, ROWS
from witnesspost.daemon.page import english, words
from witnesspost.daemon.page.card import card
from witnesspost.daemon.publish.connection import REFUSED
from witnesspost.daemon.signals.patterns import PATTERNS
from witnesspost.daemon.state import WORDS
from witnesspost.daemon.status.told import CheckInStatus, OfficeStatus, PausedStatus, ShelvedStatus
from witnesspost.rules.alert import Sentence
from witnesspost.rules.book import words as book
from witnesspost.rules.language.speech import Speech, languages, read_po
from witnesspost.rules.site.reading import site_from_toml

from tests.daemon.page.conftest import ALERT, PLACES, Served
from tests.daemon.page.test_card import SITE
from tests.daemon.status.test_status import SAID
from tests.daemon.strip.quarry import write_day
from tests.daemon.view import LOG, View, port, until
from tests.documentation import TOP
from tests.rules.language.test_speech import CATALOGUES
from tests.sayings import sayings

OTHERS = [language for language in languages() if language != "en"]


def texts(what):
    if isinstance(what, str):
        return {what}
    return set().union(*map(texts, what.values() if isinstance(what, dict) else what))


OWN = set().union(*(texts(getattr(english, name)) for name in dir(english) if name.isupper()))


def answers():
    """Each answer to a request as its source has it, a figure in each field."""
    for node in ast.walk(ast.parse(inspect.getsource(requests))):
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") in ("Refused", "Answer"):
            said = [*node.args, *(word.value for word in node.keywords)]
        elif isinstance(node, ast.Return) and isinstance(node.value, ast.JoinedStr):
            said = [node.value]
        else:
            continue
        for one in said:
            for text in (one.body, one.orelse) if isinstance(one, ast.IfExp) else (one,):
                if isinstance(text, ast.Constant):
                    yield text.value
                elif isinstance(text, ast.JoinedStr) and len(text.values) > 1:
                    parts = (part.value if isinstance(part, ast.Constant) else _field(part) for part in text.values)
                    yield "".join(parts)


def _field(part):
    field = ast.unparse(part.value)
    if field.startswith("_or_else"):
        return "; did you mean KQ-2?"
    return "" if isinstance(part.value, ast.IfExp) else "ports open" if field == "status.line" else "7"


@pytest.mark.parametrize("path", CATALOGUES, ids=lambda path: path.stem)
def test_no_text_of_the_page_and_the_card_is_without_a_translation(path):
    said = {entry.text: entry.said for entry in read_po(path.read_text()) if entry.context == words.CONTEXT}
    assert OWN - {text for text, translated in said.items() if translated} == set()
    assert set(said) - OWN == set()


@pytest.mark.parametrize("language", OTHERS)
class TestEachLanguage:
    def test_a_format_says_its_figures_as_in_english(self, language):
        for text in OWN:
            assert sorted(re.findall(r"{.*?}", Speech.of(language).text(words.CONTEXT, text))) == sorted(
                re.findall(r"{.*?}", text)
            )

    def test_lights_sounds_states_and_qualities_are_known(self, language):
        phrase = Speech.of(language).phrase
        told = {text for pattern in PATTERNS.values() for text in (pattern.meaning, pattern.seen, pattern.heard)}
        assert {text for text in {*told, *WORDS.values(), *QUALITY_WORDS.values()} if phrase(text) == text} == set()

    def test_answers_to_requests_are_known(self, language):
        found = [*answers(), *(f"for_s: expected {text}" for text in requests.EXPECTED.values())]
        assert len(found) > 20
        assert [text for text in found if Speech.of(language).phrase(text) == text and text != "7, step 7"] == []


@pytest.mark.parametrize(
    ("english", "spanish"),
    [
        ("there is no rule 'fixlost'; did you mean fix-lost?", "no existe la regla 'fixlost'; ¿quiso decir fix-lost?"),
        ("there is no rule 'x'; there are sky, tilt", "no existe la regla 'x'; hay sky, tilt"),
        (
            "KQ is none of the site file's control points; did you mean KQ-1 or KQ-2?",
            "KQ no es ningún punto de control del archivo de obra; ¿quiso decir KQ-1 o KQ-2?",
        ),
        (
            "sky has no cause 'few'; there are few-satellites, signal-drop",
            "sky no tiene la causa 'few'; hay few-satellites, signal-drop",
        ),
    ],
)
def test_what_else_can_be_named_in_spanish(english, spanish):
    assert Speech.of("es").phrase(english) == spanish


def said_lines():
    """Each line that a companion or the service says, as its source has it, a figure in each field."""
    for path in sorted((TOP / "daemon").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Call) and getattr(node.func, "attr", "") == "say" and node.args:
                (text, *_) = node.args
                if isinstance(text, ast.Constant):
                    yield text.value
                elif isinstance(text, ast.JoinedStr):
                    yield "".join(part.value if isinstance(part, ast.Constant) else "7" for part in text.values)


def test_what_companions_say_is_known_in_spanish():
    found = list(said_lines())
    assert len(found) > 8
    assert [text for text in found if Speech.of("es").phrase(text) == text] == []


def test_ports_log_and_answers_on_the_terminal_in_spanish():
    view, ends = View(), [os.pipe(), os.pipe()]
    terminal = Terminal(as_json=False, out=ends[0][1], err=ends[1][1], speech=Speech.of("es"))
    view.beats(utc=None, log=replaced(LOG, path="/log/kestrel.0042.db"))
    terminal.start(view)
    for state, reason in (("waiting", "not there yet"), ("open", ""), ("lost", "device disappeared"), ("back", "")):
        view.beats(ports=[port(state, reason)])
        terminal.turn(view.t)
    view.say("set up by Kim: base over KQ-1, antenna 1.843 m, pole 2.000 m")
    view.say("paused by Kim for 5 min (battery): nothing is raised meanwhile, unless the base is back and wrong")
    view.say("page: http://10.88.17.1:8017/")
    terminal.turn(view.t)
    view.beats(ended=True)
    terminal.stop()
    shown = [re.sub(r"  +", "  ", line) for line in os.read(ends[1][0], 65536).decode().splitlines()]
    for end in (*ends[0], *ends[1]):
        os.close(end)
    lines = [line.split("  ", 2)[0::2] for line in shown]
    assert lines == [
        ["registro", "/log/kestrel.0042.db"],
        ["puerto", "puerto «corrections» (/dev/ttyKESTREL) en espera: todavía no está"],
        ["puerto", "puerto «corrections» (/dev/ttyKESTREL) abierto"],
        ["puerto", "puerto «corrections» (/dev/ttyKESTREL) perdido: el aparato desapareció"],
        ["puerto", "puerto «corrections» (/dev/ttyKESTREL) de vuelta"],
        ["puesto", "instalado por Kim: base sobre KQ-1, antena 1.843 m, bastón 2.000 m"],
        [
            "puesto",
            "en pausa por Kim durante 5 min (battery): no se avisa de nada, salvo que la base haya vuelto y esté mal",
        ],
        ["puesto", "página: http://10.88.17.1:8017/"],
        ["registro", "kestrel.0042.db cerrado"],
    ]
    assert all("  hacia 20" in line for line in shown)


def test_the_rows_of_the_status_in_spanish():
    shown = screenful(msgspec.structs.replace(SAID, language="es"))
    rows = shown.split("\n\n")[-1]
    english_words = r"\b(satellites|every|ago|of them|left at|open|lost|site file|not yet|health|clock|none|free|days|port)\b"
    assert re.findall(english_words, rows) == [], rows


PORT, CHECKED = (
    SAID.ports[0],
    CheckInStatus(point="KQ-2", by="Kim", ago_s=3.0, stood_s=4.0, needed_s=10.0, hindrance=None, outcome=None, line=""),
)
PYSERIAL_S = {"exclusively lock", "Could not configure port", "could not open port"}
REASONS = [
    *sorted(sayings(TOP / "daemon" / "stream" / "ports.py") - PYSERIAL_S),
    *(os.strerror(number) for number in (errno.EIO, errno.ENODEV, errno.ENXIO, errno.ECONNREFUSED, errno.ETIMEDOUT)),
    *(os.strerror(number) for number in (errno.EHOSTUNREACH, errno.ENETUNREACH, errno.ECONNRESET, errno.EPIPE)),
]
LINES = [
    "KQ-9 is none of the site file's control points",
    "KQ-2: no check-in within 60 s: nobody stood still on it",
    "KQ-2: no check-in within 60 s: the receiver is not fixed",
    "KQ-2: cannot be checked: the receiver gives its position in steps of 0.185 m and its height in steps of 0.100 m; "
    "set it to more decimals",
    "KQ-2: waits, for 12 s more: the pole leans: plumb it",
]
RARE = [
    *({"ports": [replaced(PORT, state=state, reason=reason)]} for state in ("waiting", "lost") for reason in REASONS),
    *({"ports": [replaced(PORT, port="socket://kestrel-hut:2101", state=state)]} for state in ("open", "back", "opening")),
    {"ports": [replaced(PORT, port="rfc2217://192.168.8.1:2101", state="back", rate_bytes_per_s=None)]},
    {"epochs": []},
    *({"epochs": [replaced(SAID.epochs[0], systems=of, satellites=count)]} for of, count in (("G", 1), ("", 0), ("GRECJ", 31))),
    *({"restarts": count} for count in (0, 1, 12)),
    {"epochs": [replaced(SAID.epochs[0], ago_s=400.0, interval_s=None)]},
    {"fix": replaced(SAID.fix, quality=9, satellites=None, hdop=None, age_s=None, ago_s=5000.0)},
    {"base_check": "differs from KQ-1"},
    {"base_check": "its position has changed"},
    {"office": OfficeStatus(broker="b:1", up=False, since_s=60.0, waiting=2, error="nothing listens on b:1")},
    {"set_up": replaced(SAID.set_up, planned=False, by="Kim Ng", utc="2026-05-04T09:00:00Z")},
    {"set_up": replaced(SAID.set_up, planned=False, by="Kim Ng", point=None, utc="2026-05-04T09:00:00Z")},
    {"set_up": replaced(SAID.set_up, planned=False, by=None)},
    *({"check_in": replaced(CHECKED, line=line)} for line in LINES),
    {"paused": PausedStatus(why="battery", by="Kim", left_s=240.0)},
    {"paused": PausedStatus(why="battery", by=None, left_s=240.0)},
    {"shelved": [ShelvedStatus(rule="sky", by="Kim", note="trees", left_s=40.0)]},
    {"shelved": [ShelvedStatus(rule="sky", by=None, note="trees", left_s=40.0)]},
    {"clock_source": "none yet: no receiver has said the time"},
    {"log": replaced(SAID.log, failed="No space left on device", waiting_bytes=30_000, lost_bytes=700, disk_left_h=None)},
    {"log": replaced(SAID.log, path=None, disk_free_fraction=None)},
    {"log": replaced(SAID.log, path="/log/kestrel.0042.db", lost_bytes=700)},
    {"temperature_c": None, "restarts": None},
    {"problems": ["nobody reads standard output: the oldest lines are dropped"]},
    {"problems": ["the button has been down for half a minute: is something leaning on it?"]},
    {"problems": ["buzzer on GPIO 99: there is no such pin; expected a GPIO number (BCM) of the header"]},
    {"problems": ["led on GPIO 17: the pin is taken by another output or the button"]},
    {"problems": ["LED green: no such LED under /sys/class/leds; this machine has none"]},
    {"problems": ["page: cannot listen on 10.88.17.1:8017 (Cannot assign requested address); tried again until it can"]},
]


@pytest.mark.parametrize("rare", RARE, ids=lambda rare: next(iter(rare)))
def test_a_rare_row_of_the_status_in_spanish(rare):
    """Nothing of English is left in it but what the system says itself, in brackets or after a colon."""
    said = msgspec.structs.replace(SAID, language="es", **rare)
    rows = screenful(said).split("\n\n")[-1]
    for text in (reason for reason in REASONS if reason in str(rare)):
        assert text not in rows
    words_left = re.findall(
        r"\b(the|not|is|for|by|more|set|up|on|of|to|ago|more|lost|back|satellites?|restarted|once|wait(?:s|ing)?|open(?:ing)?|none|quality|nothing|nobody)\b",
        re.sub(r"No space left on device|Cannot assign requested address", "", rows),
    )
    assert words_left == [], rows


@pytest.mark.parametrize("path", CATALOGUES, ids=lambda path: path.stem)
def test_each_row_of_the_status_has_a_name(path):
    kinds = {name.partition(" ")[0] for rare in RARE for name, _ in _plumbing(replaced(SAID, **rare))} | {"ready"}
    assert kinds == {entry.text for entry in read_po(path.read_text()) if entry.context == ROWS and entry.said}


def test_why_a_check_in_failed_in_spanish():
    told = Sentence(
        rule="control-check", cause="leaning-pole", stream="receiver", role="rover", evidence={},
        words={"is": "is", "which": "4.0°", "head": "On KQ-2 the rover reads 0.030 m low.", "others": "", "note": ""},
    )  # fmt: skip
    why = book.words(told).say
    line = f"KQ-2: not passed: 4, 0, −30 mm (east, north, up); the limits are 30 mm across and 50 mm in height. {why}"
    failed = replaced(CHECKED, outcome="failed", line=line, why=why, sentence=told)
    assert failed.in_words() == line
    spanish = failed.in_words(Speech.of("es"))
    assert spanish.startswith("KQ-2: no superada: 4, 0, −30 mm (este, norte, arriba); los límites son ")
    assert spanish.endswith(" Eso es un bastón inclinado (4.0°).")


def test_the_offices_link_in_spanish():
    spanish = Speech.of("es")
    link = OfficeStatus(broker="b:1", up=True, since_s=7200.0, waiting=0, error=None)
    assert spanish.phrase(link.line) == "enlace activo desde hace 2 h, no hay nada pendiente"
    down = msgspec.structs.replace(link, up=False, waiting=42, twice=True)
    errors = sayings(TOP / "daemon" / "publish" / "connection.py") | sayings(TOP / "daemon" / "publish" / "secret.py")
    assert errors >= set(REFUSED.values())
    for error in errors:
        said = spanish.phrase(msgspec.structs.replace(down, error=error).line)
        assert said.startswith("enlace caído desde hace 2 h, 42 cambios pendientes, "), said
        assert "another post" not in said


def test_the_card_in_spanish():
    site = site_from_toml(SITE.replace('role = "base"', 'role = "base"\nlanguage = "es"'))
    text = html.unescape(card(site, {}, None, dt.date(2026, 5, 4)))
    assert 'lang="es"' in text
    assert "Estacione la base, mida dos veces la altura de antena" in text
    assert "un destello corto cada tres segundos" in text
    shown = re.sub(r"<style>.*?</style>|<[^>]*>", " ", text, flags=re.DOTALL)
    assert re.findall(r"\b(?:the|and|with|every|until)\b", shown) == []


@pytest.fixture
def spanish():
    one = Served(language="es")
    yield one
    one.page.turn(0.0)
    one.page.stop()


def test_each_place_in_spanish_for_all_who_ask(spanish):
    door = spanish.browser()
    assert "Está en la tarjeta" in html.unescape(door.get("/").text)
    assert "Primero escriba el PIN" in html.unescape(door.send("/", do="seen").text)
    inside = spanish.inside()
    spanish.stands(ALERT, shown="stop")
    for address in PLACES:
        answer = inside.get(address)
        assert answer.status == 200, address
        text = html.unescape(re.sub(r"<[^>]*>", " ", answer.text))
        left = set(re.findall(r"\b(?:the|and|with|every|until|not|is|of|your|what)\b", text.lower()))
        assert left == set() or address == "/files", (address, left, text)
        assert 'lang="es"' in answer.text


def test_the_alerts_of_a_day_in_spanish(spanish, tmp_path):
    paths = write_day(tmp_path)
    spanish.view.beats(log=replaced(LOG, path=str(paths[1])))
    inside = spanish.inside()
    shown = inside.get("/day").text
    hours = re.findall(r'href="/day\?hour=(\d+)', shown)
    told = [html.unescape(inside.get(f"/day?hour={hour}").text) for hour in hours]
    assert any("Sin correcciones desde hace 960 s: no llega nada por el puerto «corrections»." in text for text in told)
    assert not any("No corrections for" in text for text in told)


def test_the_bundle_s_status_is_as_the_post_says_it(spanish, tmp_path):
    paths = write_day(tmp_path)
    spanish.stands(ALERT)
    spanish.view.beats(log=replaced(LOG, path=str(paths[1])))
    inside = spanish.inside()
    assert inside.send("/files", do="bundle").status == 303
    until(lambda: 'href="/files/bundle"' in inside.get("/files").text)
    with zipfile.ZipFile(io.BytesIO(inside.get("/files/bundle").body)) as bundle:
        (alert,) = json.loads(bundle.read("status.json"))["alerts"]
    assert (alert["say"], alert["steps"]) == (ALERT.say, ALERT.steps)


def test_who_speaks_english_hears_no_other(served):
    words_now = [words.NOW, words.CARD_STEPS, words.SEVERITIES]
    assert words_now == [english.NOW, english.CARD_STEPS, english.SEVERITIES]
    assert "The card and whoever" in served.browser().get("/").text


def test_who_has_seen_it_and_when(served, spanish):
    seen = msgspec.structs.replace(ALERT, state="acknowledged", seen_by="Kim", seen_utc="2026-05-04T20:02:45Z")
    nameless = msgspec.structs.replace(seen, seen_by=None, seen_utc=None)
    for one, by_name, bare in (
        (served, ". Seen by Kim at 14:02.", ". Seen already."),
        (spanish, ". Visto por Kim a las 14:02.", ". Ya visto."),
    ):
        inside = one.inside()
        one.stands(seen, shown="stop")
        assert by_name in inside.get("/").text
        one.stands(nameless, shown="stop")
        assert bare in inside.get("/").text
