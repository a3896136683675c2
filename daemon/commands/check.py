"""`witnesspost check SITE`: what is wrong with a site file, or what Witnesspost understood of it and what to look at."""

from __future__ import annotations

import json
import os
import re
import stat
from collections.abc import Iterator
from typing import Any

import click
from msgspec import structs
from witnesspost.daemon.cli import Unusable
from witnesspost.daemon.publish.secret import why_not_secret
from witnesspost.daemon.screen import PLAIN, Look
from witnesspost.daemon.stream.ports import SCHEMES, no_address
from witnesspost.rules.book.contents import open_whole_site, rules_in_force
from witnesspost.rules.book.measures import MEASURES
from witnesspost.rules.book.reach import cannot_judge
from witnesspost.rules.datum.geodesy import ExpectedArp, point_at
from witnesspost.rules.engine.scene import Scene
from witnesspost.rules.gnss import HEIGHT_UNIT_M
from witnesspost.rules.site.model import Base, Office, Page, Radio, Site, SiteError, Stream

_RADIO_ROWS = ("frequency_mhz", "protocol", "forward_error_correction", "air_rate_bps", "antenna_above_ground_m")
_CELLS = re.compile(r"(?<=\S) {3}(?=[A-Za-z])")  # what stands side by side: a figure does not stand apart from its name
_FREQUENCIES_MHZ = (100.0, 1000.0)  # radio modems work well within: common practice, no source
_HIGHEST_ANTENNA_M = 4.0  # nobody measures higher on a tripod: common practice, no source


@click.command()
@click.argument("site_file", metavar="SITE", required=False)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead.")
@click.option("--measures", is_flag=True, help="List the measurements that an [[own_rule]] can use, and stop.")
def check(site_file: str | None, as_json: bool, measures: bool) -> None:
    """Check SITE (a site file) and print what it means: the antenna's expected place, radios, rules in force.

    Where something is wrong, every problem is printed, a line each, with exit status 2. What may be right but deserves a look
    is listed at the end.
    """
    look = Look.of_output()
    if measures:
        for name, measure in sorted(MEASURES.items()):
            _echo(look, f"{name:28} {measure.unit:8} {measure.meaning}")
        return
    if site_file is None:
        raise click.UsageError("name a site file (TOML), or ask for --measures")
    try:
        site = open_whole_site(site_file)
    except SiteError as error:
        raise Unusable(str(error)) from None
    understood = what_it_means(site)
    if as_json:
        click.echo(json.dumps(understood, ensure_ascii=False))
        return
    for line in in_words(site, understood, look):
        narrow = look.width is not None and len(line) > look.width
        for cell in _CELLS.sub("\n    ", line).splitlines() if narrow else [line]:
            _echo(look, cell)


def _echo(look: Look, line: str) -> None:
    click.echo("\n".join(look.laid(line)))


def what_it_means(site: Site) -> dict[str, Any]:
    """What Witnesspost understood: the object of `check --json`. Lengths in metres, angles in degrees."""
    arps = {base.where or "base": point_at(site, base.occupies, base.antenna_height_m) for base in site.bases if base.occupies}
    arp = arps.get("base")
    rules = [rule.name for rule in rules_in_force(site, Scene(site))]
    project = site.project
    return {
        "post": site.post.name,
        "role": site.post.role,
        "time_zone": site.post.time_zone or "UTC",
        "streams": {stream.name: stream.port for stream in site.stream},
        "control_points": len(project.control) if project else 0,
        "frame": project.frame if project else None,
        "frame_name": arp.frame_name if arp else None,
        "gnss_frame_name": arp.gnss_name if arp else None,
        "frame_accuracy_m": arp.plan_error_m if arp else None,
        "epoch": project.epoch if project else None,
        "calibration": _calibration(site),
        "expected_arp": _place(arp) if arp else None,
        "separation_m": arp.separation_m if arp else None,
        "geoid": arp.geoid if arp else None,
        "geoid_error_m": arp.geoid_error_m if arp else None,
        "base_kind": site.base.kind,
        "station_id": site.base.station_id,
        "antenna": site.base.antenna or None,
        "other_bases": [
            {
                "occupies": base.occupies,
                "station_id": base.station_id,
                "expected_arp": _place(arps[base.where]) if base.occupies else None,
            }
            for base in site.other_base
        ],
        "radio": {end: {row: getattr(getattr(site.radio, end), row) for row in _RADIO_ROWS} for end in ("base", "rover")},
        "office": _office(site.office),
        "rules": rules,
        "cannot_judge": cannot_judge(site, rules),
        "look_at": [*_datum_notes(site), *warnings(site)],
    }


