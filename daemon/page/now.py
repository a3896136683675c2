"""Now: the state in one word, what is wrong, what to check; beside it what else stands, and whether work can begin.

Each part is made anew where something of it changed and sent to the phones that show it: see `live`.
"""

from __future__ import annotations

from witnesspost.daemon.page import words
from witnesspost.daemon.page.html import Html, join, tag
from witnesspost.daemon.page.sight import Sight
from witnesspost.daemon.page.signs import sign
from witnesspost.daemon.status.snapshot import AlertStatus

_LONG_WORD = 8  # letters, from which the word is written smaller


def state(sight: Sight) -> Html:
    """The state over the whole width, for Now and for who has not come in (who reads the word alone: `bare`)."""
    key, roots = sight.key, sight.roots
    lines: list[Html] = []
    if key == "unheard":
        lines.append(tag("p", words.UNHEARD_WHY))
    elif key in ("starting", "well"):
        lines.append(tag("p", words.STARTING_WHY if key == "starting" else words.WELL_WHY))
    elif roots and key != "fault":
        lines += [tag("p", roots[0].say, class_="say"), tag("p", _since(sight, roots[0]), class_="since")]
        if roots[0].state == "normal":
            lines.append(tag("p", words.OVER_ASK))
    return tag("section", _word(sight), *lines, **_attributes(sight))


def bare(sight: Sight) -> Html:
    """The state's word and sign alone, over the whole width."""
    return tag("section", _word(sight), **_attributes(sight))


def head(sight: Sight) -> Html:
    """The state in short, on top of every other place: the way to Now."""
    return tag("a", sign(sight.key), tag("b", sight.word), id="head", href="/", class_=f"head is-{sight.key}", **_data(sight))


def todo(sight: Sight, token: str = "", by: str = "") -> Html:
    """What to check, one by one, and what a person can say to it."""
    roots = sight.roots
    inside: list[Html] = []
    if roots and roots[0].state != "normal" and roots[0].steps:
        inside += [tag("h2", words.FIRST), _steps(roots[0])]
    if any(alert.state != "acknowledged" for alert in sight.alerts):
        inside.append(_say(token, by, quiet=any(alert.state != "normal" and not alert.shelved for alert in roots)))
    form = tag("form", *inside, method="post", action="/", class_="card") if inside else None
    return tag("section", form, id="todo")


def beside(sight: Sight) -> Html:
    """What else stands, and what the post says of itself."""
    inside: list[Html] = []
    follows = [alert for alert in sight.alerts if alert.because_of is not None]
    for title, alerts in ((words.BESIDE, sight.roots[1:]), (words.FOLLOWS, follows)):
        if alerts:
            inside += [tag("h2", title), *(_other(sight, alert) for alert in alerts)]
    if sight.status is not None and sight.status.problems:
        inside += [tag("h2", words.PROBLEMS), tag("ul", *(tag("li", problem) for problem in sight.status.problems))]
    return tag("section", *inside, id="beside")


def ready(sight: Sight) -> Html:
    """What holds of all that work needs, and what does not."""
    status = sight.status
    if status is None:
        return tag("section", tag("p", words.NO_STATUS), id="ready")
    missing = [tag("li", text, class_="missing") for text in status.missing]
    holds = [tag("li", text, class_="holds") for text in status.ready]
    title = words.NOT_READY if missing else words.READY
    return tag("section", tag("h2", title), tag("ul", *missing, *holds, class_="ready"), id="ready")


def _word(sight: Sight) -> Html:
    long = "long" if len(sight.word) > _LONG_WORD else None
    return tag("h1", sign(sight.key), tag("span", sight.word), class_=long)


def _attributes(sight: Sight) -> dict[str, str | bool | None]:
    return {"id": "state", "class_": f"state is-{sight.key}", "aria_live": "polite", **_data(sight)}


def _data(sight: Sight) -> dict[str, str | bool | None]:
    return {"data_state": sight.key, "data_sounds": sight.key == "stop" and not sight.pulse.silent}


def _since(sight: Sight, alert: AlertStatus) -> str:
    clock = sight.clock(sight.began_t(alert), alert.since_utc)
    said = [(words.OVER_SINCE if alert.state == "normal" else words.SINCE).format(clock=clock)]
    said += [sight.lasted(alert)] if alert.state != "normal" else []
    said += [words.SEEN_ALREADY] if alert.state == "acknowledged" else []
    said += [words.SHELVED] if alert.shelved else []
    said += [alert.held] if alert.held else []
    line = f"{', '.join(said)}."
    return f"{line} {words.OF_RUN.format(run=alert.of_run)}" if alert.of_run else line


def _steps(alert: AlertStatus) -> Html:
    items = []
    for number, step in enumerate(alert.steps, 1):
        key = f"{alert.rule}-{alert.cause}-{number}"
        items.append(tag("li", tag("input", type="checkbox", id=key), tag("label", step, for_=key)))
    return tag("ol", *items, class_="steps")


def _say(token: str, by: str, *, quiet: bool) -> Html:
    buttons = [tag("button", words.SEEN, name="do", value="seen", class_="main")]
    buttons += [tag("button", words.QUIET, name="do", value="quiet")] if quiet else []
    return join(hidden(token), name_field(by), tag("div", *buttons, class_="buttons"))


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


def _other(sight: Sight, alert: AlertStatus) -> Html:
    over = alert.state == "normal"
    kind = "past" if over else alert.severity
    steps = tag("ol", *(tag("li", step) for step in alert.steps)) if alert.steps and not over else None
    line = tag("summary", sign(kind), tag("span", tag("b", kind if not over else words.OVER), " ", alert.say))
    return tag("details", line, tag("p", _since(sight, alert), class_="since"), steps, class_=f"other is-{kind}")
