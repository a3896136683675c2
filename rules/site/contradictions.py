"""What no single key of a site file shows: keys that contradict each other, or that need another one.

Each check leaves out what depends on a key that could not be read: one mistake is reported once.
"""

from __future__ import annotations

import difflib
import re
import zoneinfo
from collections import Counter
from collections.abc import Iterator, Mapping, Set
from typing import Any

from witnesspost.rules.language.speech import languages
from witnesspost.rules.site.angles import degrees
from witnesspost.rules.site.model import Base, Control, Office, OwnRuleTable, Page, Project, Signal, Site
from witnesspost.rules.site.tables import few, on_one_line, shown

LOWEST_HEIGHT, HIGHEST_HEIGHT = -1_000.0, 30_000.0  # in any unit
MOST_STREAMS = MOST_SIGNALS = 32  # each has a thread of its own
MOST_OWN_RULES = MOST_OTHER_BASES = 100
_MOST_NAMES = 12  # that a line lists
_NAMELESS = re.compile(r"project|project\.control(_file)?(\[\d+\](\.(name|path))?)?")  # lost, and with it a point's name


def contradictions(site: Site, table: Mapping[str, Any], unread: Set[str]) -> Iterator[str]:
    """The problems of a site that was read from `table`, in which the keys `unread` could not be read; a line each."""
    yield from _time_zone(site.post.time_zone)
    if site.post.language not in languages():
        choices = ", ".join(f'"{language}"' for language in languages())
        yield f"post.language: read {shown(site.post.language)}; expected one of {choices}"
    if table.get("stream") == []:
        yield "stream: none; expected at least one [[stream]] with name, port and carries"
    if site.project is not None and "project.frame" not in unread:
        yield from _project(site.project, unread)
        kinds = (problem for point in site.project.control for problem in _kind_of_control(point, site.project, unread))
        yield from few(kinds)
    yield from few(
        problem for point in (site.project.control if site.project else ()) for problem in _impossible_control(point)
    )
    yield from _twice(site)
    yield from few(_bases(site, table, unread))
    yield from _too_many(site)
    yield from few(problem for rule in site.own_rule for problem in own_rule_problems(rule, unread))
    yield from few(problem for signal in site.signal for problem in signal_problems(signal, unread))
    if site.page is not None:
        yield from _page(site.page, unread)
    if site.office is not None:
        yield from office_problems(site.office, unread)
    fields = {"tilt.angle_field", "tilt.aligned_field"}
    if site.tilt and site.tilt.angle_field is None and site.tilt.aligned_field is None and not fields & unread:
        yield "tilt: neither angle_field nor aligned_field; expected at least one"


def signal_problems(signal: Signal, unread: Set[str] = frozenset()) -> Iterator[str]:
    """What an output lacks."""
    if signal.kind in ("buzzer", "led") and signal.pin is None and f"{signal.where}.pin" not in unread:
        yield f"{signal.where}.pin: missing; expected the GPIO number (BCM) of the {signal.kind}"
    if signal.kind == "led-class" and not signal.led and f"{signal.where}.led" not in unread:
        yield f"{signal.where}.led: missing; expected a name under /sys/class/leds"


def office_problems(office: Office, unread: Set[str] = frozenset()) -> Iterator[str]:
    """Keys that do not go together."""
    if "office.broker" in unread:
        return
    if not 0 < office.port < 65536:
        yield f"office.broker: read {shown(office.broker)}; expected a port from 1 to 65535"
    if not (office.encrypted or office.is_of_loopback or office.insecure or "office.insecure" in unread):
        yield (
            f"office.broker: read {shown(office.broker)}, which is not encrypted; expected mqtts://, or insecure = true where "
            "nobody else can listen"
        )
    if office.encrypted and office.insecure:
        yield "office.insecure: is only for mqtt://; leave it out"
    if not office.encrypted and office.ca_file is not None:
        yield "office.ca_file: is only for mqtts://; leave it out"
    if office.password_file is not None and office.user is None and "office.user" not in unread:
        yield "office.user: missing; expected the name that the password belongs to"


