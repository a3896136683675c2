from __future__ import annotations

import datetime as dt

import pytest
from witnesspost.replay.world.events import EVENTS, Radio
from witnesspost.replay.world.scenario import ScenarioError, bundled, scenario, scenarios

PLAIN = """
like = "quiet-hour-rover"
note = "a test"
duration_s = 60
"""


def problems_of(tmp_path, text):
    path = tmp_path / "x.toml"
    path.write_text(text)
    with pytest.raises(ScenarioError) as error:
        scenarios(path)
    return error.value.problems


def read(tmp_path, text):
    path = tmp_path / "x.toml"
    path.write_text(text)
    return scenarios(path)


def test_a_bundled_scenario_by_its_bare_name():
    one = scenario("rover-radio-other-frequency")
    assert one.name == "rover-radio-other-frequency"
    assert one.start_utc == dt.datetime(2026, 6, 15, 8, tzinfo=dt.UTC)
    assert not one.at_base
    assert one.site.base.station_id == 417
    assert one.events == [Radio(at_s=300, of="rover", frequency_mhz=464.5)]


def test_a_site_file_is_told_from_a_scenario_in_one_line(tmp_path):
    site = '[post]\nname = "kestrel-base"\n[[stream]]\nname = "corrections"\n[base]\nstation_id = 417\n'
    said = [
        "is a site file, no scenario; `witnesspost watch` takes it, and `witnesspost replay SOURCE --site` plays a source by it"
    ]
    assert problems_of(tmp_path, site) == said
    assert problems_of(tmp_path, '[post]\nname = "kestrel-base"\n') == said
    assert len(problems_of(tmp_path, PLAIN + '[post]\nname = "kestrel-base"\n')) == 1
    assert "post" in problems_of(tmp_path, PLAIN + '[post]\nname = "kestrel-base"\n')[0]


def test_like_brings_site_and_world_but_no_events(tmp_path):
    (tmp_path / "lower.toml").write_text(PLAIN + '[rover]\neast_m = 7.0\n[[event]]\ndo = "fade"\nat_s = 1\nfor_s = 2\n')
    (tmp_path / "x.toml").write_text('like = "lower"\nnote = "over it"\n[rover]\nnorth_m = 9.0\n')
    one = scenario(tmp_path / "x.toml")
    assert (one.rover.east_m, one.rover.north_m) == (7.0, 9.0)
    assert one.events == []
    assert one.note == "over it"


def test_variants_lie_over_the_file_and_add_their_events(tmp_path):
    found = read(
        tmp_path,
        PLAIN
        + """
        [[event]]
        do = "fade"
        at_s = 50
        for_s = 1
        [[variant]]
        name = "a"
        [[variant]]
        name = "b"
        duration_s = 90
        messages.kind = "msm7"
        event = [{ do = "base-off", at_s = 20 }]
        """,
    )
    assert [one.name for one in found] == ["x:a", "x:b"]
    assert [one.duration_s for one in found] == [60, 90]
    assert [one.messages.kind for one in found] == ["msm4", "msm7"]
    assert [[(type(e).__name__, e.at_s) for e in one.events] for one in found] == [
        [("Fade", 50)],
        [("BaseOff", 20), ("Fade", 50)],
    ]
    assert scenario(f"{tmp_path / 'x.toml'}:b").duration_s == 90
    with pytest.raises(ScenarioError, match="holds 2 variants; expected one of x:a, x:b"):
        scenario(tmp_path / "x.toml")
    with pytest.raises(ScenarioError, match="variant 'c': there is none of that name"):
        scenario(f"{tmp_path / 'x.toml'}:c")


def test_keys_can_be_taken_away(tmp_path):
    one = read(tmp_path, PLAIN + 'without = ["site.base.station_id", "site.radio.rover"]\n')[0]
    assert one.site.base.station_id is None
    assert one.site.radio.rover.frequency_mhz is None
    assert problems_of(tmp_path, PLAIN + 'without = ["site.bass"]\n') == [
        "without: read 'site.bass'; expected a key of the scenario"
    ]


