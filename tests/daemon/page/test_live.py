"""News as they come to a phone that keeps its connection."""

import pytest
from witnesspost.daemon.page import live

from tests.daemon.page.conftest import ALERT, events


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
        served.stands(ALERT, shown="stop")
        served.page.see([])
        assert "is-stop" in next(one for one in heard if beat_s == 60.0 or one != "{}\n")


def test_who_comes_between_two_beats_is_told_what_holds_then(served):
    browser = served.inside()
    with browser.connect() as first, browser.connect() as second:
        first.sendall(browser.head("GET", "/live/now"))
        assert "is-well" in next(events(first))
        served.stands(ALERT, shown="stop")
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
