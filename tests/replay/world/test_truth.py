"""What follows from each event, and from silence: the truth lines, whatever the rules say."""

from __future__ import annotations

import pytest
from witnesspost.replay.world.scenario import scenario
from witnesspost.replay.world.truth import Silence, truths

HEAD = 'like = "{like}"\nduration_s = 600\nnote = "x"\n'


def told(tmp_path, text, like="quiet-hour-rover"):
    """(rule, expect, causes, t, within) of the truth lines of a scenario with these lines."""
    path = tmp_path / "x.toml"
    path.write_text(HEAD.format(like=like) + text)
    return [(line.rule, line.expect, line.causes, line.t, round(line.within_s, 3)) for line in truths(scenario(path))]


def event(**keys):
    return "[[event]]\n" + "".join(f"{key.replace('_', '_')} = {value}\n" for key, value in keys.items())


@pytest.mark.parametrize(
    ("keys", "wanted"),
    [
        ({"do": '"neighbour"', "at_s": 100, "instead": "true"}, [("wrong-channel", "another-base", 100, 5.3)]),
        ({"do": '"neighbour"', "at_s": 100, "for_s": 2}, []),
        ({"do": '"tilt"', "at_s": 100, "angle_deg": 16}, [("tilt", "pole-too-far-over", 100, 4.8)]),
        ({"do": '"tilt"', "at_s": 100, "angle_deg": 15}, [("tilt", "pole-too-far-over", 100, 4.8)]),
        ({"do": '"tilt"', "at_s": 100, "angle_deg": 1.5}, []),
        ({"do": '"tilt"', "at_s": 100, "angle_deg": 46}, []),
        ({"do": '"separation"', "at_s": 0, "how": '"none"'}, [("height-reference", "no-separation", 0, 11.8)]),
        ({"do": '"broadcast"', "at_s": 0, "cause": '"rounded"'}, [("base-datum", "rounded", 0, 12.3)]),
        ({"do": '"broadcast"', "at_s": 50, "up_m": 1}, [("base-moved", "coordinate-changed", 50, 12.3)]),
        ({"do": '"antenna"', "at_s": 0, "descriptor": '"X"'}, [("antenna-mismatch", "descriptor-differs", 0, 32.3)]),
        ({"do": '"fix"', "at_s": 90, "state": '"none"'}, [("fix-lost", "no-position", 90, 4.8)]),
        ({"do": '"fix"', "at_s": 0, "state": '"float"'}, [("fix-lost", "float", 0, 125.0)]),
        ({"do": '"fix"', "at_s": 0, "for_s": 90, "state": '"float"'}, []),
        ({"do": '"messages"', "at_s": 0, "bias_s": 0}, [("message-set", "no-glonass-bias", 0, 91.3)]),
        ({"do": '"messages"', "at_s": 0, "station_s": 30}, []),
        ({"do": '"old-epochs"', "at_s": 9, "by_s": 6}, [("corrections-late", "old-epochs", 9, 17.3)]),
        ({"do": '"health"', "at_s": 9, "temperature_c": 79.9}, []),
        ({"do": '"health"', "at_s": 9, "temperature_c": 80}, [("post-health", "hot", 9, 1.3)]),
        ({"do": '"health"', "at_s": 9, "temperature_c": 80, "silent": "true"}, []),
        ({"do": '"fade"', "at_s": 9, "for_s": 3}, []),
    ],
)
def test_what_follows_from_an_event(tmp_path, keys, wanted):
    said = told(tmp_path, event(**keys))
    assert said == [(rule, "raised", [cause], t, within_s) for rule, cause, t, within_s in wanted]


def test_what_an_event_expects_stands_in_place_of_what_the_model_knows(tmp_path):
    text = event(do='"tilt"', at_s=100, angle_deg=30, expect='[{ rule = "sky", cause = "few-satellites", after_s = 5 }]')
    assert told(tmp_path, text) == [("sky", "raised", ["few-satellites"], 105, 46.3)]


def test_the_scenarios_own_truth_and_the_radio_tables(tmp_path):
    text = 'truth = [{ t = 3, rule = "sky", within_s = 2, expect = "cleared" }]\n[site.radio.rover]\nprotocol = "other"\n'
    assert told(tmp_path, text) == [
        ("radio-sheet", "raised", ["protocol-differs"], 0, 0.3),
        ("sky", "cleared", [], 3, 2),
    ]


def test_the_rover_alone_has_a_pole(tmp_path):
    assert told(tmp_path, event(do='"tilt"', at_s=9, angle_deg=60), like="quiet-hour-base") == []


def watched(epochs, until, *, interval_s=1.0, lost_at=None, held=(), because_of=None):
    silence, said = Silence(interval_s), []
    for t in range(until):
        for epoch in epochs:
            if t - 1 < epoch <= t:
                silence.epoch(epoch)
        gone = (lost_at, "port-lost") if lost_at is not None and t >= lost_at else None
        said += silence.due_at(float(t), "line-silent", gone, t in held, because_of)
    return [(line.expect, line.cause, line.t, round(line.within_s, 3), line.because_of) for line in said]


SECONDS = [n + 0.4 for n in range(100)]


@pytest.mark.parametrize(
    ("epochs", "more", "wanted"),
    [
        (SECONDS, {}, []),
        (SECONDS[:50], {}, [("raised", "line-silent", 49.4, 5.3, None)]),
        (SECONDS[:50], {"because_of": "wrong-channel"}, [("raised", "line-silent", 49.4, 5.3, "wrong-channel")]),
        (
            SECONDS[:30] + SECONDS[60:],
            {},
            [("raised", "line-silent", 29.4, 5.3, None), ("cleared", None, 60.4, 3.3, None)],
        ),
        (SECONDS[:30] + SECONDS[34:], {}, []),
        (SECONDS[::5], {"interval_s": 5.0}, []),
        (SECONDS[:50:5], {"interval_s": 5.0}, [("raised", "line-silent", 45.4, 15.3, None)]),
        ([], {}, [("raised", "line-silent", 0.0, 15.3, None)]),
        (SECONDS[:50], {"lost_at": 50.0}, [("raised", "port-lost", 50.0, 2.3, None)]),
        (SECONDS[:50] + SECONDS[70:], {"held": range(40, 80)}, []),
    ],
)
def test_silence(epochs, more, wanted):
    assert watched(epochs, 100, **more) == wanted
