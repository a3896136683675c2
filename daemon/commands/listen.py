"""`witnesspost listen PORT…`: what comes on this port, at which speed, from whom; and a site file begun from it."""

from __future__ import annotations

import concurrent.futures
import math
import sys
from collections.abc import Iterator
from typing import Any

import click
import msgspec
from witnesspost.daemon.atomic import CannotWrite, expect_new, new_file
from witnesspost.daemon.cli import Unusable
from witnesspost.daemon.lines import QUALITY_WORDS
from witnesspost.daemon.screen import Look, plain
from witnesspost.daemon.stream.listening import BAUDS, LISTEN_S, Heard
from witnesspost.daemon.stream.listening import listen as listened
from witnesspost.daemon.stream.ports import in_short, open_port
from witnesspost.rules.coordinates import Ecef
from witnesspost.rules.gnss import FixQuality
from witnesspost.rules.site.model import Site, SiteError

_LONGEST_S = 600.0
_MESSAGES_NAMED = 20
_AND_NOW = {
    "in use by another program": "in use by another program; a post that watches it must be stopped first",
    "not there yet": "not there; is it plugged in, and is this its name?",
    "Connection refused": "connection refused; is the other end on, and is this its port?",
}
_FAR_M = 100_000.0  # a control point that is farther off is another site's


@click.command()
@click.argument("ports", metavar="PORT…", nargs=-1, required=True)
@click.option("--baud", type=click.IntRange(50, 4_000_000), metavar="N", help="Try this speed alone.")
@click.option(
    "--for",
    "for_s",
    type=click.FloatRange(1, _LONGEST_S),
    default=LISTEN_S,
    metavar="SECONDS",
    show_default=True,
    help="How long to listen once the speed is found.",
)
@click.option("--site", "site_file", metavar="SITE", help="Name the nearest control point of this site file.")
@click.option("--write", "write", metavar="SITE.toml", help="Begin a site file from what came; it must not exist.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a port.")
def listen(
    ports: tuple[str, ...], baud: int | None, for_s: float, site_file: str | None, write: str | None, as_json: bool
) -> None:
    """Listen on each PORT (a device, or socket://host:port), find its speed, and say what comes.

    Counts the messages, names the base's station and its coordinate, and the receiver's position and quality. Stop the post
    first: it holds its ports. Exit status 1 where a port is silent, or nothing that comes is known here.

    \b
    witnesspost listen /dev/ttyUSB0 /dev/ttyACM0
    witnesspost listen /dev/ttyUSB0 --site kestrel-base.toml
    witnesspost listen /dev/ttyUSB0 socket://192.168.8.1:2101 --write kestrel-rover.toml
    """
    site = _site(site_file) if site_file is not None else None
    if write is not None:
        try:
            expect_new(write)
        except CannotWrite as error:
            raise Unusable(str(error)) from None
    names = list(dict.fromkeys(ports))
    with concurrent.futures.ThreadPoolExecutor(len(names)) as pool:
        waiting = [pool.submit(_heard, name, baud, for_s) for name in names]
        found = [future.result() for future in waiting]
    look = Look.of_output()
    heard = [one for one in found if isinstance(one, Heard)]
    for one in heard:
        click.echo(msgspec.json.encode(one).decode() if as_json else "\n".join(_told(one, site, look)))
    if write is not None and any(one.makes_sense for one in heard):
        _begin(write, heard)
    if failed := [one for one in found if isinstance(one, str)]:
        raise Unusable("\n".join(failed))
    if not all(one.makes_sense for one in heard):
        raise SystemExit(1)


def _heard(name: str, baud: int | None, for_s: float) -> Heard | str:
    """What came; or why the port cannot be used, in a line."""
    bauds = (0,) if "://" in name and not name.startswith("rfc2217://") else (baud,) if baud is not None else BAUDS

    def tries(at: int) -> None:
        if sys.stderr.isatty():
            click.echo(f"{plain(name)}: listens{f' at {at} baud' if at else ''} …", err=True)

    try:
        return listened(name, lambda at: open_port(name, at), bauds, listen_s=for_s, tries=tries)
    except Exception as error:
        why = in_short(error, name)
        return f"{plain(name)}: {_AND_NOW.get(why, why)}"


