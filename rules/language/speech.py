"""English words in a reader's language, at the screen.

    rules, log, JSON, SQL ──English──► Speech ──► terminal, journal, status, page

English is made first and everywhere; a language is one gettext catalogue beside this file (`es.po`), and another one is another
file. Its entries are sentences, so that a step is translated sentence by sentence; `msgctxt "phrase"` marks words that stand
within sentences, with fields: `{v1}` is a figure or a name and stays, `{n1}` is figures alone, `{t1}` is a phrase again. What
the catalogue cannot say whole stays English whole: a sentence is never half translated.
"""

from __future__ import annotations

import ast
import functools
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from string import Formatter
from typing import Any, NamedTuple

from witnesspost.rules.language.names import around_names

SENTENCES = re.compile(r"(?<=[.?!]) (?=[A-Z{'])")
_FIELD = re.compile(r"\{(\w+)\}")
_FIELDS = re.compile(r"(\{\w+\})+")
_AROUND = re.compile(r"^(?P<before>\{head\} )?(?P<text>.*?)(?P<after>\{others\}\{note\}|\{height_words\})?$", re.DOTALL)
_LIST = ", "
_DEEPEST = 8
_FEW = 8  # letters


class Entry(NamedTuple):
    """One message of a catalogue."""

    context: str
    text: str
    said: str


class Speech:
    """One language. `language` is its code; English says everything as it is."""

    def __init__(self, language: str = "en", entries: tuple[Entry, ...] = ()):
        self.language = language
        self._sentences = {entry.text: entry.said for entry in entries if entry.said and not entry.context}
        self._texts = {(entry.context, entry.text): entry.said for entry in entries if entry.said}
        phrases = [entry for entry in entries if entry.said and entry.context == "phrase"]
        self._phrases = {entry.text: entry.said for entry in phrases if "{" not in entry.text}
        patterns = sorted((entry for entry in phrases if "{" in entry.text), key=lambda entry: -len(_FIELD.sub("", entry.text)))
        # Who says most goes first; who says next to nothing ("{v1} at {v2}") takes no words for a figure or a name.
        self._patterns = [(_pattern(e.text), e.said, len(_FIELD.sub("", e.text)) < _FEW) for e in patterns]

    @classmethod
    @functools.cache
    def of(cls, language: str) -> Speech:
        """The speech of a language that has a catalogue, or English. Raises KeyError."""
        if language == "en":
            return ENGLISH
        path = _catalogues().get(language)
        if path is None:
            raise KeyError(language)
        return cls(language, tuple(read_po(path.read_text(encoding="utf-8"))))

    @classmethod
    def known(cls, language: str) -> Speech:
        """The speech of a language; English where this version has no catalogue of it."""
        return cls.of(language) if language in languages() else ENGLISH

    def template(self, text: str, fields: Mapping[str, Any], words: Mapping[str, str]) -> str:
        """A str.format text of the book with its fields: figures and names as they are, `words` translated too."""
        if self.language != "en" and (said := self._template(text)) is not None:
            used = {name for _, name, _, _ in Formatter().parse(text) if name} & words.keys()
            translated = {name: around_names(words[name], self._known) for name in used}
            if None not in translated.values():
                return said.format_map(_Known({**fields, **translated}))
        return text.format_map(fields)

    def text(self, context: str, text: str) -> str:
        """A whole text of a catalogue's context, its fields still in it; itself where there is no translation."""
        return self._texts.get((context, text), text)

    def phrase(self, text: str) -> str:
        """An English text that was made of the catalogue's phrases and sentences; itself where it is not known whole."""
        if self.language == "en":
            return text
        return around_names(text, self._known) or text

    def _template(self, text: str) -> str | None:
        whole = self._sentences.get(text)
        if whole is not None:
            return whole
        around = _AROUND.match(text)
        assert around is not None
        pieces: list[str] = []
        for piece in SENTENCES.split(around["text"]):
            said = piece if _FIELDS.fullmatch(piece) else self._sentences.get(piece)
            if said is None:
                return None
            pieces.append(said)
        return f"{around['before'] or ''}{' '.join(pieces)}{around['after'] or ''}"

    def _known(self, text: str, depth: int = 0) -> str | None:
        bare = text.strip(" ")
        if bare in self._phrases:
            return text.replace(bare, self._phrases[bare])
        if not bare or not _is_words(bare):
            return text
        if depth > _DEEPEST:
            return None
        found = (
            self._sentences.get(bare)
            or self._joined(SENTENCES.split(bare), " ", depth)
            or self._joined(bare.split(_LIST), _LIST, depth)  # before a pattern takes words of a list for its figure
            or self._matched(bare, depth)
        )
        if found is None and bare[0].isupper():  # a phrase that begins a sentence
            said = self._known(bare[0].lower() + bare[1:], depth + 1)
            found = f"{said[0].upper()}{said[1:]}" if said else None
        if found is None and bare.endswith("."):
            said = self._known(bare[:-1], depth + 1)
            found = f"{said}." if said is not None else None
        if found is None:
            return None
        return f"{text[: len(text) - len(text.lstrip(' '))]}{found}{text[len(text.rstrip(' ')) :]}"

    def _joined(self, parts: list[str], joint: str, depth: int) -> str | None:
        known = [self._known(part, depth + 1) for part in parts] if len(parts) > 1 else [None]
        return joint.join(part for part in known if part) if None not in known else None

    def _matched(self, text: str, depth: int) -> str | None:
        for pattern, said, few in self._patterns:
            match = pattern.fullmatch(text)
            if match is None:
                continue
            fields = match.groupdict()
            if any(_is_words(value) for name, value in fields.items() if name[0] == "n" or (few and name[0] == "v")):
                continue
            groups = {name: self._known(value, depth + 1) if name[0] == "t" else value for name, value in fields.items()}
            if None not in groups.values():
                return said.format_map(groups)
        return None


