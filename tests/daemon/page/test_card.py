"""The printed card: what stands on it, its QR codes read by a decoder of others, and two pages of A4 in a real browser."""

import datetime as dt
import html
import re
import shutil
import subprocess
import xml.etree.ElementTree as ET

import numpy as np
import pytest
import zxingcpp
from click.testing import CliRunner
from witnesspost.daemon.cli import main
from witnesspost.daemon.page.card import MOST_BESIDE_TWO_BASES, card, page_address
from witnesspost.daemon.page.timelines import DRAWN_MS
from witnesspost.daemon.page.wifi import NotWifi, Wifi, read_wifi
from witnesspost.daemon.signals.patterns import PATTERNS
from witnesspost.rules.book.contents import FIGURES
from witnesspost.rules.site.reading import site_from_toml

SITE = """
[post]
name = "kestrel-base"
role = "base"
[[stream]]
name = "corrections"
port = "loop://"
carries = ["corrections"]
[project]
name = "Kestrel quarry haul road"
frame = "EPSG:6319"
epoch = 2010.0
vertical = "ellipsoidal"
[[project.control]]
name = "KQ-1"
latitude = 39.1234567
longitude = "104 59 15.5555 W"
height = 1874.322
[base]
occupies = "KQ-1"
station_id = 417
antenna_height_m = 1.843
[radio.base]
protocol = "<b>transparent</b>"
[page]
listen = "0.0.0.0:8017"
pin = "482913"
"""
WIFI = r"""
[wifi]
mode=ap
ssid=kestrel base; 7
[wifi-security]
psk=a\\b:c;d,e"f
[ipv4]
address1=10.88.17.1/24
"""
POINT = """
[[project.control]]
name = "{0}{1}"
latitude = "39 07 24.444123 N"
longitude = "104 59 15.555512 W"
height = 1874.322
"""
needs_chromium = pytest.mark.skipif(shutil.which("chromium") is None, reason="no Chromium here")


def site_of(text=SITE):
    return site_from_toml(text, "site.toml", FIGURES)


def made(tmp_path, site=SITE, wifi=WIFI):
    (tmp_path / "site.toml").write_text(site)
    (tmp_path / "w.nmconnection").write_text(wifi)
    command = [
        "card",
        str(tmp_path / "site.toml"),
        "--wifi",
        str(tmp_path / "w.nmconnection"),
        "-o",
        str(tmp_path / "card.html"),
    ]
    done = CliRunner().invoke(main, command)
    assert done.exit_code == 0, done.stderr
    return (tmp_path / "card.html").read_text()


def codes_of(text):
    """What a phone would read in each QR code of the card: its path drawn into a picture, and decoded by ZXing."""
    for drawn in re.findall(r'<svg xmlns="http://www.w3.org/2000/svg".*?</svg>', text, re.S):
        svg = ET.fromstring(drawn)
        size = int(svg.get("viewBox").split()[2])
        picture = np.full((size, size), 255, np.uint8)
        (path,) = (one for one in svg.iter() if one.get("stroke"))
        x = y = 0.0
        for letter, first, second in re.findall(r"([Mmh])(-?[\d.]+)[ ,]?(-?[\d.]+)?", path.get("d")):
            if letter == "M":
                x, y = float(first), float(second)
            elif letter == "m":
                x, y = x + float(first), y + float(second)
            else:
                picture[int(y), int(x) : int(x + float(first))] = 0
                x += float(first)
        (read,) = zxingcpp.read_barcodes(np.kron(picture, np.ones((4, 4), np.uint8)))
        yield read.text


def test_a_phone_reads_the_wifi_and_the_pages_address(tmp_path):
    """The Wi-Fi's text as its common form has it: backslash, semicolon, comma, colon and quote escaped (ZXing's wiki)."""
    wifi, page = codes_of(made(tmp_path))
    assert page == "http://10.88.17.1:8017/"
    assert wifi.startswith("WIFI:T:WPA;S:kestrel base\\; 7;P:")
    password = re.search(r"P:((?:\\.|[^;])*);", wifi)[1]
    assert re.sub(r"\\(.)", r"\1", password) == 'a\\b:c;d,e"f'


def test_all_that_belongs_there_is_there(tmp_path):
    text = made(tmp_path)
    shown = html.unescape(re.sub(r"<[^>]+>", " ", text)).replace("\N{NO-BREAK SPACE}", " ")
    for what in ("KQ-1", "station 417", "1.843 m", "39.123456700°", "h 1876.1650 m", "482913", "kestrel base; 7"):
        assert what in shown
    for pattern in PATTERNS.values():
        assert pattern.meaning in shown
        assert pattern.seen in shown
        assert pattern.heard in shown
    assert "<b>transparent" not in text
    assert "licensed surveyor" in shown
    assert not re.search(
        r"<(script|link|img|iframe)|url\(|@import|https?://(?!www\.w3\.org|10\.88)", text
    )  # nothing from elsewhere


def test_a_rhythm_is_drawn_as_it_is_played():
    """A stop's light, by its own numbers: long 800 on, 200 off, 200 on, 300 off, over six seconds in a drawing 300 wide."""
    text = card(site_of(), {}, None, dt.date(2026, 5, 4))
    stop = next(part for part in text.split("<li>") if PATTERNS["stop"].meaning in part)
    drawn = re.search(r'<svg class="timeline".*?</svg>', stop) or re.search(r"<svg[^>]*timeline.*?</svg>", stop, re.S)
    bars = [(float(x), float(w)) for x, w in re.findall(r'<rect x="([\d.]+)" y="2" width="([\d.]+)"', drawn[0])]
    assert DRAWN_MS == 6000
    assert bars == [(turn * 75 + at, wide) for turn in range(4) for at, wide in ((0, 40), (50, 10))]


