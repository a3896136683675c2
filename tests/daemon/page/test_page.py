"""Who may see and say what: the page over real connections, and all the ways in which one may not."""

import re
import select
import socket
import ssl
import subprocess
import threading
from contextlib import closing
from http.client import HTTPSConnection
from urllib.parse import urlencode

import pytest
from msgspec import structs
from witnesspost.daemon.page import gate as gate_module
from witnesspost.daemon.page import live, server
from witnesspost.daemon.page import page as page_module
from witnesspost.daemon.page.bounds import Bounds
from witnesspost.daemon.page.gate import Gate
from witnesspost.daemon.page.page import Page
from witnesspost.daemon.status.told import OfficeStatus, PausedStatus
from witnesspost.rules.book.words import words
from witnesspost.rules.facts import Acknowledge, Shelve, Solved
from witnesspost.rules.site.reading import site_from_toml

from tests.daemon.page.conftest import ALERT, PIN, SITE, Browser, Served, free_port
from tests.daemon.test_lines import OVER, changed
from tests.daemon.test_lines import STOP as STOPPED
from tests.daemon.view import View, until

STOP = structs.replace(ALERT)


def test_where_nothing_can_be_said_no_name_is_asked_for(served):
    """A consequence whose root is over asks for nobody."""
    inside = served.inside()
    late = structs.replace(ALERT, rule="corrections-late", severity="check", because_of="corrections-stopped")
    served.stands(structs.replace(late, held="good again for 6 s"))
    text = inside.get("/").text
    assert 'name="by"' not in text
    assert "Along with it" not in text
    summary = re.search(r"<summary>.*?</summary>", text)[0]
    assert "nothing has come for 34 s &lt;&amp;&gt;. Good again for 6 s." in summary, "also where nobody has opened it"
    served.stands(ALERT, structs.replace(late), shown="stop")
    text = inside.get("/").text
    assert 'name="by"' in text
    assert "Along with it" in text


def test_a_pause_says_until_when_who_why_and_what_goes_on(served):
    inside = served.inside()
    silent = structs.replace(ALERT, shelved=True, silent_left_s=290.0)
    for alerts, shown, word in (((silent,), "stop", "stop"), ((), "well", "well")):
        served.stands(*alerts, shown=shown)
        paused = PausedStatus(why="battery <&>", by="Kim", left_s=290.0)
        served.view.status = structs.replace(served.view.status, paused=paused)
        text = inside.get("/").text
        assert f'data-state="{word}"' in text
        assert "Paused until 14:07 by Kim: battery &lt;&amp;&gt;. Nothing new is raised until then; every byte" in text
        assert ("Silent until 14:07." in text) is bool(alerts)
        assert "Paused" not in served.browser().get("/").text, "before the PIN the state's word is all"
    served.stands(silent, shown="stop")
    assert "Paused" not in inside.get("/").text


def test_without_the_pin_the_states_word_the_name_and_the_form_are_all_that_is_shown(served):
    served.stands(STOP, shown="stop")
    answer = served.browser().get("/")
    assert answer.status == 200
    assert "kestrel-rover" in answer.text
    assert "<span>stop</span>" in answer.text
    for secret in (STOP.say[:20], "check-in", "corrections", "20:0", "14:0", "Radio"):
        assert secret not in answer.text


@pytest.mark.parametrize("path", ["/today", "/check-in", "/files", "/nothing", "/live", "//", "/../etc/passwd", "/%2e%2e/"])
def test_every_other_address_leads_to_the_form(served, path):
    answer = served.browser().get(path)
    assert (answer.status, answer.headers["Location"], answer.text) == (303, "/", "")


def test_news_are_for_who_is_in(served):
    assert served.browser().get("/live/now").status == 401


def test_with_the_pin_one_sees_what_is_wrong_and_what_to_check(served):
    served.stands(STOP, shown="stop")
    answer = served.inside().get("/")
    assert "nothing has come for 34 s &lt;&amp;&gt;." in answer.text
    assert answer.text.count("<li><input") == 3
    assert "Since 14:02, for 34 s." in answer.text
    assert "no check-in since the post started" in answer.text


