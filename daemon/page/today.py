"""Today: what was set up this morning. It takes effect at once, is an event of the log, and holds until the next set-up."""

from __future__ import annotations

from collections.abc import Mapping

from microdot.microdot import Request
from witnesspost.daemon.companion import PostView
from witnesspost.daemon.page import words
from witnesspost.daemon.page.fields import hidden, metres_field, name_field, point_field
from witnesspost.daemon.page.forms import Refused, ask, metres, person, text
from witnesspost.daemon.page.gate import Session
from witnesspost.daemon.page.html import Html, tag
from witnesspost.daemon.page.live import Parts
from witnesspost.daemon.page.sight import Sight
from witnesspost.daemon.page.tab import Form, Tab
from witnesspost.daemon.status.told import SetUpStatus
from witnesspost.rules.site.antenna import HeightError, vertical_height_m
from witnesspost.rules.site.model import Site

_NONE = "–"  # stands for "none of the list"
_LENGTHS = {
    "antenna_height_m": "ANTENNA_VERTICAL",
    "slant_m": "SLANT",
    "radius_m": "RADIUS",
    "offset_m": "OFFSET",
    "pole_height_m": "POLE",
}
"""The lengths, with the names of their titles among the words."""


class Today(Tab):
    """The tab itself."""

    address = "/today"
    title = "TODAY"

    def __init__(self, site: Site, post: PostView):
        self._post = post
        self._points = [point.name for point in site.project.control] if site.project is not None else []

    def parts(self, sight: Sight, form: Form) -> Parts:
        """What holds now."""
        set_up = sight.status.set_up if sight.status is not None else None
        return {"holds": tag("section", _holds(sight, set_up) if set_up is not None else None, id="holds", class_="card")}

    async def rest(self, request: Request, sight: Sight, form: Form) -> Html | None:
        """The form, filled in with what holds, or with what was sent last and could not be taken."""
        now = sight.status.set_up if sight.status is not None else None
        kept = dict(form.kept)
        if not kept and now is not None:
            kept = {"point": now.point or _NONE, "pole_height_m": f"{now.pole_height_m:.3f}"}
            if now.slant_m is None:
                kept["antenna_height_m"] = f"{now.antenna_height_m:.3f}"
            else:
                lengths = (("slant_m", now.slant_m), ("radius_m", now.radius_m), ("offset_m", now.offset_m))
                kept |= {key: f"{value:.3f}" for key, value in lengths if value is not None}
        fields = {key: metres_field(key, getattr(words, title), kept.get(key, "")) for key, title in _LENGTHS.items()}
        slant = (fields["slant_m"], fields["radius_m"], fields["offset_m"])
        reckon = tag("button", words.RECKON, name="do", value="vertical", formnovalidate=True)
        made = tag(
            "output",
            _vertical(kept),
            id="vertical",
            for_="slant_m radius_m offset_m",
            data_made=words.VERTICAL_MADE.replace("{height:.3f}", "{n}"),
            data_none=words.VERTICAL_NONE,
        )
        return tag(
            "form",
            tag("h2", words.SET_UP_NEW),
            tag("p", words.SET_UP_WHY),
            hidden(form.token),
            point_field([*self._points, _NONE], words.OCCUPIES, kept.get("point", ""), {_NONE: words.NONE_OF_LIST}),
            tag("fieldset", tag("legend", words.ANTENNA), fields["antenna_height_m"]),
            tag(
                "details",
                tag("summary", words.SLANT_TITLE),
                tag("p", words.SLANT_WHY, class_="hint"),
                *slant,
                made,
                tag("noscript", tag("div", reckon, class_="buttons")),  # a script shows it while it is typed
                class_="slant",
                open=any(kept.get(key) for key in ("slant_m", "radius_m", "offset_m")),
            ),
            fields["pole_height_m"],
            name_field(form.by),
            tag("div", tag("button", words.SET_UP_DO, name="do", value="setup", class_="main"), class_="buttons"),
            method="post",
            action=self.address,
        )

    def act(self, fields: dict[str, str], session: Session, sight: Sight) -> str:
        """Set up, or only say what vertical height a slant makes."""
        do = fields.get("do")
        if do not in ("setup", "vertical"):
            raise Refused(words.NOTHING_CHOSEN)
        lengths = {key: metres(fields, key, getattr(words, title)) for key, title in _LENGTHS.items()}
        slant_m, radius_m, offset_m = (lengths[key] for key in ("slant_m", "radius_m", "offset_m"))
        if do == "vertical":
            if slant_m is None or radius_m is None:
                raise Refused(words.SLANT_MISSING)
            try:
                height_m = vertical_height_m(slant_m, radius_m, offset_m or 0.0)
            except HeightError as error:
                raise Refused(words.NOTHING_CHANGED.format(why=words.phrase(str(error)))) from None
            raise Refused(words.VERTICAL_IS.format(height=height_m), 200)
        point = text(fields, "point", words.OCCUPIES)
        if not point:
            raise Refused(words.POINT_MISSING)
        if slant_m is not None and lengths["antenna_height_m"] is not None:
            raise Refused(words.BOTH_HEIGHTS)
        by = session.by = person(fields)
        asked = {key: value for key, value in lengths.items() if value is not None}
        return ask(self._post, {"do": "setup", "point": "" if point == _NONE else point, "by": by, **asked})


def _vertical(kept: Mapping[str, str]) -> str:
    """What the slant in these fields makes; nothing where it is not there, or cannot be read."""
    try:
        slant_m, radius_m, offset_m = (metres(kept, key, key) for key in ("slant_m", "radius_m", "offset_m"))
        if slant_m is None or radius_m is None:
            return ""
        return words.VERTICAL_MADE.format(height=vertical_height_m(slant_m, radius_m, offset_m or 0.0))
    except Refused:
        return ""
    except HeightError:
        return words.VERTICAL_NONE


def _holds(sight: Sight, now: SetUpStatus) -> Html:
    rows = [
        (words.OCCUPIES, now.point or words.NONE_OF_LIST),
        (words.ANTENNA, words.METRES.format(length=now.antenna_height_m)),
    ]
    if now.slant_m is not None and now.radius_m is not None:
        made = words.MADE_OF.format(slant=now.slant_m, radius=now.radius_m, offset=now.offset_m or 0.0)
        rows.append((words.MADE, made))
    rows.append((words.POLE_HEIGHT, words.METRES.format(length=now.pole_height_m)))
    who = words.PLANNED
    if not now.planned:
        clock = sight.clock(sight.t, now.utc) if now.utc else words.UNKNOWN_TIME
        who = words.SET_UP_BY.format(by=now.by or words.SOMEBODY, clock=clock)
    items = [item for name, value in rows for item in (tag("dt", name), tag("dd", value))]
    return tag("div", tag("h2", words.HOLDS), tag("dl", *items, class_="wide"), tag("p", who, class_="since"))
