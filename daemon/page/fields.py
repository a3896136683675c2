"""The fields of forms, each with its label."""

from __future__ import annotations

from collections.abc import Mapping

from witnesspost.daemon.page import words
from witnesspost.daemon.page.html import Html, tag

_FEW = 12


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


def point_field(points: list[str], title: str, chosen: str, shown: Mapping[str, str] | None = None) -> Html:
    """One control point of the list: as buttons where there are few, else as a list to choose from."""
    if len(points) > _FEW:
        options = [tag("option", words.CHOOSE, value="", selected=not chosen)]
        options += [tag("option", (shown or {}).get(name, name), value=name, selected=name == chosen) for name in points]
        return tag(
            "p",
            tag("label", title, for_="point"),
            tag("select", *options, id="point", name="point", required=True),
            class_="field",
        )
    choices = []
    for number, name in enumerate(points):
        key = f"point-{number}"
        box = tag("input", type="radio", id=key, name="point", value=name, required=True, checked=name == chosen)
        choices.append(tag("span", box, tag("label", (shown or {}).get(name, name), for_=key)))
    return tag("fieldset", tag("legend", title), tag("div", *choices, class_="choices"))


def metres_field(key: str, title: str, value: str) -> Html:
    """A length in metres, with a point or a comma."""
    field = tag("input", id=key, name=key, value=value, inputmode="decimal", autocomplete="off", maxlength=12)
    return tag("p", tag("label", title, for_=key), field, class_="field")