class _Known(dict[str, Any]):
    def __missing__(self, key: str) -> str:
        return "?"


ENGLISH = Speech()


def languages() -> list[str]:
    """The languages that can be chosen: English, and each that has a catalogue."""
    return ["en", *sorted(_catalogues())]


def read_po(text: str) -> Iterator[Entry]:
    """The messages of a catalogue, in its order, without its head; fuzzy ones are none. Raises ValueError where it is no such
    file.

    Source: the GNU gettext manual, "The Format of PO Files".
    """
    found: dict[str, str] = {}
    key, fuzzy = "", False
    for number, line in enumerate([*text.splitlines(), ""], 1):
        if line.startswith("#"):
            fuzzy = fuzzy or line.startswith("#, fuzzy")
            continue
        if not line.strip():
            if found.get("msgid"):
                yield Entry(found.get("msgctxt", ""), found["msgid"], "" if fuzzy else found.get("msgstr", ""))
            found, key, fuzzy = {}, "", False
            continue
        word, quote, rest = line.partition('"')
        key = word.strip() or key
        if key not in ("msgctxt", "msgid", "msgstr") or not quote:
            raise ValueError(f"line {number}: read {line!r}; expected msgctxt, msgid or msgstr with a text in quotes")
        try:
            found[key] = found.get(key, "") + ast.literal_eval(quote + rest)
        except (SyntaxError, ValueError):
            raise ValueError(f"line {number}: read {line!r}; expected a text in quotes") from None


@functools.cache
def _catalogues() -> dict[str, Path]:
    return {path.stem: path for path in Path(__file__).parent.glob("*.po")}


def _pattern(text: str) -> re.Pattern[str]:
    parts = [f"(?P<{part}>.+?)" if index % 2 else re.escape(part) for index, part in enumerate(_FIELD.split(text))]
    return re.compile("".join(parts), re.DOTALL)


def _is_words(text: str) -> bool:
    """True of what must be translated: a word in small letters. Figures, units, names of points, files and ports are none."""
    return (
        re.search(r"(?<![\w./-])[a-z]{2,}(?![\w(/-]|\.\w|://)", re.sub(r"\b(mm|cm|km|dB|bit/s|bytes?|min|or)\b", "", text))
        is not None
    )
