"""`witnesspost check SITE`: what is wrong with a site file, or what Witnesspost understood of it."""

from __future__ import annotations

import json
from typing import Any

import click
from witnesspost.daemon.cli import Unusable
from witnesspost.rules.book.contents import open_whole_site, rules_in_force
from witnesspost.rules.book.measures import MEASURES
from witnesspost.rules.datum.geodesy import expected_arp
from witnesspost.rules.engine.scene import Scene
from witnesspost.rules.site.model import Site, SiteError

_RADIO_ROWS = ("frequency_mhz", "protocol", "forward_error_correction", "air_rate_bps", "antenna_above_ground_m")


@click.command()
@click.argument("site_file", metavar="SITE", required=False)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead.")
@click.option("--measures", is_flag=True, help="List the measurements that an [[own_rule]] can use, and stop.")
def check(site_file: str | None, as_json: bool, measures: bool) -> None:
    """Check SITE (a site file) and print what it means: the antenna's expected place, radios, rules in force.

    Exit status 2 with every problem, a line each, where something is wrong.
    """
    if measures:
        for name, measure in sorted(MEASURES.items()):
            click.echo(f"{name:28} {measure.unit:8} {measure.meaning}")
        return
    if site_file is None:
        raise click.UsageError("name a site file (TOML), or ask for --measures")
    try:
        site = open_whole_site(site_file)
    except SiteError as error:
        raise Unusable(str(error)) from None
    understood = what_it_means(site)
    click.echo(json.dumps(understood, ensure_ascii=False) if as_json else in_words(site, understood))


def what_it_means(site: Site) -> dict[str, Any]:
    """What Witnesspost understood: the object of `check --json`. Lengths in metres, angles in degrees."""
    arp = expected_arp(site)
    place = None
    if arp is not None:
        place = {
            "x_m": arp.x_m,
            "y_m": arp.y_m,
            "z_m": arp.z_m,
            "latitude": arp.latitude,
            "longitude": arp.longitude,
            "ellipsoidal_height_m": arp.ellipsoidal_height_m,
        }
    return {
        "post": site.post.name,
        "role": site.post.role,
        "streams": {stream.name: stream.port for stream in site.stream},
        "expected_arp": place,
        "separation_m": arp.separation_m if arp else None,
        "geoid": arp.geoid if arp else None,
        "geoid_error_m": arp.geoid_error_m if arp else None,
        "frame": arp.frame if arp else None,
        "frame_name": arp.frame_name if arp else None,
        "epoch": arp.epoch if arp else None,
        "station_id": site.base.station_id,
        "antenna": site.base.antenna or None,
        "radio": {end: {row: getattr(getattr(site.radio, end), row) for row in _RADIO_ROWS} for end in ("base", "rover")},
        "rules": [rule.name for rule in rules_in_force(site, Scene(site))],
    }


def in_words(site: Site, understood: dict[str, Any]) -> str:
    """The same for a person, a screenful."""
    lines = [f"{site.path}: good. Post {site.post.name}, at the {site.post.role}."]
    lines += [f"  stream {s.name}: {s.port}, {s.baud} baud, carries {' and '.join(s.carries)}" for s in site.stream]
    arp = understood["expected_arp"]
    if arp is None:
        lines.append(
            "  no base point: whether the base is where it should be is not judged ([base] occupies, [[project.control]])"
        )
    else:
        lines += [
            f"  expected antenna reference point over {site.base.occupies} ({understood['frame']}, {understood['frame_name']}"
            + (f", epoch {understood['epoch']:g}" if understood["epoch"] else "")
            + f", {site.base.antenna_height_m:.4f} m above the mark):",
            f"    X {arp['x_m']:16.4f}   Y {arp['y_m']:16.4f}   Z {arp['z_m']:16.4f} m",
            f"    latitude {arp['latitude']:.9f}   longitude {arp['longitude']:.9f}   h {arp['ellipsoidal_height_m']:.4f} m",
        ]
        if understood["separation_m"] is not None:
            stated = f", stated error {understood['geoid_error_m']:.2f} m" if understood["geoid_error_m"] else ""
            lines.append(f"    geoid separation {understood['separation_m']:+.3f} m ({understood['geoid']}{stated})")
    for what in ("corrections", "positions") if site.post.role == "rover" else ("corrections",):
        if not any(what in stream.carries for stream in site.stream):
            lines.append(f"  no stream carries {what}: the rules that need them judge nothing")
    station = understood["station_id"]
    lines.append(f"  station ID: {'not named: any base counts as ours' if station is None else station}")
    rows = [
        f"    {row:26}{_said(getattr(site.radio.base, row)):>20}{_said(getattr(site.radio.rover, row)):>20}"
        for row in _RADIO_ROWS
        if getattr(site.radio.base, row) is not None or getattr(site.radio.rover, row) is not None
    ]
    lines += [f"  {'radio':28}{'base':>20}{'rover':>20}", *rows] if rows else ["  radio tables: none"]
    lines.append(f"  rules in force: {', '.join(understood['rules'])}")
    return "\n".join(lines)


def _said(value: object) -> str:
    return "not said" if value is None else str(value)
