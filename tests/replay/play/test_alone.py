"""One rule judged alone, the others' alerts as the log has them: it says what it says among all of them."""

import msgspec
import pytest
import tomli_w
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.replay.play.player import play
from witnesspost.replay.play.source import open_source
from witnesspost.rules.book.words import words

from tests.replay.play.test_stored_facts import FAMILIES, logged

# Consequences of another rule's alert, what waits for another's proof, and a watch that another's alert begins anew.
SOME = (
    "base-moved",
    "control-check",
    "rover-radio-other-frequency",
    "radio-cable-pulled-and-back",
    "link-overload",
    "message-set",
)
ENCODE = msgspec.json.Encoder(enc_hook=str).encode


def said(path, site_file=None, alone=None):
    """All changes, each without its number, by rule."""
    with open_source(str(path), site_file) as source:
        pipeline = Pipeline(source.site, begins_t=source.begins_t, alone=alone, others=source.changes() if alone else ())
        found = {}
        for change in play(pipeline, source.records, end_t=source.end_t):
            found.setdefault(change.rule, []).append(ENCODE([msgspec.structs.replace(change, alert=0), words(change)]))
        return found


@pytest.mark.slow
@pytest.mark.parametrize("family", SOME)
def test_a_rule_alone_says_what_it_says_among_all(tmp_path, family):
    path = logged(tmp_path, FAMILIES[family])
    whole = said(path)
    assert whole
    for rule, changes in whole.items():
        assert said(path, alone=rule)[rule] == changes


def test_by_other_figures_it_is_still_explained_by_what_stood(tmp_path):
    path = logged(tmp_path, FAMILIES["radio-cable-pulled-and-back"])
    other = tmp_path / "other.toml"
    table = FAMILIES["radio-cable-pulled-and-back"].site_table
    late = {"corrections-late": {"limit_s": 3.0, "on_delay_s": 1.0}}
    other.write_text(tomli_w.dumps({**table, "rules": late}))
    alone = said(path, str(other), "corrections-late")
    assert set(alone) == {"corrections-late"}
    assert alone == {"corrections-late": said(path, str(other))["corrections-late"]}
    assert b'"because_of":"corrections-stopped"' in alone["corrections-late"][0]


def test_a_log_whose_others_stand_no_more_leaves_it_unexplained(tmp_path):
    path = logged(tmp_path, FAMILIES["radio-cable-pulled-and-back"])
    with open_source(str(path)) as source:
        pipeline = Pipeline(source.site, alone="fix-lost")
        changes = [change for change in play(pipeline, source.records, end_t=source.end_t) if change.change == "raised"]
    assert changes
    assert {change.because_of for change in changes} == {None}
