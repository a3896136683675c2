"""What the page's server bears: what is no request, who is slow, and crowds."""

import select
import socket
import threading

import pytest
from msgspec import structs
from witnesspost.daemon.page import gate as gate_module
from witnesspost.daemon.page import server
from witnesspost.daemon.page.bounds import Bounds

from tests.daemon.page.conftest import ALERT, PIN, events
from tests.daemon.view import until


def test_a_body_over_eight_kilobytes_is_refused(served):
    browser = served.inside()
    for size in (server.BODY_BYTES + 1, 10**6, 10**12):
        answer = browser.raw(browser.head("POST", "/", Content_Length=str(size)), b"a" * 20000)
        assert (answer.status, answer.text) == (413, "the body is over 8192 bytes\n")
    answer = browser.post("/", b"a=" + b"b" * (server.BODY_BYTES - 2))
    assert answer.status == 403, "just under it is read, and has no token"


NO_REQUESTS = {
    "nothing": b"\r\n\r\n",
    "noise": bytes(range(1, 256)) + b"\r\n\r\n",
    "no version": b"GET /\r\n\r\n",
    "another version": b"GET / HTTP/2.0\r\n\r\n",
    "a whole address": b"GET http://kestrel.example/ HTTP/1.1\r\n\r\n",
    "another method": b"DELETE / HTTP/1.1\r\n\r\n",
    "a proxy's": b"CONNECT kestrel.example:443 HTTP/1.1\r\n\r\n",
    "no colon": b"GET / HTTP/1.1\r\nHost\r\n\r\n",
    "a folded line": b"GET / HTTP/1.1\r\nHost: a\r\n b\r\n\r\n",
    "a space before the colon": b"POST / HTTP/1.1\r\nContent-Length : 5\r\n\r\nabcde",
    "two lengths": b"POST / HTTP/1.1\r\nContent-Length: 5\r\ncontent-length: 6\r\n\r\nabcde",
    "no length": b"POST / HTTP/1.1\r\nContent-Length: five\r\n\r\n",
    "less than nothing": b"POST / HTTP/1.1\r\nContent-Length: -5\r\n\r\n",
    "in pieces": b"POST / HTTP/1.1\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
    "a bad escape": b"GET /?a=%zz HTTP/1.1\r\n\r\n",
    "bytes that are no text": b"GET /?a=%ff%fe HTTP/1.1\r\n\r\n",
    "a long head": b"GET / HTTP/1.1\r\n" + b"A: " + b"b" * 9000 + b"\r\n\r\n",
}


@pytest.mark.parametrize("what", NO_REQUESTS)
def test_what_is_no_request_gets_a_line(served, what, capfd):
    answer = served.browser().raw(NO_REQUESTS[what])
    assert 400 <= answer.status < 500
    assert answer.text.count("\n") == 1
    assert capfd.readouterr().err == "", "and no traceback in the journal"


def test_who_is_slow_is_dropped_and_costs_nobody_else_anything(served, monkeypatch):
    def slow():
        ends = [served.browser().connect() for _ in range(5)]
        for n, end in enumerate(ends):
            end.sendall(b"GET / HTTP/1.1\r\nHost: a\r\n"[: n * 6])
        return ends

    monkeypatch.setattr(server, "REQUEST_S", 600.0)
    held = slow()
    assert served.browser("127.0.0.2").get("/").status == 200
    assert select.select(held, [], [], 0)[0] == [], "none had to be dropped for it"
    monkeypatch.setattr(server, "REQUEST_S", 0.3)
    for end in (dropped := slow()):
        assert end.recv(10) == b""
    for end in (*held, *dropped):
        end.close()


def test_one_address_has_twelve_connections_and_others_come_in(served):
    held = [served.browser("127.0.0.3").connect() for _ in range(12)]
    until(lambda: served.browser("127.0.0.3").raw(b"GET / HTTP/1.1\r\n\r\n") is None)
    assert served.browser("127.0.0.2").get("/").status == 200
    for end in held:
        end.close()
    until(lambda: (served.browser("127.0.0.3").raw(b"GET / HTTP/1.1\r\n\r\n") or held) is not held)


def test_a_flood_of_strangers_gives_way_to_who_comes(served):
    inside = served.inside()
    held = [served.browser(f"127.0.1.{n // 10}").connect() for n in range(60)]
    assert inside.get("/").status == 200
    assert served.inside("127.0.0.9").get("/").status == 200
    for end in held:
        end.close()


@pytest.fixture
def crowded(monkeypatch):
    """Is the page crowded? Asked of the Bounds that it makes."""
    made = []

    class Seen(Bounds):
        def __init__(self):
            super().__init__()
            made.append(self)

    monkeypatch.setattr(server, "Bounds", Seen)
    return lambda: made[-1].crowded


def test_in_a_crowd_an_address_that_has_its_twelve_is_refused_at_once(crowded, served, monkeypatch):
    monkeypatch.setattr(server, "_MOMENT_S", 60.0)
    held = [served.browser(f"127.0.1.{n % 2}").connect() for n in range(20)]
    until(crowded)
    more = [served.browser("127.0.1.0").connect() for _ in range(3)]
    assert more[-1].recv(1) == b""
    for end in [*held, *more]:
        end.close()


def test_who_comes_into_a_crowd_holds_up_nobody_behind_him(crowded, served, monkeypatch):
    monkeypatch.setattr(server, "_MOMENT_S", 60.0)
    held = [served.browser(f"127.0.1.{n % 2}").connect() for n in range(20)]
    until(crowded)
    coming = served.browser("127.0.0.9").connect()
    for end in held:
        end.close()
    until(lambda: not crowded())
    assert served.browser("127.0.0.2").get("/").status == 200
    coming.close()


def test_who_waits_for_the_answer_to_a_pin_is_not_dropped_for_a_crowd(served, monkeypatch):
    monkeypatch.setattr(gate_module, "SLOW_S", 5.0)
    browser = served.browser()
    token = browser.get("/").token
    served.gate._wrong_by_all.extend([served.view.t] * gate_module.WRONG_BY_ALL)
    answers = []
    waiting = threading.Thread(target=lambda: answers.append(browser.post("/pin", token=token, pin=PIN)))
    waiting.start()
    until(lambda: served.gate._wrong)
    held = [served.browser(f"127.0.3.{n}").connect() for n in range(40)]
    assert answers == [], "he waits still, while the crowd comes"
    waiting.join(60)
    assert [answer and answer.status for answer in answers] == [303]
    for end in held:
        end.close()


def test_fifty_phones_that_come_at_once_all_come_in(served):
    phones = [served.inside(f"127.0.2.{n}") for n in range(50)]
    ends = [phone.connect() for phone in phones]
    for phone, end in zip(phones, ends, strict=True):
        end.sendall(phone.head("GET", "/live/now"))
    for end in ends:
        assert "is-well" in next(events(end))
        end.close()


def test_a_phone_that_does_not_read_is_dropped(served, monkeypatch):
    monkeypatch.setattr(server, "WRITE_S", 0.3)
    browser = served.inside()
    ends = []
    for _ in range(3):
        end = socket.socket()
        end.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
        end.connect(("127.0.0.1", served.port))
        end.sendall(browser.head("GET", "/live/now"))
        ends.append(end)
    until(lambda: served.page._application.live.listeners == 3)
    served.stands(*(structs.replace(ALERT, say="x" * 300_000, rule=f"r{n}") for n in range(8)), shown="stop")
    served.page.see([])
    until(lambda: served.page._application.live.listeners == 0)
    for end in ends:
        end.close()