def _site(path: str) -> Site:
    from witnesspost.rules.book.contents import open_whole_site

    try:
        return open_whole_site(path)
    except SiteError as error:
        raise Unusable(str(error)) from None


def _told(heard: Heard, site: Site | None, look: Look) -> Iterator[str]:
    """What came on one port, for a person."""
    name = plain(heard.port)
    if not heard.size_bytes:
        yield from look.wrapped(
            f"{name}: silent: nothing came. Is the cable in, and is the other end switched on?", hanging="  "
        )
        return
    if not heard.makes_sense:
        yield from look.wrapped(f"{name}: {heard.size_bytes} bytes came, and nothing among them is known here.", hanging="  ")
        if heard.rtcm2_words:
            yield from look.wrapped("They look like RTCM 2: set the base to RTCM 3.", "  ")
        yield from look.wrapped(
            "Neither RTCM 3 nor NMEA 0183 at any speed that was tried. A receiver's own binary format? Then switch NMEA or "
            "RTCM 3 on there. A radio that scrambles, or another speed? Then name it with --baud.",
            "  ",
        )
        return
    speed = f" at {heard.baud} baud" if heard.baud else ""
    yield from look.wrapped(f"{name}: {heard.size_bytes / heard.for_s:.0f} bytes/s{speed}", hanging="  ")
    counts = [f"{message} × {count}" for message, count in heard.messages.most_common(_MESSAGES_NAMED)]
    more = f" and {len(heard.messages) - _MESSAGES_NAMED} more kinds" if len(heard.messages) > _MESSAGES_NAMED else ""
    yield from look.wrapped(f"messages in {heard.for_s:.0f} s: {', '.join(counts)}{more}", "  ", "  ")
    if heard.bad or heard.other_bytes:
        yield from look.wrapped(
            f"{heard.bad} broken, and {heard.other_bytes} bytes that are neither RTCM 3 nor NMEA", "  ", "  "
        )
    for station_id in sorted({*heard.epochs, *heard.stations}):
        yield from look.wrapped(_station(heard, station_id, site), "  ", "  ")
    if heard.fix is not None:
        yield from look.wrapped(_receiver(heard, site), "  ", "  ")


def _station(heard: Heard, station_id: int, site: Site | None) -> str:
    station, antenna = heard.stations.get(station_id), heard.antennas.get(station_id)
    words = [f"station {station_id}: {heard.epochs[station_id]} sets of observations"]
    if station is None:
        words.append("it has not said its position")
    else:
        from witnesspost.rules.datum.geodesy import to_geodetic

        ecef = Ecef(station.x_m, station.y_m, station.z_m)
        latitude, longitude, h_m = to_geodetic(ecef)
        words.append(
            f"its antenna at {latitude:.8f}, {longitude:.8f}, {h_m:.3f} m above the ellipsoid (message {station.message})"
        )
        if station.antenna_height_m:
            words.append(f"{station.antenna_height_m:.3f} m above its mark")
        words += _nearest(ecef, site, station.antenna_height_m or 0.0)
    if antenna is not None and antenna.descriptor.strip():
        words.append(f"antenna {plain(antenna.descriptor.strip())}")
    return ", ".join(words)


def _receiver(heard: Heard, site: Site | None) -> str:
    fix = heard.fix
    assert fix is not None
    words = [f"receiver: {QUALITY_WORDS.get(fix.quality, f'quality {fix.quality}')}"]
    if fix.latitude is not None and fix.longitude is not None:
        words.append(f"{fix.latitude:.7f}, {fix.longitude:.7f}")
    if fix.height_m is not None:
        words.append(f"{fix.height_m:.3f} m above its geoid")
    if fix.satellites is not None:
        words.append(f"{fix.satellites} satellites")
    words.append(f"{heard.fixes} positions in {heard.for_s:.0f} s")
    if None not in (fix.latitude, fix.longitude, fix.height_m):
        from witnesspost.rules.datum.geodesy import to_ecef
        from witnesspost.rules.gnss import WGS84

        ecef = to_ecef(fix.latitude or 0.0, fix.longitude or 0.0, (fix.height_m or 0.0) + (fix.separation_m or 0.0), WGS84)
        words += _nearest(ecef, site, site.rover.pole_height_m if site is not None else 0.0)
    return ", ".join(words)