def test_how_the_offices_link_is(served):
    served.stands(shown="well")
    inside = served.inside()
    assert "The office" not in inside.get("/").text
    link = OfficeStatus(broker="b:1", up=False, since_s=40.0, waiting=2, error="<b>:1 does not answer")
    served.view.status = structs.replace(served.view.status, office=link)
    assert "<h2>The office</h2><p>link down for 40 s, 2 changes wait, &lt;b&gt;:1 does not answer</p>" in inside.get("/").text


def test_the_cookie_is_for_this_page_alone_and_for_no_script(served):
    browser = served.browser()
    said = browser.enter().headers["Set-Cookie"]
    name, *rest = said.split("; ")
    assert name.startswith(f"witnesspost-{served.port}=")
    assert rest == ["Path=/", "HttpOnly", "SameSite=Strict"]


def test_every_answer_is_hardened(served):
    browser = served.inside()
    answers = [browser.get(path) for path in ("/", "/style.css", "/script.js", "/nothing", "/live")]
    answers += [served.browser().get("/"), served.browser().post("/"), browser.post("/style.css")]
    for answer in answers:
        assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
        assert "unsafe" not in answer.headers["Content-Security-Policy"]
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert answer.headers["Cache-Control"] == "no-store"


def test_a_page_has_no_script_and_no_style_of_its_own(served):
    text = served.inside().get("/").text
    for inline in ("style=", "<style", " on", "javascript:", "http:", "https:", "//"):
        assert inline not in text.replace("<!doctype", "").replace("Read on", ""), inline
    assert text.count("<script") == 1


def test_seen_and_quiet_are_told_with_the_name(served):
    served.stands(STOP, shown="stop")
    browser = served.inside()
    answer = browser.post("/", token=browser.get("/").token, do="seen", by="  Kim   Ng ")
    assert answer.status == 303
    assert browser.get(answer.headers["Location"]).line == "Seen by Kim Ng: corrections-stopped."
    answer = browser.post("/", token=browser.get("/").token, do="quiet", by="Kim")
    assert browser.get(answer.headers["Location"]).line == "Quiet for 10 minutes, by Kim. The light goes on telling the truth."
    assert served.view.told == [
        Acknowledge(t=100.0, stream="", by="Kim Ng"),
        Shelve(t=100.0, stream="", for_s=600.0, by="Kim"),
    ]
    assert served.view.lines[1:] == ["Quiet for 10 minutes, by Kim. The light goes on telling the truth."]
    assert 'value="Kim"' in browser.get("/").text, "the name is there the next time"


def test_what_follows_from_a_seen_stop_asks_nobody_to_see_it(served):
    late = structs.replace(ALERT, rule="corrections-late", because_of="corrections-stopped", number=2)
    seen = structs.replace(STOP, state="acknowledged")
    browser = served.inside()
    for alerts, asked in (((STOP, late), 1), ((seen, late), 0), ((seen, structs.replace(late, state="normal")), 1)):
        served.stands(*alerts, shown="stop")
        assert browser.get("/").text.count('value="seen"') == asked


def test_that_was_it_is_told_with_its_step(served):
    served.stands(STOP, shown="stop")
    browser = served.inside()
    fields = {"rule": STOP.rule, "cause": STOP.cause, "by": "Kim"}
    answer = browser.post("/", token=browser.get("/").token, do="solved 2", **fields)
    assert browser.get(answer.headers["Location"]).line == "Solved, says Kim: corrections-stopped: line-silent, step 2."
    (fact,) = served.view.told
    assert (type(fact), fact.rule, fact.cause, fact.by) == (Solved, STOP.rule, STOP.cause, "Kim")
    for do in ("solved", "solved x", "solved 99", "solved 0", "solved -1", "solved 999999"):
        answer = browser.post("/", token=browser.get("/").token, do=do, **fields)
        assert answer.status == 400
        assert "Nothing was changed." in answer.line
    answer = browser.post("/", token=browser.get("/").token, do="solved 1", **fields | {"rule": "nonsense"})
    assert answer.status == 400
    assert len(served.view.told) == 1


def test_what_has_solved_it_before_stands_at_its_step(served):
    served.stands(structs.replace(STOP, hints=["", "solved it 3 of 5 times here", ""]), shown="stop")
    text = served.inside().get("/").text
    assert text.count("solved it 3 of 5 times here") == 1
    assert text.count("That was it") == 3