def in_words(site: Site, understood: dict[str, Any], look: Look = PLAIN) -> Iterator[str]:
    """The same for a person, a screenful."""
    yield f"{site.path}: good. Post {site.post.name}, at the {site.post.role}. Times in {understood['time_zone']}."
    for stream in site.stream:
        speed = "" if stream.port.startswith("socket://") else f", {stream.baud} baud"
        yield f"  stream {stream.name}: {stream.port}{speed}, carries {' and '.join(stream.carries)}"
    yield from _project_in_words(site, understood)
    for base in site.bases:
        yield from _base_in_words(site, base)
    yield from _radio_in_words(site.radio, look)
    if (office := understood["office"]) is not None:
        places = "as it knows them" if office["precise"] else "to 0.01°"
        yield f"  office: {office['broker']}, as {office['topic']}/{site.post.name}; places {places}"
    mute = understood["cannot_judge"]
    yield f"  rules that judge: {', '.join(rule for rule in understood['rules'] if rule not in mute)}"
    for why in dict.fromkeys(mute.values()):
        yield f"  cannot judge here: {', '.join(rule for rule in mute if mute[rule] == why)} ({why})"
    for note in understood["look_at"]:
        yield f"  look: {note}"


def _radio_in_words(radio: Radio, look: Look) -> Iterator[str]:
    rows = [(row, getattr(radio.base, row), getattr(radio.rover, row)) for row in _RADIO_ROWS]
    said = [(f"  {row}", _said(base), _said(rover)) for row, base, rover in rows if base is not None or rover is not None]
    if not said:
        yield "  radio tables: none"
        return
    table = [("radio", "base", "rover"), *said]
    base_width, rover_width = (max(20, *(len(row[column]) + 2 for row in table)) for column in (1, 2))
    if look.width is not None and look.width < 30 + base_width + rover_width:
        yield "  radio:"
        for row, base, rover in said:
            yield f"  {row}: {f'{base} at both' if base == rover else f'base {base}, rover {rover}'}"
        return
    for row, base, rover in table:
        yield f"  {row:28}{base:>{base_width}}{rover:>{rover_width}}"


def warnings(site: Site) -> Iterator[str]:
    """What may be right but seldom is: sentences."""
    for stream in site.stream:
        yield from _port_warnings(stream)
    for end in ("base", "rover"):
        frequency = getattr(site.radio, end).frequency_mhz
        if frequency is not None and not _FREQUENCIES_MHZ[0] <= frequency <= _FREQUENCIES_MHZ[1]:
            yield f"radio.{end}.frequency_mhz is {frequency:g}: radio modems work between 100 and 1,000 MHz. Is its unit right?"
    for base in site.bases:
        if base.antenna_height_m > _HIGHEST_ANTENNA_M:
            yield (
                f"{base.where or 'base'}.antenna_height_m is {base.antenna_height_m:g}: over 4 m. "
                "Expected metres from the mark up to the antenna reference point."
            )
    if site.project is not None and site.base.kind == "own" and site.base.occupies is None:
        yield "base.occupies is not given: whether the base is where it should be is not judged."
    if site.page is not None:
        yield from _page_warnings(site, site.page)
    if site.office is not None:
        yield from _office_warnings(site, site.office)


def _page_warnings(site: Site, page: Page) -> Iterator[str]:
    if page.pin is None and not page.is_of_loopback:
        yield f"page.pin is not given: the page listens on {page.host}:{page.port}, where no phone reaches it."
    if page.pin is not None and (rights := _rights(site.path)) & 0o004:
        mend = f"chgrp witnesspost {site.path} && chmod 640 {site.path}"
        yield f"page.pin: anybody on this machine may read it in {site.path} (its rights are {rights:04o}): {mend}"
    for key in ("certificate", "key"):
        name = getattr(page, key)
        if name is not None and not os.access(site.file(name), os.R_OK):
            yield f"page.{key}: {site.file(name)} cannot be read: the page does not come up without it."


def _rights(path: str) -> int:
    try:
        return stat.S_IMODE(os.stat(path).st_mode)
    except OSError:
        return 0


def _office(office: Office | None) -> dict[str, Any] | None:
    if office is None:
        return None
    return {"broker": office.broker, "topic": office.topic, "user": office.user, "precise": office.precise}


def _office_warnings(site: Site, office: Office) -> Iterator[str]:
    if office.password_file is not None and (why := why_not_secret(site.file(office.password_file))) is not None:
        yield f"office.password_file: {why}: the office's link stays down without it."
    if office.ca_file is not None and not os.access(site.file(office.ca_file), os.R_OK):
        yield f"office.ca_file: {site.file(office.ca_file)} cannot be read: the office's link stays down without it."


def _port_warnings(stream: Stream) -> Iterator[str]:
    scheme, separator, _ = stream.port.partition("://")
    where = f"stream {stream.name}: {stream.port}"
    if separator:
        if scheme not in SCHEMES:
            yield f"{where} begins with none of the known kinds of port: {', '.join(SCHEMES)}."
        elif (why := no_address(stream.port)) is not None:
            yield f"{where} {why}."
        return
    if not stream.port.startswith("/"):
        yield f"{where} is not a device name: one begins with /dev/, such as /dev/ttyUSB0."
        return
    try:
        mode = os.stat(stream.port).st_mode
    except OSError:
        yield f"{where} is not there now. The post waits for it."
        return
    if not stat.S_ISCHR(mode):
        yield f"{where} is not a device: look at its name."


