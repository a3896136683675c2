"""What a form says, as its fields, or why it is not taken: always in one line, and nothing is changed."""

from __future__ import annotations

import re
import urllib.parse
from collections.abc import Mapping

import msgspec
from witnesspost.daemon.companion import PostView
from witnesspost.daemon.page import words
from witnesspost.daemon.requests import answer
from witnesspost.daemon.screen import plain

BY_LETTERS = 60
TEXT_LETTERS = 300
_MOST_FIELDS = 40
_LENGTH = re.compile(r"-?\d{1,6}([.,]\d{0,6})?", re.ASCII)


class Refused(Exception):
    """What was sent is not done; the text says why in one line. `status` is HTTP's."""

    def __init__(self, why: str, status: int = 400):
        super().__init__(why)
        self.status = status


def fields_of(content_type: str | None, body: bytes) -> dict[str, str]:
    """The fields of a body (application/x-www-form-urlencoded, WHATWG URL 5). Raises Refused."""
    if (content_type or "").partition(";")[0].strip().lower() != "application/x-www-form-urlencoded":
        raise Refused(words.NOT_READABLE, 415)
    try:
        pairs = urllib.parse.parse_qsl(
            body.decode("ascii"), keep_blank_values=True, strict_parsing=True, errors="strict", max_num_fields=_MOST_FIELDS
        )
    except ValueError:
        raise Refused(words.NOT_READABLE) from None
    fields = dict(pairs)
    if not pairs or len(fields) < len(pairs):
        raise Refused(words.NOT_READABLE)
    return fields


def person(fields: Mapping[str, str]) -> str:
    """Who says it. Raises Refused."""
    by = text(fields, "by", words.NAME, BY_LETTERS)
    if not by:
        raise Refused(words.NAME_MISSING)
    return by


def text(fields: Mapping[str, str], key: str, title: str, most: int = TEXT_LETTERS) -> str:
    """A line that a person wrote; empty where there is none. Raises Refused."""
    said = " ".join(plain(fields.get(key, "")).split())
    if len(said) > most:
        raise Refused(words.TOO_LONG.format(field=title, most=most))
    return said


def metres(fields: Mapping[str, str], key: str, title: str) -> float | None:
    """A length in metres, with a point or a comma; None where the field is empty. Raises Refused."""
    said = text(fields, key, title).replace("−", "-").removesuffix("m").strip()
    if not said:
        return None
    if not _LENGTH.fullmatch(said):
        raise Refused(words.NO_LENGTH.format(field=title, read=said[:20]))
    return float(said.replace(",", "."))


def ask(post: PostView, request: dict[str, object]) -> str:
    """Ask the post as its socket is asked: what it did, as a sentence. Raises Refused."""
    said = answer(msgspec.json.encode(request), post)
    if said.done is None:
        raise Refused(words.NOTHING_CHANGED.format(why=words.phrase(said.refused or "")))
    done = words.phrase(said.done)
    return f"{done[:1].upper()}{done[1:]}."
