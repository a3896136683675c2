"""Languages: no sentence without a translation, no field lost, never a half-translated sentence, and English untouched."""

import gettext
import io
import json
import re
import zoneinfo
from pathlib import Path
from string import Formatter

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from witnesspost.daemon.lines import Teller
from witnesspost.daemon.local_time import Stamps
from witnesspost.daemon.screen import PLAIN, Look, entry_text
from witnesspost.rules.alert import Sentence
from witnesspost.rules.book import words as book
from witnesspost.rules.book.coordinate_words import words_of
from witnesspost.rules.book.measures import MEASURES
from witnesspost.rules.book.own import OwnRule, own_rules
from witnesspost.rules.book.words import words
from witnesspost.rules.coordinates import Enu
from witnesspost.rules.datum import height_causes, place_causes, rover_causes, typing_causes
from witnesspost.rules.datum.explanation import Explanation, Verdict, in_words
from witnesspost.rules.datum.hypotheses import ROVER_ORDER, fitted_predictions, predictions, rover_predictions
from witnesspost.rules.datum.prediction import Rover
from witnesspost.rules.datum.verdict import Datum
from witnesspost.rules.engine.scene import Scene
from witnesspost.rules.language import speech as room
from witnesspost.rules.language.speech import ENGLISH, SENTENCES, Speech, languages, read_po
from witnesspost.rules.site.model import SiteError
from witnesspost.rules.site.reading import site_from_table, site_from_toml

from tests.daemon.test_lines import OVER, SEEN, STOP, changed
from tests.proof.datum_table import PLACES, TODAY, fix_at, site_table
from tests.sayings import pieces, sayings

ZONE = zoneinfo.ZoneInfo("America/Denver")

CATALOGUES = sorted(Path(room.__file__).parent.glob("*.po"))
SPANISH = Speech.of("es")
LEFT_IN_ENGLISH = {"The {output} does not work any more: {error}."}
"""Sentences that no catalogue need have: why is said beside them there."""


def sentences():
    """Every sentence of the book, as the catalogues have them."""
    texts = {
        text
        for advice in (*book.ADVICE.values(), *OwnRule.causes.values())
        for text in (advice.line, *advice.steps, *(advice.at_base or ()))
    }
    found = {book.AGAIN}
    for text in texts:
        bare = re.sub(r"^\{head\} |(\{others\}\{note\}|\{height_words\})$", "", text)
        found |= {piece for piece in SENTENCES.split(bare) if not re.fullmatch(r"(\{\w+\})+", piece)}
    return found


def left_in_english(told):
    """What Spanish leaves of an alert's line and steps as it is in English."""
    spanish, english = ((said.say, *said.steps) for said in (words(told, SPANISH), words(told)))
    return [text for text, other in zip(spanish, english, strict=True) if text == other and re.search("[a-z]{2}", text)]


def fields(text):
    return sorted(name for _, name, _, _ in Formatter().parse(text) if name is not None)


@pytest.mark.parametrize("path", CATALOGUES, ids=lambda path: path.stem)
class TestEachCatalogue:
    def test_no_sentence_of_the_book_is_without_a_translation(self, path):
        said = {entry.text: entry.said for entry in read_po(path.read_text()) if not entry.context}
        assert sentences() - {text for text, translated in said.items() if translated} == LEFT_IN_ENGLISH
        assert set(said) - sentences() == set()  # and none that the book has no more

    def test_each_translation_has_the_fields_of_its_text(self, path):
        for entry in read_po(path.read_text()):
            if entry.said:
                assert fields(entry.said) == fields(entry.text), entry.text

    def test_no_text_is_there_twice(self, path):
        keys = [(entry.context, entry.text) for entry in read_po(path.read_text())]
        assert len(keys) == len(set(keys))

    def test_it_is_the_catalogue_that_gettext_s_own_reader_reads(self, path):
        pofile, mofile = (pytest.importorskip(f"babel.messages.{name}") for name in ("pofile", "mofile"))
        compiled = io.BytesIO()
        mofile.write_mo(compiled, pofile.read_po(io.BytesIO(path.read_bytes())))
        compiled.seek(0)
        theirs = gettext.GNUTranslations(compiled)
        for entry in read_po(path.read_text()):
            if entry.said:
                translated = theirs.pgettext(entry.context, entry.text) if entry.context else theirs.gettext(entry.text)
                assert translated == entry.said