def cleared(served, **changes):
    """This alert is over and cleared; the page has heard of it."""
    served.page.see([changed(OVER, change="cleared", t=served.view.t, **changes)])
    return OVER.rule, changes.get("cause", OVER.cause)


def test_what_has_cleared_a_short_while_ago_can_still_be_answered(served):
    browser = served.inside()
    rule, cause = cleared(served, severity="check")
    served.view.status = structs.replace(served.view.status, stood=[rule])
    until(lambda: "Over in the last half hour: what solved it?" in browser.get("/").text)
    text = browser.get("/").text
    assert text.count("That was it") == len(words(OVER).steps)
    answer = browser.post("/", token=browser.get("/").token, do="solved 2", rule=rule, cause=cause, by="Kim")
    assert answer.status == 303
    assert [type(fact) for fact in served.view.told] == [Solved]
    assert "That was it" not in browser.get("/").text, "whoever has answered is not asked again"


def test_it_is_asked_for_half_an_hour_and_not_where_it_came_back(served):
    browser = served.inside()
    cleared(served)
    until(lambda: "That was it" in browser.get("/").text)
    served.view.t += 1801.0
    served.view.beats()
    assert "That was it" not in browser.get("/").text
    cleared(served)
    cleared(served, cause="weak-link")
    until(lambda: browser.get("/").text.count("<details") == 2)
    served.page.see([changed(STOPPED, t=served.view.t)])
    until(lambda: browser.get("/").text.count("<details") == 1)


def test_of_a_consequence_and_of_an_earlier_run_nobody_is_asked(served):
    browser = served.inside()
    cleared(served, because_of="wrong-channel")
    cleared(served, evidence={"of_run": "kestrel-rover.0041.db"})
    cleared(served, cause="weak-link")
    until(lambda: "That was it" in browser.get("/").text)
    assert browser.get("/").text.count("<details") == 1


def test_what_is_over_asks_which_points_were_stored_and_what_solved_it(served):
    served.stands(structs.replace(STOP, state="normal"), shown="past")
    text = served.inside().get("/").text
    assert "stop over, not seen" in text
    assert "Which points were stored meanwhile?" in text
    assert "What solved it?" in text


BAD_FORMS = {
    "no name": ({"by": ""}, 400, "Give your name"),
    "a name of spaces": ({"by": " \t\n "}, 400, "Give your name"),
    "a long name": ({"by": "k" * 61}, 400, "Your name is too long"),
    "nothing chosen": ({"do": ""}, 400, "Choose what to do"),
    "nonsense chosen": ({"do": "explode"}, 400, "Choose what to do"),
    "no token": ({"token": ""}, 403, "not made by this page"),
    "a forged token": ({"token": "1.a.b"}, 403, "not made by this page"),
    "a token in other letters": ({"token": "é☠"}, 403, "not made by this page"),
}


@pytest.mark.parametrize("what", BAD_FORMS)
def test_a_bad_form_gets_one_line_and_changes_nothing(served, what):
    change, status, words = BAD_FORMS[what]
    served.stands(STOP, shown="stop")
    browser = served.inside()
    fields = {"token": browser.get("/").token, "do": "seen", "by": "Kim"} | change
    answer = browser.post("/", **fields)
    assert answer.status == status
    assert words in answer.line
    assert "\n" not in answer.line
    assert served.view.told == []


BAD_BODIES = {
    "json": (b"{}", "application/json", 415),
    "no type": (b"do=seen", None, 415),
    "parts": (b"--x", "multipart/form-data; boundary=x", 415),
    "no fields": (b"seen", "application/x-www-form-urlencoded", 400),
    "empty": (b"", "application/x-www-form-urlencoded", 400),
    "other bytes": (b"by=\xff\xfe", "application/x-www-form-urlencoded", 400),
    "no unicode": (b"by=%ff%fe", "application/x-www-form-urlencoded", 400),
    "many fields": (b"&".join(b"a%d=1" % n for n in range(100)), "application/x-www-form-urlencoded", 400),
    "twice": (b"do=seen&do=quiet", "application/x-www-form-urlencoded", 400),
}


