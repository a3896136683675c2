"""What the page says and takes, over real connections."""

import re
import socket
import ssl
import subprocess
from contextlib import closing
from http.client import HTTPSConnection
from urllib.parse import urlencode

import pytest
from msgspec import structs
from witnesspost.daemon.page import page as page_module
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
        assert "Paused until 14:07 by Kim: battery &lt;&amp;&gt;. Nothing new is raised until then, unless the" in text
        assert ("Silent until 14:07." in text) is bool(alerts)
        assert "Paused" not in served.browser().get("/").text, "before the PIN the state's word is all"
    served.stands(silent, shown="stop")
    assert "Paused" not in inside.get("/").text


def test_with_the_pin_one_sees_what_is_wrong_and_what_to_check(served):
    served.stands(ALERT, shown="stop")
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


def test_seen_and_quiet_are_told_with_the_name(served):
    served.stands(ALERT, shown="stop")
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
    seen = structs.replace(ALERT, state="acknowledged")
    browser = served.inside()
    for alerts, asked in (((ALERT, late), 1), ((seen, late), 0), ((seen, structs.replace(late, state="normal")), 1)):
        served.stands(*alerts, shown="stop")
        assert browser.get("/").text.count('value="seen"') == asked


def test_that_was_it_is_told_with_its_step(served):
    served.stands(ALERT, shown="stop")
    browser = served.inside()
    fields = {"rule": ALERT.rule, "cause": ALERT.cause, "by": "Kim"}
    answer = browser.post("/", token=browser.get("/").token, do="solved 2", **fields)
    assert browser.get(answer.headers["Location"]).line == "Solved, says Kim: corrections-stopped: line-silent, step 2."
    (fact,) = served.view.told
    assert (type(fact), fact.rule, fact.cause, fact.by) == (Solved, ALERT.rule, ALERT.cause, "Kim")
    for do in ("solved", "solved x", "solved 99", "solved 0", "solved -1", "solved 999999"):
        answer = browser.post("/", token=browser.get("/").token, do=do, **fields)
        assert answer.status == 400
        assert "Nothing was changed." in answer.line
    answer = browser.post("/", token=browser.get("/").token, do="solved 1", **fields | {"rule": "nonsense"})
    assert answer.status == 400
    assert len(served.view.told) == 1


def test_what_has_solved_it_before_stands_at_its_step(served):
    served.stands(structs.replace(ALERT, hints=["", "solved it 3 of 5 times here", ""]), shown="stop")
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
    served.stands(structs.replace(ALERT, state="normal"), shown="past")
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
    served.stands(ALERT, shown="stop")
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
    served.stands(ALERT, shown="stop")
    answer = served.inside().post("/", body, content_type=content_type)
    assert answer.status == status
    assert "cannot be read" in answer.line
    assert served.view.told == []


def test_a_form_that_is_sent_again_changes_nothing_a_second_time(served):
    served.stands(ALERT, shown="stop")
    browser = served.inside()
    token = browser.get("/").token
    assert browser.post("/", token=token, do="seen", by="Kim").status == 303
    answer = browser.post("/", token=token, do="seen", by="Kim")
    assert (answer.status, answer.line) == (409, "This form was sent before. Nothing was changed a second time.")
    assert len(served.view.told) == 1


def test_nothing_stands_nothing_is_said(served):
    browser = served.inside()
    served.stands(ALERT, shown="stop")
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