def test_another_language_is_one_file(tmp_path, monkeypatch):
    (tmp_path / "fr.po").write_text('msgid "Restart it."\nmsgstr "Redémarrez-le."\n')
    monkeypatch.setattr(room, "_catalogues", lambda: {"fr": tmp_path / "fr.po"})
    assert languages() == ["en", "fr"]
    assert Speech.of.__wrapped__(Speech, "fr").phrase("Restart it.") == "Redémarrez-le."


def test_a_site_file_names_a_language_that_there_is():
    site = '[post]\nname = "kestrel"\nrole = "base"\n{}[[stream]]\nname = "a"\nport = "loop://"\ncarries = ["corrections"]\n'
    assert site_from_toml(site.format("")).post.language == "en"
    assert site_from_toml(site.format('language = "es"\n')).post.language == "es"
    with pytest.raises(SiteError, match=r'post\.language: read .xx.; expected one of "en", "es"'):
        site_from_toml(site.format('language = "xx"\n'))


def test_a_stop_in_spanish_word_steps_and_end():
    teller = Teller(Stamps(ZONE), SPANISH)
    lines = [teller.text(change, PLAIN) for change in (STOP, SEEN, changed(OVER, change="cleared"))]
    assert lines[0].startswith("PARE   2026-05-04 03:11:12-06:00  Sin correcciones desde hace ")
    assert "1. No guarde puntos hasta que esto termine." in lines[0]
    assert "Por Kim (tree), tras 12 s. Sigue activo." in lines[1]
    assert "Duró 91 s." in lines[2]
    assert "(corrections-stopped: line-silent)" in lines[0]  # names of rules and causes stay


@pytest.mark.parametrize(
    ("over", "said"),
    [
        ({"over_utc": "2026-05-04T08:00:00.000Z"}, "kestrel.0041.db, terminado desde 2026-05-04 02:00:00-06:00"),
        ({}, "kestrel.0041.db"),
    ],
)
def test_a_stop_of_the_run_before_in_spanish(over, said):
    before = changed(STOP, change="normal", evidence={**STOP.evidence, "of_run": "kestrel.0041.db", "of_alert": 3, **over})
    entry = Teller(Stamps(ZONE), SPANISH).entry(before)
    assert entry.text.startswith(f"Nadie lo vio en la sesión anterior ({said}): Sin correcciones desde hace ")


def test_weight_and_colour_go_by_the_state_and_not_by_its_word():
    look = Look(120, weight=True, colour=True)
    spanish = entry_text(Teller(Stamps(ZONE), SPANISH).entry(STOP), look)
    english = entry_text(Teller(Stamps(ZONE)).entry(STOP), look)
    assert spanish.split("PARE")[0] == english.split("STOP")[0]
    assert english.split("STOP")[0].startswith("\x1b[")


KNOWN = [
    ("Epochs every 2 s instead of every 1 s: 0.63 of the interval", "Épocas cada 2 s en lugar de cada 1 s: 0.63 del intervalo"),
    ("the base's coordinate agrees with KQ-1 (3 mm)", "la coordenada de la base coincide con KQ-1 (3 mm)"),
    ("last check-in KQ-2 at 09:12 (4, 0, −3 mm)", "última comprobación en KQ-2 a las 09:12 (4, 0, −3 mm)"),
    ("no check-in since the base came back at 09:12", "sin comprobación desde que la base volvió a las 09:12"),
    (
        " It may also be the pole's height, or a slip in typing.",
        " También puede ser la altura del bastón, o un error al teclear.",
    ),
    ("The fix is lost: the rover has no position", "Se perdió la solución fija: el rover no tiene posición"),
    ("Raised 8 s ago, seen by Kim.", "Avisado hace 8 s, visto por Kim."),
    (
        ", not from ours (417), but from the place where ours was",
        ", no de la nuestra (417), pero desde el lugar donde estaba la nuestra",
    ),
    ("back for 12 s; came twice within a minute", "terminó hace 12 s; ocurrió dos veces en un minuto"),
    (
        "a maker's own messages in RTCM 3 (4001, 4072) and RTCM 3 without observations (1019, 1020 …)",
        "mensajes propios de un fabricante en RTCM 3 (4001, 4072) y RTCM 3 sin observaciones (1019, 1020 …)",
    ),
]