@pytest.mark.parametrize("what", BAD_BODIES)
def test_a_body_that_is_no_form_changes_nothing(served, what):
    body, content_type, status = BAD_BODIES[what]
    served.stands(STOP, shown="stop")
    answer = served.inside().post("/", body, content_type=content_type)
    assert answer.status == status
    assert "cannot be read" in answer.line
    assert served.view.told == []


def test_a_form_that_is_sent_again_changes_nothing_a_second_time(served):
    served.stands(STOP, shown="stop")
    browser = served.inside()
    token = browser.get("/").token
    assert browser.post("/", token=token, do="seen", by="Kim").status == 303
    answer = browser.post("/", token=token, do="seen", by="Kim")
    assert (answer.status, answer.line) == (409, "This form was sent before. Nothing was changed a second time.")
    assert len(served.view.told) == 1


def test_another_sessions_form_is_forged(served):
    served.stands(STOP, shown="stop")
    one, other = served.inside(), served.inside()
    assert one.post("/", token=other.get("/").token, do="seen", by="Kim").status == 403
    assert served.view.told == []


ORIGINS = [None, "null", "http://kestrel.example", "https://127.0.0.1:{port}", "http://127.0.0.1", "*"]


@pytest.mark.parametrize("origin", ORIGINS)
def test_what_comes_from_another_origin_changes_nothing(served, origin):
    served.stands(STOP, shown="stop")
    browser = served.inside()
    fields = {"token": browser.get("/").token, "do": "seen", "by": "Kim"}
    answer = browser.post("/", origin=origin and origin.format(port=served.port), **fields)
    assert (answer.status, answer.line) == (403, "This came from another site&#x27;s page. Nothing was changed.")
    assert served.view.told == []
    stranger = served.browser()
    answer = stranger.post("/pin", origin=origin and origin.format(port=served.port), token=stranger.get("/").token, pin=PIN)
    assert answer.status == 403
    assert stranger.cookie is None


@pytest.mark.parametrize("path", ["/", "/leave", "/today", "/nothing"])
def test_without_a_session_nothing_is_changed(served, path):
    served.stands(STOP, shown="stop")
    stranger = served.browser()
    answer = stranger.post(path, token=stranger.get("/").token, do="seen", by="Kim")
    assert (answer.status, answer.line) == (403, "Enter the PIN first. Nothing was changed.")
    stranger.cookie = "A" * 43
    assert stranger.post(path, do="seen", by="Kim").status == 403
    assert served.view.told == []


def test_get_changes_nothing(served):
    served.stands(STOP, shown="stop")
    browser = served.inside()
    for path in ("/?do=seen&by=Kim", "/leave", "/pin?pin=1", "/?did=x"):
        browser.get(path)
    assert browser.get("/").status == 200
    assert served.view.told == []


def test_who_signs_out_is_out(served):
    browser = served.inside()
    cookie = browser.cookie
    assert browser.post("/leave", token=browser.get("/").token).status == 303
    assert browser.cookie is None
    browser.cookie = cookie
    assert "corrections" not in browser.get("/").text
    assert browser.get("/today").status == 303


def test_wrong_pins(served):
    browser = served.browser()
    for _ in range(5):
        answer = browser.enter("000000")
        assert (answer.status, answer.line) == (403, "That is not the PIN. Nothing was changed.")
    answer = browser.enter(PIN)
    assert answer.status == 429
    assert answer.line == "Too many wrong PINs came from this phone. Try again in 60 seconds."
    assert browser.cookie is None
    assert served.inside("127.0.0.2").get("/").status == 200, "another phone comes in"
    served.view.t += 60.0
    assert browser.enter(PIN).status == 303


def test_who_is_locked_out_uses_up_no_form(served):
    browser = served.browser()
    for _ in range(5):
        browser.enter("000000")
    token = browser.get("/").token
    assert browser.post("/pin", token=token, pin=PIN).status == 429
    served.view.t += 60.0
    assert browser.post("/pin", token=token, pin=PIN).status == 303


def test_a_pin_that_is_sent_again_is_no_way_in(served):
    browser = served.browser()
    token = browser.get("/").token
    assert browser.post("/pin", token=token, pin=PIN).status == 303
    assert served.browser().post("/pin", token=token, pin=PIN).status == 409