def _nearest(ecef: Ecef, site: Site | None, raised_m: float) -> list[str]:
    """The nearest control point, in plan, and how far off the place is from it."""
    if site is None or site.project is None or not site.project.control:
        return []
    from witnesspost.rules.datum.verdict import Datum

    datum = Datum(site)
    offsets = [
        (datum.offset(ecef, point), point.point) for point in (datum.point(c.name, raised_m) for c in site.project.control)
    ]
    offset, point = min(offsets, key=lambda one: math.hypot(one[0].east_m, one[0].north_m))
    across_m = math.hypot(offset.east_m, offset.north_m)
    if across_m > _FAR_M:
        return [f"no control point of the site file within {_FAR_M / 1000:.0f} km"]
    up = f"{offset.up_m:+.3f}".replace("-", "−")
    return [f"{across_m:.3f} m from {point} ({up} m up, {raised_m:.3f} m above the mark taken off)"]


def _begin(path: str, heard: list[Heard]) -> None:
    """A site file from what came: what is sure is set, what a person must say is in its comments."""
    sense = [one for one in heard if one.makes_sense]
    stations = {station_id: one.stations.get(station_id) for one in sense for station_id in (*one.epochs, *one.stations)}
    antennas = [antenna for one in sense for antenna in one.antennas.values()]
    corrected = any(one.fix is not None and one.fix.quality in (FixQuality.RTK_FIXED, FixQuality.RTK_FLOAT) for one in sense)
    role = "rover" if corrected else "base"
    lines = [
        "# Begun by `witnesspost listen`: what came on the ports. Complete it, then `witnesspost check` it.",
        "[post]",
        f'name = "my-{role}"                 # letters, digits, hyphens',
        f'role = "{role}"                    # "base" or "rover"',
        'log_dir = "log"',
        '# time_zone = "America/Denver"    # people read local time then',
    ]
    for number, one in enumerate(sense):
        lines += ["", "[[stream]]", f"name = {_text(_stream_name(one, number))}", f"port = {_text(one.port)}"]
        lines += [f"baud = {one.baud}"] if one.baud else []
        lines += [f"carries = [{', '.join(map(_text, one.carries or ['positions']))}]"]
    lines += ["", "[base]", '# occupies = "KQ-1"               # the control point under the base, listed below']
    if len(stations) == 1:
        lines.append(f"station_id = {next(iter(stations))}")
    elif stations:
        lines.append(
            f"# station_id = {min(stations)}                # several were heard: {', '.join(map(str, sorted(stations)))}"
        )
    for station_id, station in sorted(stations.items()):
        if station is not None:
            lines.append(f"# station {station_id} says x {station.x_m:.4f}, y {station.y_m:.4f}, z {station.z_m:.4f} m")
            if station.antenna_height_m and len(stations) == 1:
                lines.append(f"antenna_height_m = {station.antenna_height_m:.4f}          # as it says; measure it")
    if len({antenna.descriptor for antenna in antennas}) == 1:
        lines.append(f"antenna = {_text(antennas[0].descriptor.strip())}")
    lines += [
        "",
        "# [project]",
        '# frame = "EPSG:6319"             # of the control',
        '# vertical = "geoid"              # or "ellipsoidal"',
        "# [[project.control]]",
        '# name = "KQ-1"',
        "# latitude = 39.1234567",
        "# longitude = -104.9876543",
        "# height = 1874.322",
        "",
    ]
    try:
        with new_file(path) as written:
            written.write_text("\n".join(lines), encoding="utf-8")
    except CannotWrite as error:
        raise Unusable(str(error)) from None
    click.echo(f"{path}: begun; complete it, then witnesspost check {path}", err=True)


def _stream_name(heard: Heard, number: int) -> str:
    name = "corrections" if heard.carries == ["corrections"] else "receiver"
    return name if number == 0 else f"{name}-{number + 1}"


def _text(value: Any) -> str:
    """A TOML string: TOML's basic strings have JSON's escapes."""
    return msgspec.json.encode(plain(str(value))).decode()