def _datum_notes(site: Site) -> list[str]:
    if site.project is None or not site.project.control:
        return []
    from witnesspost.rules.datum.check import datum_notes

    return datum_notes(site)


def _calibration(site: Site) -> dict[str, Any] | None:
    if site.project is None or not site.project.is_local or not site.project.control:
        return None
    from witnesspost.rules.datum.opening import open_frame

    fit = open_frame(site).calibration
    assert fit is not None
    return {
        "scale": fit.scale,
        "rotation_degrees": fit.rotation_degrees,
        "inclined": fit.inclined,
        "slope_ppm": fit.slope_ppm,
        "residuals": [structs.asdict(residual) for residual in fit.residuals],
    }


def _place(arp: ExpectedArp) -> dict[str, float]:
    return {
        "x_m": arp.x_m,
        "y_m": arp.y_m,
        "z_m": arp.z_m,
        "latitude": arp.latitude,
        "longitude": arp.longitude,
        "ellipsoidal_height_m": arp.ellipsoidal_height_m,
        "mark_height_m": arp.mark_height_m,
        "antenna_height_m": arp.antenna_height_m,
    }


def _project_in_words(site: Site, understood: dict[str, Any]) -> Iterator[str]:
    project = site.project
    if project is None:
        yield "  no [project]: coordinates are not judged"
        return
    epoch = f", epoch {project.epoch:g}" if project.epoch is not None else ""
    count = len(project.control)
    points = "1 control point" if count == 1 else f"{count:,} control points"
    yield f"  project: {points}, {project.frame}{epoch}"
    fit = understood["calibration"]
    if fit is None:
        return
    ppm = 1e6 * (fit["scale"] - 1.0)
    plane = f"a plane that leans {fit['slope_ppm']:.0f} ppm" if fit["inclined"] else "a shift"
    yield (
        f"    own grid against {project.gnss_frame}: scale {fit['scale']:.8f} ({ppm:+.0f} ppm), "
        f"rotation {fit['rotation_degrees']:+.5f}°, heights by {plane}"
    )
    for left in fit["residuals"]:
        yield f"    {left['name']:12} left: east {left['east_m']:+.3f}  north {left['north_m']:+.3f}  up {left['up_m']:+.3f} m"


def _base_in_words(site: Site, base: Base) -> Iterator[str]:
    where = base.where or "base"
    numbers = base.station_ids
    station = "any station" if numbers is None else f"station {' or '.join(str(one) for one in sorted(numbers))}"
    kind = {"own": "over its mark", "network": "a network's", "moving": "moving"}[base.kind]
    if base.occupies is None:
        place = "over a point that is not listed" if base.kind == "own" else kind
        yield f"  {where}: {place}, {station}"
        return
    arp = point_at(site, base.occupies, base.antenna_height_m)
    to = f", to {arp.plan_error_m:.2g} m" if arp.plan_error_m else ""
    yield f"  {where}: over {base.occupies}, {station}; its antenna reference point is expected at ({arp.gnss_name}{to})"
    yield f"    X {arp.x_m:16.4f}   Y {arp.y_m:16.4f}   Z {arp.z_m:16.4f} m"
    yield f"    latitude {arp.latitude:.9f}   longitude {arp.longitude:.9f}   h {arp.ellipsoidal_height_m:.4f} m"
    yield f"    {_sum(site, arp)}"


def _sum(site: Site, arp: ExpectedArp) -> str:
    """Where the height comes from: H + N + antenna height = h."""
    project = site.project
    assert project is not None
    antenna = f"antenna {arp.antenna_height_m:.4f} = h {arp.ellipsoidal_height_m:.4f} m"
    control = site.control_point(arp.point)
    assert control is not None
    unit = project.height_unit
    read = f" ({control.height:g} {unit} = {control.height * HEIGHT_UNIT_M[unit]:.4f} m)" if unit != "m" else ""
    if not arp.above_geoid or arp.separation_m is None:
        return f"mark, ellipsoidal {arp.mark_height_m:.4f} + {antenna}{read}"
    height = arp.mark_height_m - arp.separation_m
    if project.is_local:
        what = "plane" if project.vertical != "geoid" else "geoid and plane"
        return f"site height {height:.4f} + {what} {arp.separation_m:+.4f} + {antenna}{read}"
    stated = f", stated error {arp.geoid_error_m:.2f} m" if arp.geoid_error_m else ""
    return f"H {height:.4f} + N {arp.separation_m:+.4f} + {antenna}{read} (N: {arp.geoid}{stated})"


def _said(value: object) -> str:
    return "not said" if value is None else str(value)
