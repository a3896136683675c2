"""Radio: both ends' settings side by side, what comes on the line now, and how far the radios see."""

from __future__ import annotations

import msgspec
from microdot.microdot import Request
from witnesspost.daemon.page import words
from witnesspost.daemon.page.html import Html, tag
from witnesspost.daemon.page.live import Parts
from witnesspost.daemon.page.sight import Sight
from witnesspost.daemon.page.tab import Form, Tab
from witnesspost.rules.book.radio import site_horizon_km
from witnesspost.rules.site.model import RadioTable, Site

_MISSED = 3.0  # intervals: as the rules count silence (corrections-stopped)


class Radio(Tab):
    """The tab itself."""

    address = "/radio"
    title = "RADIO"

    def __init__(self, site: Site):
        self._site = site

    def parts(self, sight: Sight, form: Form) -> Parts:
        """What comes now."""
        return {"line": self._line(sight)}

    async def rest(self, request: Request, sight: Sight, form: Form) -> Html | None:
        """What the site file says of both ends."""
        return tag("section", tag("h2", words.SETTINGS), settings(self._site), tag("p", words.SETTINGS_WHY, class_="hint"))

    def _line(self, sight: Sight) -> Html:
        status = sight.status
        rows: list[tuple[str, str]] = []
        for port in status.ports if status is not None else []:
            rate = words.NOT_KNOWN if port.rate_bytes_per_s is None else words.BYTES.format(rate=port.rate_bytes_per_s)
            rows.append((port.stream, rate))
        for epoch in status.epochs if status is not None else []:
            every = words.EPOCHS.format(rate=1.0 / epoch.interval_s) if epoch.interval_s else words.NOT_KNOWN
            if epoch.interval_s and epoch.ago_s > _MISSED * epoch.interval_s:
                every = words.NONE_NOW
            rows.append((words.EPOCHS_OF.format(station=epoch.station_id), every))
            if epoch.came_share is not None:
                rows.append((words.SHARE, f"{100 * epoch.came_share:.0f} %"))
            rows.append((words.LAST_EPOCH, words.AGO.format(seconds=epoch.ago_s)))
        if status is not None and not status.epochs:
            rows.append((words.LAST_EPOCH, words.NONE_YET))
        rows += self._reach(sight)
        items = [item for name, value in rows for item in (tag("dt", name), tag("dd", value))]
        return tag("section", tag("h2", words.ON_THE_LINE), tag("dl", *items), id="line")

    def _reach(self, sight: Sight) -> list[tuple[str, str]]:
        distance_km = sight.status.distance_km if sight.status is not None else None
        horizon_km = site_horizon_km(self._site)
        rows = []
        if distance_km is not None:
            rows.append((words.DISTANCE, words.KM.format(km=distance_km)))
        if horizon_km is not None:
            rows.append((words.HORIZON, words.KM.format(km=horizon_km)))
            if distance_km is not None and distance_km > horizon_km:
                rows.append((words.BEYOND, words.BEYOND_WHY))
        return rows


def settings(site: Site) -> Html:
    """Both ends' radio settings as a table; what differs is marked."""
    ends = (site.radio.base, site.radio.rover)
    head = tag("tr", tag("th", words.SETTING, scope="col"), *(tag("th", end, scope="col") for end in words.ENDS))
    rows = []
    for field in msgspec.structs.fields(RadioTable):
        said = [getattr(end, field.name) for end in ends]
        differs = None not in said and said[0] != said[1] and field.name != "antenna_above_ground_m"
        cells = [tag("td", _said(value), class_="figure" if type(value) in (int, float) else None) for value in said]
        name = words.RADIO_KEYS[field.name]
        title = tag("th", f"{name}: {words.DIFFERS}" if differs else name, scope="row")
        rows.append(tag("tr", title, *cells, class_="differs" if differs else None))
    return tag("table", tag("thead", head), tag("tbody", *rows), class_="ends")


def _said(value: object) -> str:
    if value is None:
        return words.NOT_SAID
    if isinstance(value, bool):
        return words.ON if value else words.OFF
    return f"{value:g}" if isinstance(value, float) else str(value)
