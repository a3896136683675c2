"""Wrong PINs, sessions and forms: with time stepped by hand."""

import pytest
from witnesspost.daemon.page.gate import (
    FORM_S,
    LOCKED_S,
    MOST_SESSIONS,
    SLOW_S,
    FormError,
    Forms,
    Gate,
    Locked,
    StrangersForms,
)

PIN = "418820"


def tries(gate, address, pin, t):
    gate.begin(address, t)
    return gate.end(address, pin, t)


def test_who_knows_the_pin_has_a_session_and_nobody_else():
    gate = Gate(PIN)
    session = tries(gate, "10.0.0.2", PIN, 1.0)
    assert gate.session(session.cookie) is session
    assert [gate.session(cookie) for cookie in (None, "", session.cookie[:-1], session.cookie + "x", "\udcff")] == [None] * 5
    assert Gate(PIN).session(session.cookie) is None, "another run knows nobody"


@pytest.mark.parametrize("pin", ["", "41882", "4188200", " 418820", "٤١٨٨٢٠", "418821", "\udcff"])
def test_a_wrong_pin_is_none(pin):
    assert tries(Gate(PIN), "10.0.0.2", pin, 1.0) is None


def test_after_five_wrong_pins_the_right_one_is_refused_for_a_minute_from_there_alone():
    gate = Gate(PIN)
    for n in range(5):
        assert tries(gate, "10.0.0.2", "000000", float(n)) is None
    with pytest.raises(Locked) as locked:
        gate.begin("10.0.0.2", 5.0)
    assert locked.value.left_s == LOCKED_S - 1.0
    with pytest.raises(Locked):
        gate.begin("10.0.0.2", 4.0 + LOCKED_S - 0.1)
    assert tries(gate, "10.0.0.3", PIN, 5.0) is not None
    assert tries(gate, "10.0.0.2", PIN, 4.0 + LOCKED_S) is not None


def test_the_right_pin_forgets_the_wrong_ones_before_it():
    gate = Gate(PIN)
    for _ in range(3):
        for _ in range(4):
            tries(gate, "10.0.0.2", "000000", 0.0)
        assert tries(gate, "10.0.0.2", PIN, 0.0) is not None


def test_tries_at_the_same_moment_count_before_they_end():
    gate = Gate(PIN)
    for _ in range(5):
        gate.begin("10.0.0.2", 0.0)
    with pytest.raises(Locked):
        gate.begin("10.0.0.2", 0.0)


def test_after_thirty_wrong_pins_in_an_hour_each_new_one_waits():
    gate = Gate(PIN)
    for n in range(30):
        assert gate.begin(f"10.0.0.{n}", float(n)) == 0.0
        gate.end(f"10.0.0.{n}", "000000", float(n))
    inside = Gate(PIN)
    assert inside.begin("10.0.1.1", 31.0) == 0.0
    assert gate.begin("10.0.1.1", 31.0) == SLOW_S
    assert gate.end("10.0.1.1", PIN, 51.0) is not None, "who waits comes in"
    assert gate.begin("10.0.1.2", 3599.9) == SLOW_S
    assert gate.begin("10.0.1.3", 3600.1) == 0.0


def test_sessions_stay_in_while_others_try():
    gate = Gate(PIN)
    session = tries(gate, "10.0.0.2", PIN, 0.0)
    for n in range(200):
        tries(gate, f"10.0.1.{n}", "000000", 1.0)
    assert gate.session(session.cookie) is session


def test_of_too_many_sessions_the_one_that_was_used_longest_ago_ends():
    gate = Gate(PIN)
    sessions = [tries(gate, "10.0.0.2", PIN, 0.0) for _ in range(MOST_SESSIONS)]
    gate.session(sessions[0].cookie)
    tries(gate, "10.0.0.2", PIN, 0.0)
    known = [gate.session(session.cookie) is session for session in sessions]
    assert known == [True, False, *[True] * (MOST_SESSIONS - 2)]


def test_who_leaves_is_out():
    gate = Gate(PIN)
    session = tries(gate, "10.0.0.2", PIN, 0.0)
    gate.leave(session)
    assert gate.session(session.cookie) is None


def test_what_is_remembered_of_addresses_is_bounded():
    gate = Gate(PIN)
    for n in range(5000):
        for _ in range(5):
            tries(gate, f"{n}", "000000", 0.0)
    assert len(gate._wrong) + len(gate._locked) <= 2000


def test_without_a_pin_everybody_is_in():
    gate = Gate(None)
    assert not gate.asks
    assert gate.session(None) is gate.session("x") is not None


def test_a_form_is_good_for_once():
    forms = Forms()
    token = forms.make(10.0)
    forms.use_up(token, 11.0)
    with pytest.raises(FormError, match="used"):
        forms.use_up(token, 12.0)
    forms.use_up(forms.make(10.0), 12.0)


@pytest.mark.parametrize(
    "change", [lambda t: "", lambda t: "..", lambda t: t[1:], lambda t: t + "0", lambda t: t.upper(), lambda t: "é"]
)
def test_a_form_that_was_not_made_here_is_forged(change):
    forms = Forms()
    with pytest.raises(FormError, match="forged"):
        forms.use_up(change(forms.make(0.0)), 0.0)
    with pytest.raises(FormError, match="forged"):
        Forms().use_up(forms.make(0.0), 0.0)


def test_a_form_ages():
    forms = Forms()
    token = forms.make(0.0)
    with pytest.raises(FormError, match="old"):
        forms.use_up(token, FORM_S + 1.0)


def test_a_used_form_stays_used_however_many_follow():
    forms = Forms()
    first = forms.make(0.0)
    forms.use_up(first, 0.0)
    for n in range(2000):
        forms.use_up(forms.make(1.0 + n), 1.0 + n)
    with pytest.raises(FormError):
        forms.use_up(first, 2001.0)
    assert len(forms._used) <= 500


def test_what_one_address_uses_up_makes_nobody_elses_form_old():
    forms = StrangersForms()
    token = forms.make(1000.0)
    for n in range(1500):
        forms.use_up("10.0.0.9", forms.make(1001.0 + n), 1001.0 + n)
    forms.use_up("10.0.0.50", token, 2501.0)
    with pytest.raises(FormError, match="used"):
        forms.use_up("10.0.0.50", token, 2502.0)


def test_what_is_remembered_of_strangers_forms_is_bounded():
    forms = StrangersForms()
    for n in range(1500):
        forms.use_up(f"{n}", forms.make(0.0), 0.0)
    for n in range(100):
        forms.use_up("10.0.0.9", forms.make(float(n)), float(n))
    assert len(forms._of) <= 1000
    assert len(forms._of["10.0.0.9"]._used) <= 20
    with pytest.raises(FormError, match="forged"):
        forms.use_up("10.0.0.9", Forms().make(0.0), 0.0)


def test_a_look_counts_nothing():
    gate = Gate(PIN)
    for _ in range(9):
        gate.look("10.0.0.2", 0.0)
    for _ in range(5):
        tries(gate, "10.0.0.2", "000000", 0.0)
    with pytest.raises(Locked):
        gate.look("10.0.0.2", 1.0)
