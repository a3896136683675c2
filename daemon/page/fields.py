"""The fields of forms, each with its label."""

from __future__ import annotations

from witnesspost.daemon.page import words
from witnesspost.daemon.page.html import Html, tag


def hidden(token: str) -> Html:
    """The form's token."""
    return tag("input", type="hidden", name="token", value=token)


def name_field(by: str, key: str = "by") -> Html:
    """Who says it."""
    return tag(
        "p",
        tag("label", words.NAME, for_=key),
        tag("input", id=key, name="by", value=by, required=True, maxlength=60, autocomplete="name", autocapitalize="words"),
        class_="field",
    )


def pin_field() -> Html:
    """The PIN, as digits, and kept by the phone where its owner wants that."""
    field = tag(
        "input",
        id="pin",
        name="pin",
        type="password",
        inputmode="numeric",
        pattern="[0-9]*",
        maxlength=32,
        required=True,
        autocomplete="current-password",
        aria_describedby="why",
    )
    return tag("p", tag("label", words.PIN, for_="pin"), field, class_="field")