@pytest.mark.parametrize(("english", "spanish"), KNOWN)
def test_phrases_with_figures_in_them(english, spanish):
    assert SPANISH.phrase(english) == spanish
    assert ENGLISH.phrase(english) == english


@given(st.tuples(*[st.floats(-1e4, 1e4)] * 3))
def test_each_offset_can_be_said(parts):
    english = in_words(Enu(*parts))
    assert not re.search(r"\b(high|low|east|west|north|south|nothing)\b", SPANISH.phrase(english))


@given(st.text(max_size=80))
def test_any_text_is_said_somehow(text):
    assert SPANISH.phrase(text) == text or not text.isascii() or SPANISH.phrase(text)


def test_what_is_not_known_whole_stays_english_whole():
    told = Sentence(
        rule="corrections-stopped",
        cause="weak-link",
        stream="corrections",
        role="rover",
        evidence={"silent_s": 9},
        words={"broken": "something that no catalogue knows", "from_base": ": it is 2.1 km away"},
    )
    say, steps = words(told, SPANISH)
    assert say == words(told).say
    assert steps[1] == "Acérquese a la base, o a donde pueda verla: está a 2.1 km."


def test_json_and_sql_stay_english():
    from witnesspost.daemon.lines import json_line
    from witnesspost.daemon.log.rows import AlertRow

    assert json.loads(json_line(STOP))["say"] == words(STOP).say
    assert AlertRow.of(STOP, *words(STOP)).say == words(STOP).say


@pytest.mark.parametrize("text", ['msgid "a\nmsgstr "b"\n', "msgid a\n", 'msgfoo "a"\n', '"a"\n'])
def test_what_is_no_catalogue_says_where(text):
    with pytest.raises(ValueError, match="line 1: read"):
        list(read_po(text))


def test_what_is_fuzzy_is_not_said():
    (entry,) = read_po('#, fuzzy\nmsgid "a"\nmsgstr "b"\n')
    assert entry.said == ""


OTHER_FRAMES = ("EPSG:4314", "EPSG:7912")  # DHDN, an old datum; ITRF2014, whose coordinates are of any epoch
CAUSES = (height_causes, place_causes, typing_causes, rover_causes)
ENGLISH_WORDS = re.compile(
    r"\b(?:the|as|and|to|at|under|of|by|or|swapped|typed|taken|added|rounded|cut|left|off|out|feet|foot|height|sign|signs"
    r"|backwards|longer|shorter|half|strip|model|another|base's|pole)\b"
)


def situations():
    """Marks in angles, on a grid and in other frames, the receiver's geoid not the project's; a rover on another mark."""
    europe = site_table(PLACES[1])
    tables = [europe | {"project": europe["project"] | {"frame": frame}} for frame in OTHER_FRAMES]
    tables += [site_table(place, on_grid=on_grid) for place in PLACES for on_grid in (False, True)]
    for table in tables:
        datum = Datum(site_from_table(table))
        (other,) = datum.others(datum.expected)
        rover = Rover(point=other, pole_m=2.0, others=(datum.expected,))
        receiver = fix_at(1.0, datum.expected.ecef, 1, (datum.expected.separation_m or 0.0) + 3.0)
        for beside in (None, rover, msgspec.structs.replace(rover, taken_off_deg=12.0)):
            yield datum.site, datum.situation(datum.expected, TODAY, receiver, rover=beside, height_untold=True)