def own_rule_problems(rule: OwnRuleTable, unread: Set[str] = frozenset()) -> Iterator[str]:
    """Why a rule of the crew's own has nothing to judge by."""
    bounds = {"below": rule.below, "above": rule.above, "equals": rule.equals}
    given = [key for key, bound in bounds.items() if bound is not None]
    if len(given) != 1 and not any(f"{rule.where}.{key}" in unread for key in bounds):
        has = " and ".join(given) or "no bound"
        yield f"{rule.where}: {rule.name!r} has {has}; expected exactly one of below, above, equals"


def _time_zone(name: str | None) -> Iterator[str]:
    if name is None or name in (zones := zoneinfo.available_timezones()):
        return
    cities = {zone.rpartition("/")[2].lower(): zone for zone in sorted(zones) if "/" in zone}
    near = difflib.get_close_matches(name.strip().rpartition("/")[2].replace(" ", "_").lower()[:60], cities, 1, 0.8)
    example = f'"{cities[near[0]]}"' if near else 'a name such as "America/Denver"'
    yield f"post.time_zone: read {shown(name)}, which is not an IANA time zone; expected {example}"


def _page(page: Page, unread: Set[str]) -> Iterator[str]:
    if "page.listen" not in unread and not 0 < page.port < 65536:
        yield f"page.listen: read {shown(page.listen)}; expected a port from 1 to 65535"
    for one, other in (("certificate", "key"), ("key", "certificate")):
        if getattr(page, one) is not None and getattr(page, other) is None and f"page.{other}" not in unread:
            yield f"page.{other}: missing; expected the file that belongs to page.{one}"


def _project(project: Project, unread: Set[str]) -> Iterator[str]:
    if not project.is_local:
        if project.vertical is None and "project.vertical" not in unread:
            yield 'project.vertical: missing; expected "geoid" or "ellipsoidal": what the control\'s heights are above'
        if project.gnss_frame is not None:
            yield 'project.gnss_frame: is only for frame = "local"; leave it out'
        return
    if project.gnss_frame is None and "project.gnss_frame" not in unread:
        yield 'project.gnss_frame: missing; expected the frame of the marks\' latitudes and longitudes, such as "EPSG:6319"'
    if project.vertical is None and project.geoid != "bundled" and "project.vertical" not in unread:
        yield 'project.geoid: no height is above this grid; expected vertical = "geoid" with it'


def _kind_of_control(point: Control, project: Project, unread: Set[str]) -> Iterator[str]:
    """Too many or too few coordinates for this project's frame."""
    where = f"{point.where} ({on_one_line(point.name)})"
    keys = ("latitude", "longitude", "ellipsoidal_height", "easting", "northing")
    there = {key for key in keys if getattr(point, key) is not None or f"{point.where}.{key}" in unread}
    angles, lengths = {"latitude", "longitude"} & there, {"easting", "northing"} & there
    if not project.is_local:
        if sorted((len(angles), len(lengths))) != [0, 2]:
            yield f"{where}: expected either latitude and longitude, or easting and northing"
        if point.ellipsoidal_height is not None:
            yield f'{where}.ellipsoidal_height: is only for frame = "local"; leave it out'
        return
    if len(lengths) < 2:
        yield f"{where}: expected easting and northing on the site's own grid"
    missing = [key for key in keys[:3] if key not in there]
    if 0 < len(missing) < 3:
        yield f"{where}: {' and '.join(missing)} missing; expected all three, as GNSS measured the mark, or none"


def _impossible_control(point: Control) -> Iterator[str]:
    where = f"{point.where} ({on_one_line(point.name)})"
    if point.latitude is not None:
        yield from _angle_problem(f"{where}.latitude", point.latitude, "latitude")
    if point.longitude is not None:
        yield from _angle_problem(f"{where}.longitude", point.longitude, "longitude")
    for key, height in (("height", point.height), ("ellipsoidal_height", point.ellipsoidal_height)):
        if height is not None and not LOWEST_HEIGHT <= height <= HIGHEST_HEIGHT:
            yield f"{where}.{key}: read {shown(height)}; expected a height on land"


def _angle_problem(where: str, value: float | str, axis: Any) -> Iterator[str]:
    try:
        degrees(value, axis)
    except ValueError as error:
        yield f"{where}: {error}"


