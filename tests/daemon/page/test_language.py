"""Page, card, status and answers in each language: no text of theirs without a translation, and English untouched."""

import ast
import datetime as dt
import html
import inspect
import re

import msgspec
import pytest
from witnesspost.daemon import requests
from witnesspost.daemon.commands.status import screenful
from witnesspost.daemon.lines import QUALITY_WORDS
from witnesspost.daemon.page import english, words
from witnesspost.daemon.page.card import card
from witnesspost.daemon.signals.patterns import PATTERNS
from witnesspost.daemon.state import WORDS
from witnesspost.rules.language.speech import Speech, languages, read_po
from witnesspost.rules.site.reading import site_from_toml

from tests.daemon.page.conftest import ALERT, Served
from tests.daemon.page.test_card import SITE
from tests.daemon.status.test_status import SAID
from tests.rules.language.test_speech import CATALOGUES

UNSURE = {english.TAPE, english.TAPE_WHY, english.TAPE_GET, english.TAPE_ONE}
"""What stays English until somebody who is sure translates it: why is said in the catalogue."""
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
    return "" if isinstance(part.value, ast.IfExp) else "ports open" if ast.unparse(part.value) == "status.line" else "7"


@pytest.mark.parametrize("path", CATALOGUES, ids=lambda path: path.stem)
def test_no_text_of_the_page_and_the_card_is_without_a_translation(path):
    said = {entry.text: entry.said for entry in read_po(path.read_text()) if entry.context == words.CONTEXT}
    assert OWN - {text for text, translated in said.items() if translated} == UNSURE
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


def test_the_rows_of_the_status_in_spanish():
    shown = screenful(msgspec.structs.replace(SAID, language="es"))
    rows = shown.split("\n\n")[-1]
    english_words = r"\b(satellites|every|ago|of them|left at|open|lost|site file|not yet|health|clock|none|free|days|port)\b"
    assert re.findall(english_words, rows) == [], rows


def test_the_card_in_spanish():
    site = site_from_toml(SITE.replace('role = "base"', 'role = "base"\nlanguage = "es"'))
    text = html.unescape(card(site, {}, None, dt.date(2026, 5, 4)))
    assert 'lang="es"' in text
    assert "Instale la base, mida dos veces la altura de antena" in text
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
    for address in ("/", "/check-in", "/today", "/day", "/radio", "/files", "/help"):
        answer = inside.get(address)
        assert answer.status == 200, address
        text = html.unescape(re.sub(r"<[^>]*>", " ", answer.text))
        left = set(re.findall(r"\b(?:the|and|with|every|until|not|is|of|your|what)\b", text.lower()))
        assert left == set() or address == "/files", (address, left, text)
        assert 'lang="es"' in answer.text


def test_who_speaks_english_hears_no_other(served):
    words_now = [words.NOW, words.CARD_STEPS, words.SEVERITIES]
    assert words_now == [english.NOW, english.CARD_STEPS, english.SEVERITIES]
    assert "The card and whoever" in served.browser().get("/").text


def test_who_has_seen_it_and_when(served, spanish):
    seen = msgspec.structs.replace(ALERT, state="acknowledged", seen_by="Kim", seen_utc="2026-05-04T20:02:45Z")
    nameless = msgspec.structs.replace(seen, seen_by=None, seen_utc=None)
    for one, by_name, bare in (
        (served, ", seen by Kim at 14:02.", ", seen."),
        (spanish, ", visto por Kim a las 14:02.", ", visto."),
    ):
        inside = one.inside()
        one.stands(seen, shown="stop")
        assert by_name in inside.get("/").text
        one.stands(nameless, shown="stop")
        assert bare in inside.get("/").text
