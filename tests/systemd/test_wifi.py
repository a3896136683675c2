"""The post's own Wi-Fi as far as a machine without a radio shows it: NetworkManager's own tool makes the file, and reads it."""

import re
import shutil
import subprocess

import pytest
from witnesspost.daemon.page.card import page_address
from witnesspost.daemon.page.wifi import read_wifi
from witnesspost.rules.book.contents import open_site

from tests.systemd.test_install import Machine

pytestmark = pytest.mark.skipif(shutil.which("nmcli") is None, reason="no nmcli here")

SITE = """
[post]
name = "alpha"
role = "base"
[[stream]]
name = "corrections"
port = "loop://"
carries = ["corrections"]
"""
CONNECTION = "etc/NetworkManager/system-connections/witnesspost-alpha.nmconnection"


@pytest.fixture
def machine(tmp_path):
    """One that has a Wi-Fi device, and whose NetworkManager only keeps what it is told."""
    machine = Machine(tmp_path)
    machine.site = tmp_path / "etc/witnesspost/alpha.toml"
    machine.site.write_text(SITE)
    (tmp_path / "sys/class/net/wlan7/wireless").mkdir(parents=True)
    nmcli = f'echo nmcli "$@" >>"$ROOT/told"; [ "$1" != --offline ] || exec {shutil.which("nmcli")} "$@"'
    for name, text in (("nmcli", nmcli), ("nft", ""), ("dnsmasq", "")):
        (tmp_path / "bin" / name).write_text(f"#!/bin/sh\n{text}\n")
        (tmp_path / "bin" / name).chmod(0o755)
    wifi = tmp_path / "checkout/systemd/wifi"
    wifi.write_text(wifi.read_text().replace(" -g witnesspost", ""))  # there is no such group here
    return machine


def test_the_file_is_an_access_point_that_nmcli_reads(machine):
    done = machine.install("--wifi", "alpha")
    assert done.returncode == 0, done.stderr
    file = machine.root / CONNECTION
    assert file.stat().st_mode & 0o777 == 0o600
    text = file.read_text()
    for line in ("mode=ap", "ssid=alpha", "interface-name=wlan7", "key-mgmt=wpa-psk", "proto=rsn;", "pairwise=ccmp;", "pmf=2",
                 "address1=10.88.17.1/24", "method=shared"):  # fmt: skip
        assert line in text.splitlines()
    wifi = read_wifi(file)
    assert re.fullmatch(r"[a-hjkmnp-z2-9]{4}(-[a-hjkmnp-z2-9]{4}){2}", wifi.password)
    read = subprocess.run(
        ["nmcli", "--offline", "connection", "modify", "connection.autoconnect", "no"],
        input=text, capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    assert f"psk={wifi.password}" in read.splitlines()
    assert done.stdout.count(wifi.password) == 1
    assert wifi.password not in (machine.root / "told").read_text()  # arguments are for everybody to see


def test_the_page_listens_there_alone_behind_a_pin(machine):
    done = machine.install("--wifi", "alpha")
    site = open_site(machine.site)
    assert (site.page.host, site.page.port) == ("10.88.17.1", 8017)
    assert re.fullmatch(r"\d{8}", site.page.pin)
    assert done.stdout.count(site.page.pin) == 1
    assert machine.site.stat().st_mode & 0o777 == 0o640
    assert machine.site.read_text().startswith(SITE)
    assert page_address(site, read_wifi(machine.root / CONNECTION)) == "http://10.88.17.1:8017/"


def test_a_page_that_is_there_is_left_as_it_is(machine):
    machine.site.write_text(SITE + '[page]\nlisten = "0.0.0.0:8017"\npin = "482913"\n')
    before = machine.site.read_text()
    done = machine.install("--wifi", "alpha")
    assert done.returncode == 0
    assert machine.site.read_text() == before
    assert 'for this Wi-Fi alone it says listen = "10.88.17.1:8017"' in done.stdout


def test_nothing_is_forwarded_and_neither_a_router_nor_a_name_server_is_offered(machine):
    machine.install("--wifi", "alpha")
    rule = (machine.root / "etc/witnesspost/wifi.nft").read_text()
    assert 'iifname "wlan7" drop' in rule
    assert 'oifname "wlan7" drop' in rule
    offers = (machine.root / "etc/NetworkManager/dnsmasq-shared.d/witnesspost.conf").read_text()
    assert "dhcp-option=option:router\ndhcp-option=option:dns-server\nport=0\n" in offers
    told = (machine.root / "told").read_text()
    assert told.index("restart witnesspost-wifi.service") < told.index("nmcli connection up witnesspost-alpha")
    for tool, arguments, text in (("nft", ["-c", "-f", "-"], rule), ("dnsmasq", ["--test", "--conf-file=/dev/stdin"], offers)):
        program = shutil.which(tool, path="/usr/sbin:/usr/bin")
        if program is not None and subprocess.run([program, "--version"], capture_output=True, check=False).returncode == 0:
            judged = subprocess.run([program, *arguments], input=text, capture_output=True, text=True, check=False)
            assert judged.returncode == 0 or "not permitted" in judged.stderr, judged.stderr


def test_where_the_rule_cannot_be_set_there_is_no_wifi(machine):
    stub = machine.root / "bin/systemctl"
    stub.write_text(stub.read_text().replace("case", '[ "$*" != "restart witnesspost-wifi.service" ] || exit 1\ncase', 1))
    done = machine.install("--wifi", "alpha")
    assert done.returncode == 2
    assert "the Wi-Fi was not begun" in done.stderr
    assert not (machine.root / CONNECTION).exists()
    assert machine.site.read_text() == SITE


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--wifi",), "--wifi needs a post's name"),
        (("--wifi", "../x"), "--wifi needs a post's name"),
        (("--wifi", "nobody"), "nobody.toml is not there: install the post first"),
        (("--wifi", "a" * 33), "a Wi-Fi's name has 32 characters at most"),
    ],
)
def test_what_cannot_be(machine, options, words):
    done = machine.install(*options)
    assert done.returncode == 2
    assert words in done.stderr
    assert not (machine.root / "etc/NetworkManager").exists()


def test_a_machine_without_wifi(machine):
    shutil.rmtree(machine.root / "sys/class/net/wlan7")
    done = machine.install("--wifi", "alpha")
    assert (done.returncode, done.stderr) == (2, "install: this machine has no Wi-Fi\n")


def test_its_password_is_never_made_anew_by_accident_and_all_of_it_goes_again(machine):
    machine.install("--wifi", "alpha")
    before = (machine.root / CONNECTION).read_text()
    again = machine.install("--wifi", "alpha")
    assert again.returncode == 2
    assert "is there already, with its password" in again.stderr
    assert (machine.root / CONNECTION).read_text() == before
    site = machine.site.read_text()
    assert machine.install("--no-wifi").returncode == 0
    left = [path for path in (machine.root / "etc").rglob("*") if path.is_file()]
    assert machine.site in left
    assert not [path for path in left if "wifi" in path.name or "nmconnection" in path.name or path.name == "witnesspost.conf"]
    assert machine.site.read_text() == site
