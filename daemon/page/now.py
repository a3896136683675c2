"""Now: the state in one word, what is wrong, what to check; beside it what else stands, and whether work can begin.

Each part is made anew where something of it changed and sent to the phones that show it: see `live`.
"""

from __future__ import annotations

from microdot.microdot import Request
from witnesspost.daemon.companion import PostView
from witnesspost.daemon.page import words
from witnesspost.daemon.page.ended import Ended
from witnesspost.daemon.page.fields import hidden, name_field
from witnesspost.daemon.page.forms import Refused, ask, person, text
from witnesspost.daemon.page.gate import Session
from witnesspost.daemon.page.html import Html, join, tag
from witnesspost.daemon.page.live import Parts
from witnesspost.daemon.page.sight import Sight
from witnesspost.daemon.page.signs import sign
from witnesspost.daemon.page.tab import Form, Tab
from witnesspost.daemon.status.snapshot import AlertStatus, hints_of
from witnesspost.daemon.status.told import PausedStatus
from witnesspost.rules.alert import Change
from witnesspost.rules.book import words as book
from witnesspost.rules.facts import Shelve

QUIET_S = 600.0
NAME_LETTERS = 80
_LETTERS = {"wide": 6, "long": 10}  # from which the word is written smaller, that it stays in one line, or in two


class Now(Tab):
    """The tab itself."""

    address = "/"
    title = "NOW"

    def __init__(self, post: PostView, ended: Ended):
        self._post = post
        self._ended = ended

    def goes_on(self, sight: Sight) -> bool:
        """Always: the state may change at any moment."""
        return True

    def parts(self, sight: Sight, form: Form) -> Parts:
        """All of it lives."""
        return {
            "state": state(sight),
            "todo": todo(sight, form),
            "beside": beside(sight),
            "ended": ended(sight, form, self._ended.asked(sight.t)),
            "ready": ready(sight),
        }

    async def rest(self, request: Request, sight: Sight, form: Form) -> Html | None:
        """Nothing."""
        return None

    def act(self, fields: dict[str, str], session: Session, sight: Sight) -> str:
        """Seen, quiet, or that was it."""
        do, _, step = fields.get("do", "").partition(" ")
        if do not in ("seen", "quiet", "solved"):
            raise Refused(words.NOTHING_CHOSEN)
        by = session.by = person(fields)
        if do == "solved":
            said = {key: text(fields, key, key, NAME_LETTERS) for key in ("rule", "cause")}
            if not (step.isascii() and step.isdecimal() and len(step) < 3):
                raise Refused(words.NOTHING_CHOSEN)
            done = ask(self._post, {"do": do, **said, "step": int(step), "by": by})
            self._ended.answer(said["rule"], said["cause"])
            return done
        if not sight.alerts:
            raise Refused(words.NOTHING_OPEN, 409)
        if do == "seen":
            return ask(self._post, {"do": do, "by": by})
        self._post.tell(Shelve(t=sight.t, stream="", for_s=QUIET_S, by=by))
        done = words.DONE_QUIET.format(by=by)
        self._post.say(done)
        return done


def state(sight: Sight) -> Html:
    """The state over the whole width, for Now and for whoever has not come in (who reads the word alone: `bare`)."""
    key, roots = sight.key, sight.roots
    paused = sight.status.paused if sight.status is not None else None
    lines: list[Html] = []
    if key == "unheard":
        lines.append(tag("p", words.UNHEARD_WHY))
    elif key == "starting":
        lines.append(tag("p", words.STARTING_WHY))
    elif key == "well" and paused is None:
        lines.append(tag("p", words.WELL_WHY))
    elif roots and key != "fault":
        lines += [tag("p", roots[0].say, class_="say"), tag("p", _since(sight, roots[0]), class_="since")]
        if roots[0].state == "normal":
            lines.append(tag("p", words.OVER_ASK))
    if key != "unheard" and paused is not None:
        lines.append(tag("p", _paused(sight, paused)))
    return tag("section", _word(sight), *lines, **_attributes(sight))


def bare(sight: Sight) -> Html:
    """The state's word and sign alone, over the whole width."""
    return tag("section", _word(sight), **_attributes(sight))


def head(sight: Sight) -> Html:
    """The state in short, on top of every other tab: the way to Now."""
    return tag("a", sign(sight.key), tag("b", sight.word), id="head", href="/", class_=f"head is-{sight.key}", **_data(sight))


def todo(sight: Sight, form: Form) -> Html:
    """What to check, one by one, and what a person can say to it."""
    roots = sight.roots
    inside: list[Html] = []
    if roots and roots[0].steps:
        first, over = roots[0], roots[0].state == "normal"
        inside.append(tag("h2", words.WHAT_SOLVED if over else words.FIRST))
        inside += _steps(first.rule, first.cause, first.steps, first.hints, over=over)
    if sight.alerts:
        # What follows from an alert that somebody has seen asks for nobody; what is over waits to be seen, whatever it was.
        unseen = any(
            alert.state == "normal" or (alert.state == "raised" and alert.because_of is None) for alert in sight.alerts
        )
        quiet = any(alert.state != "normal" and not alert.shelved for alert in roots)
        if inside or unseen or quiet:
            inside.append(_say(form, seen=unseen, quiet=quiet))
    card = tag("form", *inside, method="post", action="/", class_="card") if inside else None
    return tag("section", card, id="todo")


