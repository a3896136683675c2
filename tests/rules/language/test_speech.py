"""Languages: no sentence without a translation, no field lost, never a half-translated sentence, and English untouched."""

import gettext
import io
import json
import re
import zoneinfo
from pathlib import Path
from string import Formatter

import pytest
from hypothesis import given
from hypothesis import strategies as st
from witnesspost.daemon.lines import Teller
from witnesspost.daemon.local_time import Stamps
from witnesspost.daemon.screen import PLAIN, Look, entry_text
from witnesspost.rules.alert import Sentence
from witnesspost.rules.book import words as book
from witnesspost.rules.book.own import OwnRule
from witnesspost.rules.book.words import words
from witnesspost.rules.coordinates import Enu
from witnesspost.rules.datum.explanation import in_words
from witnesspost.rules.datum.height_causes import _FOOT_M
from witnesspost.rules.datum.rover_causes import _POLE_PARTS_M
from witnesspost.rules.language import speech as room
from witnesspost.rules.language.speech import ENGLISH, SENTENCES, Speech, languages, read_po
from witnesspost.rules.site.model import SiteError
from witnesspost.rules.site.reading import site_from_toml

from tests.daemon.test_lines import OVER, SEEN, STOP, changed

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
    found = set()
    for text in texts:
        bare = re.sub(r"^\{head\} |(\{others\}\{note\}|\{height_words\})$", "", text)
        found |= {piece for piece in SENTENCES.split(bare) if not re.fullmatch(r"\{\w+\}", piece)}
    return found


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


def test_weight_and_colour_go_by_the_state_and_not_by_its_word():
    look = Look(120, weight=True, colour=True)
    spanish = entry_text(Teller(Stamps(ZONE), SPANISH).entry(STOP), look)
    english = entry_text(Teller(Stamps(ZONE)).entry(STOP), look)
    assert spanish.split("PARE")[0] == english.split("STOP")[0]
    assert english.split("STOP")[0].startswith("\x1b[")


KNOWN = [
    ("the base's coordinate agrees with KQ-1 (3 mm)", "la coordenada de la base coincide con KQ-1 (3 mm)"),
    ("last check-in KQ-2 at 09:12 (4, 0, −3 mm)", "última comprobación en KQ-2 a las 09:12 (4, 0, −3 mm)"),
    ("no check-in since the base came back at 09:12", "sin comprobación desde que la base volvió a las 09:12"),
    (
        " It may also be the pole's height, or a slip in typing.",
        " También puede ser la altura del bastón, o un error al teclear.",
    ),
    ("The fix is lost: the rover has no position", "Se perdió la solución fija: el rover no tiene posición"),
    ("Raised 8 s ago, seen by Kim.", "Avisado hace 8 s, visto por Kim."),
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


WAYS = {
    "digit-slip": [
        f"the {name} as 1784.322" for name in ("height", "ellipsoidal height", "antenna height", "easting", "northing")
    ]
    + [f"the {name} as 39 07 24.4441 N" for name in ("latitude", "longitude")],
    "feet-as-metres": [
        f"the {name}, {foot}" for name in ("height above the geoid", "ellipsoidal height", "antenna height") for foot in _FOOT_M
    ],
    "survey-foot": ["US survey feet as feet", "feet as US survey feet"],
    "frame-shift": ["ITRF2014 at 2026.4", "the project's own datum (OSGB36 / British National Grid)", "WGS 84 / UTM zone 13N"],
    "epoch-shift": ["2010.0 to 2026.4", "2010.0 to 2026.4, backwards"],
    "other-control-point": ["KQ-2", "KQ-2 under the base"],
    "other-zone": ["NAD83(2011) / UTM zone 14N", "GDA2020 / MGA zone 56"],
    "rounded": [
        f"{what} {how} to 3 decimals"
        for what in ("degrees", "minutes", "seconds", "grid coordinates", "H", "h", "degrees cut to 5 decimals, H")
        for how in ("rounded", "cut")
    ],
    "sign-or-order": [
        "the longitude's sign",
        "the latitude's sign",
        "both signs",
        "latitude and longitude swapped",
        "latitude and longitude swapped, signs lost",
        "easting and northing swapped",
        "degrees, minutes and seconds typed as a decimal number",
        "a decimal number typed as degrees, minutes and seconds",
    ],
}
POLE_WAYS = [
    "the pole's height left out",
    "the pole's height taken off twice",
    "the pole's height in feet, typed as metres",
    "the pole's height in metres, typed as feet",
    *(f"a pole {part} {way}" for part in ("5 cm", *_POLE_PARTS_M) for way in ("longer", "shorter")),
]


def told(rule, cause, which, **more):
    given = {"head": "The base's position is 0.030 m high.", "is": "is", "which": which, "others": "", "note": "", **more}
    return Sentence(rule=rule, cause=cause, stream="", role="rover", evidence={}, words=given)


@pytest.mark.parametrize(("cause", "which"), [(cause, way) for cause, ways in WAYS.items() for way in ways])
def test_the_way_in_which_a_coordinate_is_wrong_is_said_in_spanish(cause, which):
    """The crew's own mark and the names of frames stay; nothing else of the English line does."""
    frame = "NAD83(2011) / UTM zone 13N at 2010.0"
    said = words(told("base-datum", cause, which, frame_words=frame, base_point="KQ-1"), SPANISH).say
    assert said.startswith("La posición de la base está 0.030 m por encima. Eso es ")
    left = re.findall(r"\b(the|as|and|to|at|under|of|swapped|typed|rounded|cut|feet|height|sign|backwards)\b", said)
    assert left == [], said


@pytest.mark.parametrize(
    ("cause", "which"),
    [
        *(("rover-pole", way) for way in POLE_WAYS),
        ("leaning-pole", "by 3.5°"),
        ("mark-or-point", "KQ-2 under the pole"),
        ("mark-or-point", "a disturbed mark"),
    ],
)
def test_what_is_wrong_at_the_rover_is_said_in_spanish(cause, which):
    said = words(told("control-check", cause, which, head="On KQ-1 the rover reads 0.030 m high."), SPANISH).say
    assert said.startswith("En KQ-1 el rover lee 0.030 m por encima. Eso es ")
    assert re.findall(r"\b(the|as|a pole|under|typed|left|off|feet|height|longer|shorter|by|foot)\b", said) == [], said
