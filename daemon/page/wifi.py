"""The post's own Wi-Fi as its connection file says it (NetworkManager's keyfile format): for the card's QR code."""

from __future__ import annotations

import configparser
import re
from pathlib import Path
from typing import NamedTuple

from witnesspost.rules.site.file import NotReadable, bytes_of

_ADDRESS = re.compile(r"([0-9.]+)/\d+(,.*)?")
_BYTES = re.compile(r"(\d{1,3};)+")
_ESCAPES = {"s": " ", "n": "\n", "t": "\t", "r": "\r", "\\": "\\"}


class NotWifi(Exception):
    """The file is no connection of a Wi-Fi with a password; the text says what it is instead."""


class Wifi(NamedTuple):
    """A Wi-Fi: what it is called, its password, and the post's address in it (None: the file does not say)."""

    name: str
    password: str
    address: str | None


def read_wifi(path: str | Path) -> Wifi:
    """The Wi-Fi of a connection file. Raises NotWifi."""
    try:
        text = bytes_of(path).decode()
    except NotReadable as error:
        raise NotWifi(f"cannot be read: {error}") from None
    except UnicodeDecodeError:
        raise NotWifi("is not text") from None
    file = configparser.ConfigParser(interpolation=None, delimiters=("=",), strict=False)
    try:
        file.read_string(text)
    except configparser.Error:
        raise NotWifi("is not a NetworkManager connection file") from None
    name = _said(file.get("wifi", "ssid", fallback=""))
    if _BYTES.fullmatch(name):
        name = bytes(min(int(byte), 255) for byte in name.split(";")[:-1]).decode(errors="replace")
    password = _said(file.get("wifi-security", "psk", fallback=""))
    if not name or not password:
        raise NotWifi("names no Wi-Fi (wifi.ssid) with a password (wifi-security.psk)")
    address = _ADDRESS.fullmatch(file.get("ipv4", "address1", fallback=""))
    return Wifi(name, password, address[1] if address else None)


def _said(value: str) -> str:
    return re.sub(r"\\(.)", lambda escape: _ESCAPES.get(escape[1], escape[1]), value)