def test_nothing_stands_nothing_is_said(served):
    browser = served.inside()
    served.stands(STOP, shown="stop")
    token = browser.get("/").token
    served.stands()
    answer = browser.post("/", token=token, do="seen", by="Kim")
    assert (answer.status, answer.line) == (409, "Nothing stands that could be seen or silenced.")
    assert served.view.told == []


def test_a_watch_that_says_nothing_is_not_believed(served):
    browser = served.inside()
    served.view.t += 7.0
    text = browser.get("/").text
    assert "<span>Not heard for 7 s</span>" in text
    assert "<span>well</span>" not in text
    assert "<span>Not heard for 7 s</span>" in served.browser().get("/").text


# ── without a pin ───────────────────────────────────────────────────────────────────────────────────────────────────


@pytest.fixture
def bare():
    one = Served(pin=None)
    yield one
    one.page.stop()


def test_without_a_pin_everybody_on_this_machine_is_in(bare):
    answer = bare.browser().get("/")
    assert "no check-in since the post started" in answer.text
    assert "Sign out" not in answer.text


@pytest.mark.parametrize("host", ["kestrel.example:{port}", "10.0.0.1:{port}", "", "127.0.0.1.kestrel.example:{port}"])
def test_without_a_pin_a_foreign_name_that_points_here_sees_nothing(bare, host):
    bare.stands(STOP, shown="stop")
    browser = bare.browser()
    answer = browser.get("/", Host=host.format(port=bare.port))
    assert answer.status == 421
    assert "check-in" not in answer.text


@pytest.mark.parametrize(
    "host", ["kestrel.example", "127.0.0.1.kestrel.example", "kestrel-rover.example", "[kestrel]", "", "-"]
)
def test_a_foreign_name_that_points_here_sees_no_door(served, host):
    browser = served.browser()
    for name in (host, f"{host}:{served.port}"):
        answer = browser.get("/", Host=name)
        assert answer.status == 421
        assert "kestrel-rover" not in answer.text


@pytest.mark.parametrize(
    "host", ["10.88.17.1", "[::1]", "localhost", "LOCALHOST", "kestrel-rover", "Kestrel-Rover.local", socket.gethostname()]
)
def test_the_posts_own_addresses_and_names_lead_to_the_door(served, host):
    for name in (host, f"{host}:{served.port}"):
        assert served.browser().get("/", Host=name).status == 200


def test_without_a_pin_a_form_still_needs_its_token_and_its_origin(bare):
    bare.stands(STOP, shown="stop")
    browser = bare.browser()
    assert browser.post("/", do="seen", by="Kim").status == 403
    assert browser.post("/", origin="http://kestrel.example", token=browser.get("/").token, do="seen", by="Kim").status == 403
    assert bare.view.told == []
    assert browser.post("/", token=browser.get("/").token, do="seen", by="Kim").status == 303


# ── what is no request ──────────────────────────────────────────────────────────────────────────────────────────────


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
    served.stands(*(structs.replace(STOP, say="x" * 300_000, rule=f"r{n}") for n in range(8)), shown="stop")
    served.page.see([])
    until(lambda: served.page._application.live.listeners == 0)
    for end in ends:
        end.close()


# ── news ────────────────────────────────────────────────────────────────────────────────────────────────────────────


def events(end):
    file = end.makefile("rb")
    for line in file:
        if line.startswith(b"data: "):
            yield line[6:].decode()


@pytest.mark.parametrize("beat_s", [1.0, 60.0])
def test_a_stop_is_told_at_once_and_a_beat_comes_while_there_is_nothing(request, monkeypatch, beat_s):
    """What a browser hears within its thirty seconds' patience did not wait for a beat that comes each minute."""
    monkeypatch.setattr(live, "BEAT_S", beat_s)
    served = request.getfixturevalue("served")
    browser = served.inside()
    with browser.connect() as end:
        end.sendall(browser.head("GET", "/live/now"))
        heard = events(end)
        assert "is-well" in next(heard)
        if beat_s < 60.0:
            assert next(heard) == "{}\n"
        served.stands(STOP, shown="stop")
        served.page.see([])
        assert "is-stop" in next(one for one in heard if beat_s == 60.0 or one != "{}\n")