def test_everything_wrong_is_said_at_once(tmp_path):
    found = problems_of(
        tmp_path,
        """
        like = "quiet-hour-rover"
        duration_s = -5
        speed = 3
        [rover]
        position_hz = 3
        [messages]
        kind = "msm9"
        systems = "GX"
        [[event]]
        do = "explode"
        at_s = 3
        [[event]]
        do = "fade"
        at_s = -1
        fro_s = 2
        [[event]]
        do = "occupy"
        at_s = 3
        point = "KQ-9"
        [[event]]
        do = "port-lost"
        at_s = 3
        stream = "corections"
        """,
    )
    text = "\n".join(found)
    for part in (
        "duration_s: read -5;",
        "speed: unknown key",
        'rover.position_hz: read 3; expected "1" or "5" or "10" or "20"',
        'messages.kind: read \'msm9\'; expected "msm4" or "msm7" or "legacy"',
        "event[1].do: read 'explode'",
        "event[2].at_s: read -1; expected a number from 0",
        "event[2].fro_s: unknown key; did you mean for_s?",
        "event.point: 'KQ-9' is not a control point of the site",
        "event.stream: 'corections' is not a stream of the site; did you mean corrections?",
    ):
        assert part in text
    assert len(found) == 9


def test_problems_of_the_site_are_those_of_the_site_file(tmp_path):
    found = problems_of(tmp_path, PLAIN + '[site.base]\noccupies = "KQ-7"\nantenna_hight_m = 1.8\n')
    assert found == [
        "site.base.antenna_hight_m: unknown key; did you mean antenna_height_m or antenna?",
        "site.base.occupies: 'KQ-7' is not a listed control point; expected one of KQ-1, KQ-2, KQ-3",
    ]
    found = problems_of(tmp_path, PLAIN + "[site.rules.tiltt]\noff = true\n")
    assert found[0].startswith("site.rules.tiltt: there is no such rule; did you mean tilt?")
    found = problems_of(tmp_path, 'duration_s = 5\n[site.post]\nname = "a"\nrole = "rover"\n')
    assert found == ["site.stream: missing; expected a list of tables, [[…]]"]


def test_an_event_after_the_end_and_a_site_without_a_mark(tmp_path):
    found = problems_of(tmp_path, PLAIN + '[[event]]\ndo = "fade"\nat_s = 70\n')
    assert found == ["event.at_s: 70 is after the end at 60"]
    found = problems_of(
        tmp_path,
        'duration_s = 5\nsite = { post = { name = "a", role = "base" }, stream = [{ name = "a", port = "b", carries = '
        '["corrections"] }] }',
    )
    assert found == ["site.base.occupies: missing; the world needs a control point under the base"]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("a = ", "is not TOML"),
        ('like = "no-such"', "there is no such scenario file"),
        ("like = 3", "like: read 3; expected the name of another scenario"),
        ("duration_s = 5", "site: missing"),
        ("duration_s = 5\nvariant = 3", "variant: expected a list of tables"),
        ('variant = [{ name = "a" }, { name = "b" }, { name = "a" }]', "variant: a is there more than once"),
        ("duration_s = 5\nevent = 3", "event: read 3; expected a list of tables"),
    ],
)
def test_a_file_that_is_no_scenario(tmp_path, text, says):
    path = tmp_path / "x.toml"
    path.write_text(text)
    with pytest.raises(ScenarioError, match=says):
        scenarios(path)


def test_a_name_that_is_none_gets_the_nearest(tmp_path):
    with pytest.raises(ScenarioError, match="no such scenario file; did you mean base-switched-off"):
        scenarios("base-switched-of")
    with pytest.raises(ScenarioError, match="is not a file"):
        scenarios(tmp_path)


def test_a_circle_of_likes_ends(tmp_path):
    (tmp_path / "x.toml").write_text('like = "y"')
    (tmp_path / "y.toml").write_text('like = "x"')
    with pytest.raises(ScenarioError, match="like: read"):
        scenarios(tmp_path / "x.toml")


def test_all_bundled_scenarios_can_be_read_and_say_what_happens():
    names = [one.name for path in bundled() for one in scenarios(path)]
    assert len(names) == len(set(names)) > 100
    assert all(one.note for path in bundled() for one in scenarios(path))


def test_every_event_is_used_by_a_bundled_scenario():
    used = {type(event) for path in bundled() for one in scenarios(path) for event in one.events}
    assert {word for word, kind in EVENTS.items() if kind not in used} == set()
