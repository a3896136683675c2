"""Who may see and say what: the PIN, the sessions it opens, and all the ways in which one may not."""

import socket

import pytest

from tests.daemon.page.conftest import ALERT, PIN, Served


def test_without_the_pin_the_states_word_the_name_and_the_form_are_all_that_is_shown(served):
    served.stands(ALERT, shown="stop")
    answer = served.browser().get("/")
    assert answer.status == 200
    assert "kestrel-rover" in answer.text
    assert "<span>stop</span>" in answer.text
    for secret in (ALERT.say[:20], "check-in", "corrections", "20:0", "14:0", "Radio"):
        assert secret not in answer.text


@pytest.mark.parametrize("path", ["/today", "/check-in", "/files", "/nothing", "/live", "//", "/../etc/passwd", "/%2e%2e/"])
def test_every_other_address_leads_to_the_form(served, path):
    answer = served.browser().get(path)
    assert (answer.status, answer.headers["Location"], answer.text) == (303, "/", "")


def test_news_are_for_who_is_in(served):
    assert served.browser().get("/live/now").status == 401


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


def test_another_sessions_form_is_forged(served):
    served.stands(ALERT, shown="stop")
    one, other = served.inside(), served.inside()
    assert one.post("/", token=other.get("/").token, do="seen", by="Kim").status == 403
    assert served.view.told == []


ORIGINS = [None, "null", "http://kestrel.example", "https://127.0.0.1:{port}", "http://127.0.0.1", "*"]


@pytest.mark.parametrize("origin", ORIGINS)
def test_what_comes_from_another_origin_changes_nothing(served, origin):
    served.stands(ALERT, shown="stop")
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
    served.stands(ALERT, shown="stop")
    stranger = served.browser()
    answer = stranger.post(path, token=stranger.get("/").token, do="seen", by="Kim")
    assert (answer.status, answer.line) == (403, "Enter the PIN first. Nothing was changed.")
    stranger.cookie = "A" * 43
    assert stranger.post(path, do="seen", by="Kim").status == 403
    assert served.view.told == []


def test_get_changes_nothing(served):
    served.stands(ALERT, shown="stop")
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
    bare.stands(ALERT, shown="stop")
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
    bare.stands(ALERT, shown="stop")
    browser = bare.browser()
    assert browser.post("/", do="seen", by="Kim").status == 403
    assert browser.post("/", origin="http://kestrel.example", token=browser.get("/").token, do="seen", by="Kim").status == 403
    assert bare.view.told == []
    assert browser.post("/", token=browser.get("/").token, do="seen", by="Kim").status == 303