@pytest.fixture(scope="module")
def ways():
    """The sentence of each way in which a coordinate may be wrong, by cause and way, as the causes' own functions and the words
    of the book say it; of those that differ in figures alone one.
    """
    found = {}
    for site, here in situations():
        seen = (Enu(0.1, 0.05, 0.0), Enu(0.0, 0.0, 0.25), Enu(0.0, 0.0, -0.25), Enu(0.0, 0.0, 1.1), Enu(0.0, 0.0, -1.1))
        for way in (
            *predictions(here),
            *fitted_predictions(here, Enu(0.0, 0.0, 0.1)),
            *fitted_predictions(here, Enu(300.0, 300.0, 0.0)),
            *fitted_predictions(here, Enu(-300.0, -300.0, 0.0)),
            *(way for offset in seen for way in rover_predictions(here, offset)),
        ):
            found.setdefault((way.cause, re.sub(r"\d+", "7", way.which)), sentence(site, here, way, way.which))
            if way.cause == "frame-shift" and way.way:  # another frame; two that cannot be told apart are both named
                found.setdefault((way.cause, "two"), sentence(site, here, way, f"{way.which} or {way.which}"))
    return found


def sentence(site, here, way, which):
    verdict = Verdict(
        causes=[Explanation(cause=way.cause, residual_m=0.0, prediction=way, score=0.0, fits=True, which=which)],
        best=[],
        sure=True,
    )
    said = words_of(way.enu, here.expected, verdict, site, 1.843, 300.0, base_point="KQ-1")
    known = {"head": f"The base's position is {said['offset']}.", "point": "KQ-2", "geoid": "EGM2008"}
    return Sentence(rule="control-check", cause=way.cause, stream="", role="rover", evidence={}, words=said | known)


@pytest.mark.parametrize("module", CAUSES, ids=lambda module: module.__name__.rpartition(".")[2])
def test_the_situations_bring_out_each_way_that_there_is(module, ways):
    said = "\n".join(told.words["which"] for told in ways.values())
    texts = {text for text in pieces(Path(module.__file__)) if re.search(r"[a-z] | [a-z]", text)}
    assert len(texts) > 5
    assert {text for text in texts if text not in said} == set()


@pytest.mark.parametrize("rule", ["base-datum", "control-check"])
def test_each_way_in_which_a_coordinate_is_wrong_is_said_in_spanish(rule, ways):
    """The crew's own marks and the names of frames stay; nothing else of the English does."""
    left = {}
    for (cause, which), found in ways.items():
        if rule == "base-datum" and cause in ROVER_ORDER:
            continue
        told = msgspec.structs.replace(found, rule=rule)
        if left_in_english(told) or ENGLISH_WORDS.search(words(told, SPANISH).say):
            left[cause, which] = words(told, SPANISH).say
    assert left == {}


FRAGMENTS = {
    "back for 7 s; came 7 within a minute",
    "Epochs every 7 s instead of every 7 s",
    "7: 7 of the interval",
    ", but from the place where ours was",
    ", not from ours (7)7",
}
"""Parts of phrases, each of which is in `KNOWN` whole."""
NOT_TOLD = {"measures", "reach"}
"""What is in these is said by `check` alone, of a site file, in English; what is measured is in the crew's own rules, below."""
BOOK = sorted(path for path in Path(book.__file__).parent.glob("*.py") if path.stem not in NOT_TOLD)


def test_whatever_a_rule_can_say_is_known_in_spanish():
    whole = sentences()
    found = set().union(*map(sayings, BOOK))
    assert len(found) > 300
    unknown = {text for text in found if not set(SENTENCES.split(text)) <= whole}
    unknown = {text for text in unknown if SPANISH.phrase(re.sub(r"\{\w+\}", "7", text)) == text}
    assert unknown == FRAGMENTS


@pytest.mark.parametrize("cause", OwnRule.causes)
def test_what_the_crew_s_own_rules_measure_is_said_in_spanish(cause):
    for name in MEASURES:
        site = site_from_table({
            "post": {"name": "kestrel", "role": "rover"},
            "stream": [{"name": "a", "port": "loop://", "carries": ["positions"]}],
            "own_rule": [{"name": "mine", "measure": name, cause: 6}],
        })  # fmt: skip
        (rule,) = own_rules(site, Scene(site))
        rule._value = 5.0
        told = Sentence(rule="mine", cause=cause, stream="a", role="rover", evidence={}, words=rule._words(cause, 6.0))
        assert left_in_english(told) == [], name
        assert not re.search(r"\b(of|the|in|below|above|equals|and|that)\b", words(told, SPANISH).say)