def beside(sight: Sight) -> Html:
    """What else stands, and what the post says of itself."""
    inside: list[Html] = []
    follows = [alert for alert in sight.alerts if alert.because_of is not None]
    for title, alerts in ((words.BESIDE, sight.roots[1:]), (words.FOLLOWS if sight.roots else words.BESIDE, follows)):
        if alerts:
            inside += [tag("h2", title), *(_other(sight, alert) for alert in alerts)]
    if sight.status is not None and sight.status.problems:
        inside += [tag("h2", words.PROBLEMS), tag("ul", *(tag("li", problem) for problem in sight.status.problems))]
    if sight.status is not None and sight.status.office is not None:
        inside += [tag("h2", words.OFFICE), tag("p", words.phrase(sight.status.office.line))]
    return tag("section", *inside, id="beside")


def ended(sight: Sight, form: Form, cleared: list[Change]) -> Html:
    """What was over a short while ago, each with its steps: which of them solved it?"""
    inside = []
    for number, change in enumerate(cleared):
        say, steps = book.words(change, words.speech())
        solved = sight.status.solved if sight.status is not None else []
        hints = [words.phrase(hint) for hint in hints_of(solved, change.rule, change.cause, change.role)]
        over = words.OVER_SINCE.format(clock=sight.clock(change.t, change.utc))
        asked = tag(
            "form",
            *_steps(change.rule, change.cause, steps, hints, over=True),
            hidden(form.token),
            name_field(form.by, f"by-{number}"),
            method="post",
            action="/",
        )
        line = tag("summary", sign("past"), tag("span", tag("b", words.OVER), " ", say))
        inside.append(tag("details", line, tag("p", f"{over}.", class_="since"), asked, class_="other is-past"))
    return tag("section", tag("h2", words.OVER_LATELY) if inside else None, *inside, id="ended")


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
    size = next((name for name, letters in reversed(_LETTERS.items()) if len(sight.word) >= letters), None)
    return tag("h1", sign(sight.key), tag("span", sight.word), class_=size)


def _attributes(sight: Sight) -> dict[str, str | bool | None]:
    return {"id": "state", "class_": f"state is-{sight.key}", "aria_live": "polite", **_data(sight)}


def _data(sight: Sight) -> dict[str, str | bool | None]:
    return {"data_state": sight.key, "data_sounds": sight.key == "stop" and not sight.pulse.silent}


def _since(sight: Sight, alert: AlertStatus, *, held: bool = True) -> str:
    clock = sight.clock(sight.began_t(alert), alert.since_utc)
    said = [(words.OVER_SINCE if alert.state == "normal" else words.SINCE).format(clock=clock)]
    said += [sight.lasted(alert)] if alert.state != "normal" else []
    said += [alert.held] if alert.held and held else []
    lines = [f"{', '.join(said)}."]
    lines += [f"{_seen(sight, alert)}."] if alert.state == "acknowledged" else []
    if alert.silent_left_s is not None:
        lines.append(f"{words.SILENT.format(clock=_after(sight, alert.silent_left_s))}.")
    lines += [words.OF_RUN.format(run=alert.of_run)] if alert.of_run else []
    return " ".join(lines)


def _paused(sight: Sight, paused: PausedStatus) -> str:
    return words.PAUSED.format(clock=_after(sight, paused.left_s), by=paused.by or words.SOMEBODY, why=paused.why)


def _after(sight: Sight, left_s: float) -> str:
    """The clock when so much more time has gone by than in the snapshot; to the minute, as a person counts it."""
    return sight.clock(sight.t - sight.late_s + left_s)


def _seen(sight: Sight, alert: AlertStatus) -> str:
    """By whom, where they gave a name, and when, where a receiver had said the time."""
    who = words.SEEN_BY.format(by=alert.seen_by) if alert.seen_by else words.SEEN_ALREADY
    return words.SEEN_AT.format(who=who, clock=sight.clock(sight.t, alert.seen_utc)) if alert.seen_utc else who


def _steps(rule: str, cause: str, steps: list[str], hints: list[str], *, over: bool) -> list[Html]:
    """The steps with what has solved it before. "That was it" stands at each that is ticked, and at each where it is over."""
    items = []
    for number, step in enumerate(steps, 1):
        key = f"{rule}-{cause}-{number}"
        hint = hints[number - 1] if number <= len(hints) else ""
        label = tag("label", tag("span", tag("span", step, class_="step"), tag("em", hint) if hint else None), for_=key)
        that = tag("button", words.THAT_WAS_IT, name="do", value=f"solved {number}", class_="it")
        items.append(tag("li", tag("input", type="checkbox", id=key), label, that))
    names = [tag("input", type="hidden", name=key, value=value) for key, value in (("rule", rule), ("cause", cause))]
    return [*names, tag("ol", *items, class_="steps over" if over else "steps")]


def _say(form: Form, *, seen: bool, quiet: bool) -> Html:
    buttons = [tag("button", words.SEEN, name="do", value="seen", class_="main")] if seen else []
    buttons += [tag("button", words.QUIET, name="do", value="quiet")] if quiet else []
    return join(hidden(form.token), name_field(form.by), tag("div", *buttons, class_="buttons") if buttons else None)


def _other(sight: Sight, alert: AlertStatus) -> Html:
    over = alert.state == "normal"
    kind = "past" if over else alert.severity
    steps = tag("ol", *(tag("li", step) for step in alert.steps)) if alert.steps and not over else None
    held = f" {alert.held[:1].upper()}{alert.held[1:]}." if alert.held else ""
    word = words.OVER if over else words.phrase(kind)
    line = tag("summary", sign(kind), tag("span", tag("b", word), f" {alert.say}{held}"))
    return tag("details", line, tag("p", _since(sight, alert, held=False), class_="since"), steps, class_=f"other is-{kind}")
