"""Local times against the zone database's own published transitions (tzdata, America/Denver 2026: 8 March and 1 November)."""

import contextlib
import datetime as dt
import zoneinfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from witnesspost.daemon.local_time import Instant, Stamps, Unreadable, local_text, utc_of

DENVER = zoneinfo.ZoneInfo("America/Denver")
SUMMER = dt.datetime(2026, 5, 4, 9, 11, 12, tzinfo=dt.UTC)


def test_a_time_has_its_date_and_its_offset():
    assert local_text(SUMMER, DENVER) == "2026-05-04 03:11:12-06:00"
    assert local_text(SUMMER.replace(month=1), DENVER) == "2026-01-04 02:11:12-07:00"
    assert local_text(SUMMER, dt.UTC) == "2026-05-04 09:11:12+00:00"


def test_the_calendars_end_is_told_in_utc():
    assert local_text(dt.datetime(1, 1, 1, tzinfo=dt.UTC), DENVER) == "0001-01-01 00:00:00+00:00"


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2026-05-04T03:11:12", "2026-05-04T09:11:12+00:00"),
        ("2026-05-04 03:11", "2026-05-04T09:11:00+00:00"),
        ("2026-01-04T03:11:12", "2026-01-04T10:11:12+00:00"),
        ("2026-05-04T09:11:12Z", "2026-05-04T09:11:12+00:00"),
        ("2026-11-01T01:30:00-06:00", "2026-11-01T07:30:00+00:00"),
        ("2026-11-01T01:30:00-07:00", "2026-11-01T08:30:00+00:00"),
    ],
)
def test_what_a_person_writes_is_local_unless_it_has_an_offset(text, utc):
    assert utc_of(text, DENVER).isoformat() == utc


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("yesterday", "is not a date and time"),
        ("2026-11-01T01:30:00", "comes twice there: the clocks were put back; write it with its offset"),
        ("2026-03-08T02:30:00", "does not exist there: the clocks were put forward; write it with its offset"),
        ("0001-01-01T00:00:00+14:00", "is out of range"),
        ("9999-12-31T23:59:59", "is out of range"),
    ],
)
def test_a_time_that_names_no_instant_is_refused(text, why):
    with pytest.raises(Unreadable) as refused:
        utc_of(text, DENVER)
    assert str(refused.value) == why


@given(
    st.datetimes(dt.datetime(1971, 1, 1), dt.datetime(2037, 1, 1)).map(lambda utc: utc.replace(microsecond=0, tzinfo=dt.UTC))
)
def test_what_is_shown_can_be_given_back(utc):
    assert utc_of(local_text(utc, DENVER), DENVER) == utc


@given(st.text(max_size=30))
def test_any_text_is_an_instant_or_is_refused(text):
    with contextlib.suppress(Unreadable):
        assert utc_of(text, DENVER).utcoffset() == dt.timedelta(0)


def test_a_column_says_whose_clock_it_is():
    known = {
        1.0: Instant(SUMMER),
        2.0: Instant(SUMMER, about=True),
        3.0: Instant(dt.datetime(1970, 1, 1, tzinfo=dt.UTC), about=True),
    }
    stamps = Stamps(DENVER, known.get)
    assert stamps(0.0, "2026-05-04T09:11:12.400Z") == "2026-05-04 03:11:12-06:00"
    assert [stamps(t) for t in (1.0, 2.0)] == ["2026-05-04 03:11:12-06:00", "about 2026-05-04 03:11:12-06:00"]
    assert [stamps(t) for t in (3.0, 45_296.7)] == ["+00:00:03", "+12:34:56"]  # a board without a battery; nobody knows
