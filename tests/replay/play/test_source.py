"""Logs and tapes of earlier days: their own site file is read under the names that its keys had then."""

import json

import msgspec
import pytest
from witnesspost.daemon.log.log import Log
from witnesspost.replay.play.source import NoSource, open_all, open_source
from witnesspost.replay.world.scenario import FOLDER
from witnesspost.rules.site.reading import site_from_toml

from tests.kestrel import ROVER

THEN = ROVER + "[rules.fix-lost]\nnever_s = 60.0\n"


@pytest.fixture
def log(tmp_path):
    log = Log.start(tmp_path, site_from_toml(ROVER), THEN)
    log.event(0.0, "rules-in-force", {"fix-lost": {"on_delay_s": 3.0, "never_s": 60.0}})
    log.close(1.0, "test")
    return tmp_path / "kestrel-rover.0001.db"


def test_a_logs_own_site_and_figures_are_read_under_their_old_names(log):
    with open_source(str(log)) as source:
        assert source.site.rules["fix-lost"] == {"never_fixed_s": 60.0}
        assert source.site_text == THEN
        assert source.figures == {"fix-lost": {"on_delay_s": 3.0, "never_fixed_s": 60.0}}


def test_a_tapes_own_site_too(tmp_path):
    site = msgspec.toml.decode(THEN)
    tape = tmp_path / "old.jsonl"
    tape.write_text(json.dumps({"tape": 1, "streams": ["receiver"], "note": "", "site": site}) + "\n")
    with open_source(str(tape)) as source:
        assert source.site.rules["fix-lost"] == {"never_fixed_s": 60.0}
        assert list(source.records) == []


@pytest.mark.parametrize("name", ["fix-lost:never-fixed", "{folder}/fix-lost.toml:never-fixed"])
def test_a_variant_is_named_after_its_file_wherever_that_lies(name):
    name = name.format(folder=FOLDER)
    (_, one), *others = open_all(name)
    with one, open_source(name) as source:
        assert {(it.kind, it.site.post.role) for it in (one, source)} == {("scenario", "rover")}
    assert others == []


def test_a_seed_for_what_is_not_invented_is_an_error(log, tmp_path):
    (tmp_path / "old.jsonl").write_text(json.dumps({"tape": 1, "streams": ["receiver"], "note": "", "site": {}}) + "\n")
    for name in (log, tmp_path / "old.jsonl"):
        with pytest.raises(NoSource, match="leave --seed out"):
            open_source(str(name), seed=7)
