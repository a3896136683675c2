"""`witnesspost card SITE -o card.html`: the sheet that hangs at the post, to print from any browser."""

from __future__ import annotations

import datetime as dt

import click
from witnesspost.daemon.atomic import CannotWrite, output
from witnesspost.daemon.cli import Unusable
from witnesspost.daemon.page.card import ExpectedAntenna
from witnesspost.daemon.page.card import card as card_of
from witnesspost.daemon.page.wifi import NotWifi, read_wifi
from witnesspost.rules.book.contents import open_whole_site
from witnesspost.rules.datum.geodesy import point_at
from witnesspost.rules.site.model import Base, Site, SiteError


@click.command()
@click.argument("site_file", metavar="SITE")
@click.option("--wifi", "wifi_file", metavar="FILE", help="The post's own Wi-Fi: the connection file that the installer wrote.")
@click.option(
    "-o", "--output", "out", required=True, metavar="FILE", help="Where to: a new .html file, or - for standard output."
)
def card(site_file: str, wifi_file: str | None, out: str) -> None:
    """Write a sheet of A4 to print from a browser: what light and sound mean on one side; on the other where SITE expects the
    base, the radio's settings, the control points, the first day's steps, the caution, and QR codes of the page and the Wi-Fi.

    The PIN and the Wi-Fi's password are on it: hang it where only the crew reads it.
    """
    try:
        site = open_whole_site(site_file)
        wifi = read_wifi(wifi_file) if wifi_file is not None else None
    except SiteError as error:
        raise Unusable(str(error)) from None
    except NotWifi as error:
        raise Unusable(f"{wifi_file}: {error}; expected the file that `systemd/install --wifi` wrote") from None
    antennas = {base.where or "base": _antenna(site, base) for base in site.bases if base.occupies}
    try:
        with output(out) as file:
            file.write(card_of(site, antennas, wifi, dt.datetime.now(site.post.zone).date()).encode())
    except CannotWrite as error:
        raise Unusable(str(error)) from None
    if out != "-":
        click.echo(f"{out}: open it in a browser and print it on A4, both sides", err=True)


def _antenna(site: Site, base: Base) -> ExpectedAntenna:
    arp = point_at(site, str(base.occupies), base.antenna_height_m)
    return ExpectedAntenna(*(getattr(arp, name) for name in ExpectedAntenna._fields))
