"""What every answer of a page has: its head, its own files, and the name by which it was asked for."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable
from functools import cache
from importlib import resources

from microdot.microdot import Request, Response
from witnesspost.daemon.page.html import Html

SECURITY = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",  # with no-referrer a browser says no Origin either
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}
LOOPBACK = ("127.0.0.1", "localhost", "[::1]")
"""Names of this machine to itself: another name that leads here is somebody's trick (DNS rebinding)."""

_OWN_ENDS = ("", ".local", ".home.arpa", ".lan")  # RFC 6762, RFC 8375; .lan is common practice: nobody can have one outside


def html_answer(text: Html, status: int = 200) -> Response:
    """A page."""
    return Response(str(text), status, {"Content-Type": "text/html"})


def plain_answer(text: str, status: int) -> Response:
    """A line."""
    return Response(f"{text}\n" if text else "", status, {"Content-Type": "text/plain"})


def host_of(request: Request) -> str:
    """The name and port by which it was asked for."""
    return str(request.headers.get("Host", ""))


def is_own_name(request: Request, names: Iterable[str]) -> bool:
    """True if it was asked for by an IP address, as localhost or by one of `names`: no foreign name that points here."""
    host, colon, port = host_of(request).lower().rpartition(":")
    name = host if colon and port.isdecimal() else host_of(request).lower()
    try:
        ipaddress.ip_address(name.removeprefix("[").removesuffix("]"))
    except ValueError:
        return name == "localhost" or name in {f"{one.lower()}{end}" for one in names for end in _OWN_ENDS if one}
    return True


@cache
def own_file(name: str) -> bytes:
    """A file of the page's."""
    return resources.files("witnesspost.daemon.page").joinpath(name).read_bytes()