def test_who_comes_between_two_beats_is_told_what_holds_then(served):
    browser = served.inside()
    with browser.connect() as first, browser.connect() as second:
        first.sendall(browser.head("GET", "/live/now"))
        assert "is-well" in next(events(first))
        served.stands(STOP, shown="stop")
        second.sendall(browser.head("GET", "/live/now"))
        assert "is-stop" in next(events(second))


def test_who_signs_out_hears_no_more(served):
    browser = served.inside()
    with browser.connect() as end:
        end.sendall(browser.head("GET", "/live/now"))
        heard = events(end)
        next(heard)
        browser.post("/leave", token=browser.get("/").token)
        assert len(list(heard)) <= 2


# ── the companion ───────────────────────────────────────────────────────────────────────────────────────────────────


def test_an_address_that_does_not_exist_yet_is_tried_again(monkeypatch):
    monkeypatch.setattr(page_module, "_AGAIN_S", 0.05)
    there = socket.socket()
    there.bind(("127.0.0.1", 0))
    there.listen()
    port = there.getsockname()[1]
    monkeypatch.setattr("tests.daemon.page.conftest.free_port", lambda: port)
    served = Served()
    try:
        assert "cannot listen on 127.0.0.1" in served.view.lines[0]
        there.close()
        until(lambda: len(served.view.lines) == 2)
        assert served.view.lines[1] == f"page: http://127.0.0.1:{port}/"
        assert served.browser().get("/").status == 200
        served.page.turn(0.0)
    finally:
        served.page.stop()


def test_the_next_one_has_the_address_and_knows_who_is_in(served):
    browser = served.inside()
    served.page.stop()
    served.page = Page(served.site, served.site.page, served.gate)
    served.page.start(served.view)
    until(lambda: len(served.view.lines) == 2)
    assert "no check-in since" in browser.get("/").text


def test_one_that_never_started_stops(served):
    page = Page(served.site, served.site.page, served.gate)
    page.see([])
    page.stop()


TLS = 'certificate = "post.pem"\nkey = "post.key"\n'


def test_a_certificate_that_is_not_there_is_told(tmp_path):
    site = site_from_toml(SITE.format(port=free_port()) + TLS, str(tmp_path / "site.toml"))
    page = Page(site, site.page, Gate(None))
    page.start(View())

    def failed():
        try:
            page.turn(0.0)
        except FileNotFoundError:
            return True
        return False

    until(failed)
    page.stop()


def test_with_a_certificate_it_is_encrypted(tmp_path):
    names = ["-keyout", "post.key", "-out", "post.pem", "-subj", "/CN=kestrel", "-addext", "subjectAltName=IP:127.0.0.1"]
    make = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", *names]
    subprocess.run(make, cwd=tmp_path, check=True, capture_output=True)
    site = site_from_toml(SITE.format(port=free_port()) + f'pin = "{PIN}"\n' + TLS, str(tmp_path / "site.toml"))
    page, view = Page(site, site.page, Gate(PIN)), View()
    page.start(view)
    until(lambda: view.lines)
    try:
        assert view.lines == [f"page: https://127.0.0.1:{site.page.port}/"]
        context = ssl.create_default_context(cafile=tmp_path / "post.pem")
        with closing(HTTPSConnection("127.0.0.1", site.page.port, context=context, timeout=30)) as browser:
            browser.request("GET", "/")
            text = browser.getresponse().read().decode()
        assert "encrypted" not in text, "nothing is said of the Wi-Fi"
        token = re.search(r'name="token" value="([^"]+)"', text)[1]
        headers = {"Origin": f"https://127.0.0.1:{site.page.port}", "Content-Type": "application/x-www-form-urlencoded"}
        with closing(HTTPSConnection("127.0.0.1", site.page.port, context=context, timeout=30)) as browser:
            browser.request("POST", "/pin", urlencode({"token": token, "pin": PIN}), headers)
            answer = browser.getresponse()
            assert answer.status == 303
            assert answer.headers["Set-Cookie"].endswith("; HttpOnly; SameSite=Strict; Secure")
        with closing(Browser(site.page.port).connect()) as plain:
            plain.sendall(b"GET / HTTP/1.1\r\n\r\n")
            assert b"HTTP" not in plain.recv(100)
    finally:
        page.stop()
