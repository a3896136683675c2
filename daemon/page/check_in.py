"""Check in: "I stand on KQ-2 now", ten seconds of averaging with a countdown, then east, north and up against the limits."""

from __future__ import annotations

import math
from typing import NamedTuple

from microdot.microdot import Request
from witnesspost.daemon.companion import PostView
from witnesspost.daemon.page import words
from witnesspost.daemon.page.fields import hidden, name_field, point_field
from witnesspost.daemon.page.forms import Refused, ask, person, text
from witnesspost.daemon.page.gate import Session
from witnesspost.daemon.page.html import Html, tag
from witnesspost.daemon.page.live import Parts
from witnesspost.daemon.page.sight import Sight
from witnesspost.daemon.page.signs import sign
from witnesspost.daemon.page.tab import Form, Tab
from witnesspost.daemon.status.told import CheckInStatus
from witnesspost.rules.site.model import Site

_UNTIL_TOLD_S = 3.0  # a check-in that was asked for is in the post's snapshot by then
_ROUNDED_S = 0.5  # how much earlier than it was asked for the snapshot's rounded figures may put its beginning


class CheckIn(Tab):
    """The tab itself."""

    address = "/check-in"
    title = "CHECK_IN"

    def __init__(self, site: Site, post: PostView):
        self._post = post
        self._asked: _Asked | None = None
        self._points = [point.name for point in site.project.control] if site.project is not None else []

    def goes_on(self, sight: Sight) -> bool:
        """Until it has passed or not."""
        check_in = _last(sight)
        return self._answer(sight) is not None or (check_in is not None and check_in.outcome is None)

    def parts(self, sight: Sight, form: Form) -> Parts:
        """How the last one goes, or went."""
        answer, check_in = self._answer(sight), _last(sight)
        if answer is not None:
            shown: Html | None = tag("p", answer, class_="said", role="status")
        else:
            shown = _shown(sight, check_in) if check_in is not None else None
        return {"check": tag("section", shown, id="check")}

    async def rest(self, request: Request, sight: Sight, form: Form) -> Html | None:
        """The form."""
        if not self._points:
            return tag("p", words.NO_POINTS)
        return tag(
            "form",
            hidden(form.token),
            tag("p", words.CHECK_IN_WHY),
            point_field(self._points, words.STAND_ON, form.kept.get("point", "")),
            name_field(form.by),
            tag("div", tag("button", words.STAND_NOW, name="do", value="checkin", class_="main"), class_="buttons"),
            method="post",
            action=self.address,
            class_="card",
        )

    def act(self, fields: dict[str, str], session: Session, sight: Sight) -> str:
        """A person stands on a point. What that does is said by `parts`, for as long as it is of now."""
        point = text(fields, "point", words.STAND_ON)
        if not point:
            raise Refused(words.POINT_MISSING)
        by = session.by = person(fields)
        self._asked = _Asked(sight.t, ask(self._post, {"do": "checkin", "point": point, "by": by}))
        return ""

    def _answer(self, sight: Sight) -> str | None:
        """What was said to who asked last, until the snapshot has their check-in."""
        if self._asked is None or sight.t - self._asked.t >= _UNTIL_TOLD_S:
            return None
        check_in = _last(sight)
        began_t = sight.t - sight.late_s - check_in.ago_s if check_in is not None else -math.inf
        return self._asked.said if began_t < self._asked.t - _ROUNDED_S else None


class _Asked(NamedTuple):
    """A check-in that was asked for at `t`, and what was said to it."""

    t: float
    said: str


def _last(sight: Sight) -> CheckInStatus | None:
    return sight.status.check_in if sight.status is not None else None


def _shown(sight: Sight, check_in: CheckInStatus) -> Html:
    if check_in.outcome is None:
        left_s = max(0, math.ceil(check_in.needed_s - check_in.stood_s))
        share = min(1.0, check_in.stood_s / check_in.needed_s)
        bar = tag("rect", x=0, y=0, width=f"{100 * share:.0f}", height=10)
        return tag(
            "div",
            tag("h2", check_in.point),
            tag("p", words.SECONDS.format(seconds=left_s), class_="count"),
            tag("svg", bar, class_="progress", viewBox="0 0 100 10", preserveAspectRatio="none", aria_hidden="true"),
            tag("p", check_in.in_words(words.speech()), class_="since"),
            class_="result is-starting",
            aria_live="polite",
        )
    speech, passed = words.speech(), check_in.outcome == "passed"
    word = words.CHECK_PASSED if passed else words.CHECK_FAILED if check_in.outcome == "failed" else words.CHECK_NONE
    kind = "well" if passed else "stop" if check_in.outcome == "failed" else "note"
    when = sight.clock(sight.t - sight.late_s - check_in.ago_s)
    table = _offsets(check_in) if check_in.outcome in ("passed", "failed") else None
    by = f", {check_in.by}" if check_in.by else ""
    return tag(
        "div",
        tag("h2", sign(kind), tag("span", f"{check_in.point}: {word}")),
        table,
        tag("p", check_in.why_in_words(speech) if table is not None else check_in.in_words(speech).partition(": ")[2]),
        tag("p", f"{when}{by}", class_="since"),
        class_=f"result is-{kind}",
        aria_live="polite",
    )


def _offsets(check_in: CheckInStatus) -> Html | None:
    """Each axis against its limit, millimetres."""
    east_m, north_m, up_m = check_in.east_m, check_in.north_m, check_in.up_m
    across_m, high_m = check_in.limit_horizontal_m, check_in.limit_vertical_m
    if east_m is None or north_m is None or up_m is None or across_m is None or high_m is None:
        return None
    rows = (
        (words.EAST, east_m, None),
        (words.NORTH, north_m, None),
        (words.ACROSS, math.hypot(east_m, north_m), across_m),
        (words.UP, up_m, high_m),
    )
    head = tag("tr", *(tag("th", title, scope="col") for title in ("", words.MEASURED, words.LIMIT)))
    body = [
        tag(
            "tr",
            tag("th", name, scope="row"),
            tag("td", _mm(value_m)),
            tag("td", _mm(limit_m) if limit_m is not None else "–"),
            class_="differs" if limit_m is not None and abs(value_m) > limit_m else None,
        )
        for name, value_m, limit_m in rows
    ]
    return tag("table", tag("thead", head), tag("tbody", *body))


def _mm(metres: float) -> str:
    return f"{round(metres * 1000)} mm".replace("-", "−")