def _twice(site: Site) -> Iterator[str]:
    """What is there more than once, and may be there only once."""
    named: tuple[tuple[str, list[str]], ...] = (
        ("stream", [stream.name for stream in site.stream]),
        ("stream.port", [stream.port for stream in site.stream if stream.port != "loop://"]),
        ("project.control", [point.name for point in site.project.control] if site.project else []),
        ("own_rule", [rule.name for rule in site.own_rule]),
    )
    for what, names in named:
        yield from few(
            f"{what}: {shown(name)} is there {times} times; expected once"
            for name, times in Counter(names).items()
            if times > 1
        )
    pins = [signal.pin for signal in site.signal if signal.pin is not None] + ([site.button.pin] if site.button else [])
    for pin, times in sorted(Counter(pins).items()):
        if times > 1:
            yield f"signal: GPIO {pin} is used {times} times; expected one use"


def _too_many(site: Site) -> Iterator[str]:
    """More than a post has threads and a person has use for."""
    for what, there, most in (
        ("stream", site.stream, MOST_STREAMS),
        ("signal", site.signal, MOST_SIGNALS),
        ("own_rule", site.own_rule, MOST_OWN_RULES),
        ("other_base", site.other_base, MOST_OTHER_BASES),
    ):
        if len(there) > most:
            yield f"{what}: {len(there):,} of them; expected at most {most}"


def _bases(site: Site, table: Mapping[str, Any], unread: Set[str]) -> Iterator[str]:
    points = _listed_names(site, table, unread)
    written = {"base": table.get("base", {})}
    if isinstance(others := table.get("other_base"), list):
        written |= {f"other_base[{index}]": other for index, other in enumerate(others, 1)}
    bases = {base.where or "base": base for base in site.bases[: MOST_OTHER_BASES + 1]}
    for where, base in bases.items():
        yield from _occupied(where, base, written[where], points, unread)
    if len(bases) == 1:
        return
    taken: dict[int, str] = {}
    for where, base in bases.items():
        if where != "base" and base.kind != "own":
            yield f'{where}.kind: read "{base.kind}"; expected "own": another base stands over a mark of the project\'s'
        if base.station_ids is None and base.kind == "own" and f"{where}.station_id" not in unread:
            yield f"{where}.station_id: missing; expected its number, which tells it from the project's other bases"
        for number in sorted(base.station_ids or ()):
            if number in taken:
                yield f"{where}.station_id: {number} is also {taken[number]}'s; expected a number of its own"
            taken.setdefault(number, where)


def _occupied(where: str, base: Base, written: Mapping[str, Any], points: Set[str] | None, unread: Set[str]) -> Iterator[str]:
    if base.occupies is None:
        return
    if base.kind != "own":
        read = f'{where}.occupies: read {shown(base.occupies)} with kind = "{base.kind}"'
        yield f"{read}; leave it out: only an own base stands over a mark"
        return
    if points is not None and base.occupies not in points:
        yield f"{where}.occupies: {shown(base.occupies)} is not a listed control point; {_which_are(base.occupies, points)}"
    if "antenna_height_m" not in written and f"{where}.antenna_height_m" not in unread:
        yield f"{where}.antenna_height_m: missing; expected metres from the mark up to the ARP, 0 on the mark"


def _listed_names(site: Site, table: Mapping[str, Any], unread: Set[str]) -> Set[str] | None:
    """The names of all control points, also of those that could not be read whole; None where some name is not known."""
    project = table.get("project")
    tables = project.get("control", []) if isinstance(project, dict) else []
    if not isinstance(tables, list) or any(_NAMELESS.fullmatch(key) for key in unread):
        return None
    names = {point.name for point in site.project.control} if site.project else set()
    return names | {one["name"] for one in tables if isinstance(one.get("name"), str)}


def _which_are(name: str, points: Set[str]) -> str:
    if not points:
        return "expected it under [[project.control]]"
    if len(points) <= _MOST_NAMES:
        return f"expected one of {', '.join(on_one_line(point) for point in sorted(points))}"
    near = difflib.get_close_matches(name[:100], sorted(points)[:1000], 3)
    return (
        f"did you mean {' or '.join(on_one_line(one) for one in near)}?"
        if near
        else f"expected one of the {len(points):,} listed"
    )
