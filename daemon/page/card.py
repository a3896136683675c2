"""The printed card: one sheet of A4, the light and the sound on one side, this job and the way to the page on the other."""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Iterator, Mapping
from contextvars import copy_context
from pathlib import Path
from typing import NamedTuple

import segno
from segno import helpers
from witnesspost.daemon.page import words
from witnesspost.daemon.page.html import Html, tag
from witnesspost.daemon.page.radio import settings
from witnesspost.daemon.page.signs import sign
from witnesspost.daemon.page.timelines import timeline
from witnesspost.daemon.page.wifi import Wifi
from witnesspost.daemon.signals.patterns import PATTERNS, Pattern, Rhythm
from witnesspost.daemon.state import WORDS
from witnesspost.rules.site.model import Base, Site

MOST_POINTS, MOST_BESIDE_TWO_BASES = 12, 9
_EVERYWHERE = ("0.0.0.0", "::")


class ExpectedAntenna(NamedTuple):
    """Where a base's antenna is expected: geocentric metres, degrees, the height above the ellipsoid in metres, and the frame
    in words."""

    x_m: float
    y_m: float
    z_m: float
    latitude: float
    longitude: float
    ellipsoidal_height_m: float
    gnss_name: str


def card(site: Site, antennas: Mapping[str, ExpectedAntenna], wifi: Wifi | None, today: dt.date) -> str:
    """The card as one HTML document that needs nothing else. `antennas` has the expected antenna of each base by its table's
    name in the site file; `wifi` is the post's own network, None where it has none."""
    return copy_context().run(_card, site, antennas, wifi, today)  # so that its language is its own


def _card(site: Site, antennas: Mapping[str, ExpectedAntenna], wifi: Wifi | None, today: dt.date) -> str:
    words.speak(site.post.language)
    title = words.CARD.format(post=site.post.name)
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", name="viewport", content="width=device-width"),
        tag("title", title),
        tag("style", Html(Path(__file__).with_name("card.css").read_text())),
    )
    body = tag("body", tag("main", _signals(site), _job(site, antennas, wifi, today)))
    return f"<!DOCTYPE html>\n{tag('html', head, body, lang=words.speech().language)}\n"


def page_address(site: Site, wifi: Wifi | None) -> str | None:
    """The page's address as a phone opens it; None where there is none, or where the site file does not fix it."""
    if site.page is None or not _has_page(site):
        return None
    host = site.page.host
    if host in _EVERYWHERE:
        if wifi is None or wifi.address is None:
            return None
        host = wifi.address
    scheme = "https" if site.page.certificate is not None else "http"
    return f"{scheme}://{f'[{host}]' if ':' in host else host}:{site.page.port}/"


def _side(number: int, site: Site, *inside: Html | None) -> Html:
    project = f" · {site.project.name}" if site.project is not None and site.project.name else ""
    name = tag("p", tag("b", site.post.name), f" {words.CARD_AT[site.post.role]}{project}")
    return tag("section", tag("header", name, tag("p", words.CARD_SIDE.format(side=number))), *inside, class_="side")


def _signals(site: Site) -> Html:
    rows = [_signal(state, pattern) for state, pattern in PATTERNS.items()]
    what = tag("h1", words.CARD_SIGNALS)
    return _side(1, site, what, tag("p", words.CARD_COUNT), tag("ul", *rows, class_="patterns"))


def _signal(state: str, pattern: Pattern) -> Html:
    word = words.phrase(WORDS.get(state, state))
    name = tag("h2", sign(state) if state != "dark" else None, tag("span", word))
    told = tag("div", name, tag("p", words.phrase(pattern.meaning)), class_="told")
    rhythms = [(words.LIGHT, pattern.seen, pattern.light), (words.SOUND, pattern.heard, pattern.sound)]
    return tag("li", told, tag("div", *(_rhythm(*one) for one in rhythms), class_="drawn"))


def _rhythm(what: str, said: str, rhythm: Rhythm | None) -> Html:
    return tag("div", timeline(rhythm), tag("p", tag("b", what), f" {words.phrase(said)}"))


def _job(site: Site, antennas: Mapping[str, ExpectedAntenna], wifi: Wifi | None, today: dt.date) -> Html:
    day = words.CARD_STEPS if _has_page(site) else words.CARD_STEPS_WITHOUT_PAGE
    steps = tag("section", tag("h2", words.CARD_FIRST_DAY), tag("ol", *(tag("li", step) for step in day)))
    caution = tag("section", tag("h2", words.CAUTION), tag("ul", *(tag("li", line) for line in words.CAUTION_LINES)))
    return _side(
        2,
        site,
        tag("h1", words.CARD_SETTINGS),
        tag(
            "div",
            tag("section", *_bases(site, antennas)),
            tag("section", tag("h2", words.RADIO), settings(site), class_="radio"),
            class_="two",
        ),
        tag("div", _control(site), tag("section", *_way_in(site, wifi), class_="way-in"), class_="two wide"),
        tag("div", steps, caution, class_="two"),
        tag("p", words.CARD_MADE.format(date=today.isoformat()), class_="made"),
    )