@pytest.mark.parametrize(
    ("page", "wifi", "address"),
    [
        ("", Wifi("k", "password", "10.88.17.1"), None),
        ('[page]\nlisten = "0.0.0.0:8017"\n', Wifi("k", "password", "10.88.17.1"), None),
        ('[page]\nlisten = "0.0.0.0:8017"\npin = "482913"\n', None, None),
        ('[page]\nlisten = "0.0.0.0:8017"\npin = "482913"\n', Wifi("k", "password", "10.88.17.1"), "http://10.88.17.1:8017/"),
        ('[page]\nlisten = "192.0.2.7:80"\npin = "482913"\n', None, "http://192.0.2.7:80/"),
        ('[page]\nlisten = "[2001:db8::7]:8017"\npin = "482913"\n', None, "http://[2001:db8::7]:8017/"),
        ('[page]\nlisten = "127.0.0.1:8017"\npin = "482913"\n', Wifi("k", "password", "10.88.17.1"), None),
        ('[page]\nlisten = "192.0.2.7:80"\npin = "482913"\ncertificate = "c"\nkey = "k"\n', None, "https://192.0.2.7:80/"),
    ],
)
def test_the_pages_address_is_on_it_where_a_phone_can_open_it(page, wifi, address):
    assert page_address(site_of(SITE.partition("[page]")[0] + page), wifi) == address


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "names no Wi-Fi"),
        ("x", "is not a NetworkManager connection file"),
        ("[wifi]\nssid=a\n", "names no Wi-Fi"),
        ("[wifi]\nssid=\n[wifi-security]\npsk=x\n", "names no Wi-Fi"),
        ("[wifi]\n\xff", "is not a NetworkManager"),
    ],
)
def test_a_file_that_is_no_wifi(tmp_path, text, words):
    (tmp_path / "w").write_text(text)
    with pytest.raises(NotWifi, match=words):
        read_wifi(tmp_path / "w")


def test_a_name_in_bytes_is_read(tmp_path):
    """As NetworkManager writes a name that is no plain text (nm-settings-keyfile(5)): each byte a number."""
    (tmp_path / "w").write_text(WIFI.replace("ssid=kestrel base; 7", "ssid=75;195;188;"))
    assert read_wifi(tmp_path / "w").name == "Kü"


@pytest.mark.parametrize("language", ["en", "es"])
def test_where_no_phone_can_open_a_page_no_step_asks_for_one(language):
    asks = (
        r"(?i)on the page|under Today|under Check in|press Seen|open the page|en la página|en Hoy|toque Visto|abra la página,"
    )
    site = SITE.replace('role = "base"', f'role = "base"\nlanguage = "{language}"')
    steps = {}
    for name, text in (
        ("page", site),
        ("none", site.partition("[page]")[0]),
        ("loopback", site.replace("0.0.0.0", "127.0.0.1")),
    ):
        shown = html.unescape(card(site_from_toml(text), {}, None, dt.date(2026, 5, 4)))
        steps[name] = re.findall(r"<li>(.*?)</li>", re.search(r"<ol>(.*?)</ol>", shown)[1])
    assert re.search(asks, " ".join(steps["page"]))
    assert steps["none"] == steps["loopback"]
    assert len(steps["none"]) == 5
    assert not re.search(asks, " ".join(steps["none"]))


@needs_chromium
@pytest.mark.slow
@pytest.mark.parametrize("full", [False, True])
def test_it_prints_on_two_pages_of_a4_and_nothing_is_cut(tmp_path, full):
    """In Chromium: two pages of 210 × 297 mm; no side is higher than its page, and no coordinate wider than its cell."""
    site = SITE
    if full:
        site = site.replace(
            "[base]\n", "".join(POINT.format("A very long name of a point ", i) for i in range(200)) + "[base]\n"
        )
        site = site.replace('"<b>transparent</b>"', f'"{"a protocol of many words " * 8}"').replace(
            "haul road", "haul road " * 15
        )
        site += f'[[other_base]]\noccupies = "A very long name of a point 7"\nstation_id = {list(range(500, 520))}\n'
        site += f'antenna_height_m = 1.5\nantenna = "{"NAME " * 20}"\n'
    text = made(tmp_path, site)
    if full:
        assert f"and {200 + 1 - MOST_BESIDE_TWO_BASES} more" in text
    look = """<script>addEventListener("load", () => {
        const sides = [...document.querySelectorAll(".side")].map(side => side.scrollHeight - side.clientHeight);
        const cells = [...document.querySelectorAll(".wide td")].filter(cell => cell.scrollWidth > cell.clientWidth).length;
        document.title = JSON.stringify([sides, cells]) })</script>"""
    css = "<style>@media screen { .side { height: 296mm !important; min-height: 0 !important } }</style>"
    (tmp_path / "look.html").write_text(text.replace("</body>", f"{css}{look}</body>"))
    browser = ["chromium", "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={tmp_path / 'profile'}"]
    seen = subprocess.run(
        [*browser, "--dump-dom", (tmp_path / "look.html").as_uri()], capture_output=True, text=True, timeout=120, check=True
    ).stdout
    assert re.search(r"<title>(.*?)</title>", seen)[1] == "[[0,0],0]"
    pdf = tmp_path / "card.pdf"
    printed = [*browser, "--no-pdf-header-footer", f"--print-to-pdf={pdf}", (tmp_path / "card.html").as_uri()]
    subprocess.run(printed, capture_output=True, timeout=120, check=True)
    boxes = re.findall(rb"/Type ?/Page\b.*?/MediaBox ?\[([^\]]+)\]", pdf.read_bytes(), re.S)
    assert [[round(float(side)) for side in box.split()] for box in boxes] == [[0, 0, 595, 842]] * 2