def _bases(site: Site, antennas: Mapping[str, ExpectedAntenna]) -> Iterator[Html]:
    bases = site.bases[:2]
    for base in bases:
        yield tag("h2", _over(base))
        numbers = sorted(base.station_ids or ())
        shown = ", ".join(map(str, numbers[:6])) + ("…" if len(numbers) > 6 else "")
        told = [words.CARD_STATION.format(numbers=shown) if numbers else words.CARD_ANY_STATION]
        if base.occupies is not None:
            told.append(words.CARD_ANTENNA.format(height=base.antenna_height_m))
        if base.antenna:
            told.append(base.antenna[:40])
        yield tag("p", "; ".join(told))
        antenna = antennas.get(base.where or "base")
        if antenna is not None:
            yield tag("p", words.CARD_EXPECTED.format(frame=antenna.gnss_name))
            yield tag(
                "p",
                f"X {antenna.x_m:.4f}  Y {antenna.y_m:.4f}  Z {antenna.z_m:.4f} m\n"
                f"{antenna.latitude:.9f}°  {antenna.longitude:.9f}°  h {antenna.ellipsoidal_height_m:.4f} m",
                class_="numbers",
            )


def _over(base: Base) -> str:
    if base.kind != "own":
        return words.CARD_NETWORK[base.kind]
    return words.CARD_BASE.format(point=base.occupies) if base.occupies is not None else words.CARD_BASE_NOWHERE


def _control(site: Site) -> Html:
    points = site.project.control if site.project is not None else []
    head = tag("h2", words.CARD_CONTROL)
    if site.project is None or not points:
        return tag("section", head, tag("p", words.CARD_NO_CONTROL))
    lengths = all(point.easting is not None for point in points)
    first, second = words.CARD_PLACE["lengths" if lengths else "angles"]
    names = (words.CARD_POINT, first, second, words.CARD_HEIGHT.format(unit=site.project.height_unit))
    most = MOST_POINTS if len(site.bases) == 1 else MOST_BESIDE_TWO_BASES
    rows = []
    for point in points[:most]:
        place = (point.easting, point.northing) if lengths else (point.latitude, point.longitude)
        cells = [tag("td", _written(value)) for value in (*place, point.height)]
        rows.append(tag("tr", tag("th", point.name, scope="row"), *cells))
    table = tag("table", tag("thead", tag("tr", *(tag("th", name, scope="col") for name in names))), tag("tbody", *rows))
    more = len(points) - most
    return tag("section", head, table, tag("p", words.CARD_MORE_CONTROL.format(count=more)) if more > 0 else None)


def _written(value: float | str | None) -> str:
    return "" if value is None else value if isinstance(value, str) else f"{value:.10g}"


def _way_in(site: Site, wifi: Wifi | None) -> Iterator[Html]:
    address = page_address(site, wifi)
    if wifi is not None:
        code = segno.make(helpers.make_wifi_data(wifi.name, wifi.password, "WPA"), error="m", micro=False)
        lines = [(words.CARD_WIFI_NAME, wifi.name), (words.CARD_WIFI_PASSWORD, wifi.password)]
        yield _code(words.CARD_WIFI, code, lines)
    if address is not None:
        code = segno.make(address, error="m", micro=False)
        head = words.CARD_PAGE if wifi is not None else words.CARD_PAGE_ALONE
        pin = site.page.pin if site.page is not None else None
        yield _code(head, code, [("", address), (words.CARD_PIN, pin or "")])
        return
    somewhere = words.CARD_NO_PAGE
    if site.page is not None and _has_page(site):
        somewhere = words.CARD_PAGE_SOMEWHERE.format(port=site.page.port)
    yield tag("div", tag("h2", words.CARD_PAGE_ALONE), tag("p", somewhere))


def _has_page(site: Site) -> bool:
    """True where a phone can open the page."""
    return site.page is not None and site.page.pin is not None and not site.page.is_of_loopback


def _code(head: str, code: segno.QRCode, lines: list[tuple[str, str]]) -> Html:
    drawn = io.BytesIO()
    code.save(drawn, kind="svg", xmldecl=False, svgns=True, omitsize=True, border=4, light="#fff", nl=False)
    picture = tag("div", Html(drawn.getvalue().decode()), class_="code", role="img", aria_label=head)
    told = [tag("p", f"{name} " if name else None, tag("b", said, class_="typed")) for name, said in lines]
    return tag("div", tag("h2", head), picture, *told, class_="join")
