"""Keys that have another name now: a site file learns it, a record of earlier days is still read."""

import msgspec
import pytest
from witnesspost.rules.book.contents import FIGURES
from witnesspost.rules.site.model import SiteError, figures_of
from witnesspost.rules.site.reading import site_from_toml
from witnesspost.rules.site.renamed import RENAMED, under_new_names

SITE = """
[post]
name = "kestrel-base"
role = "base"
[[stream]]
name = "corrections"
port = "/dev/ttyUSB0"
carries = ["corrections"]
[rules]
"""
NAMES = [  # as the contract has them
    ("corrections-stopped", "first_s", "first_silence_s"),
    ("fix-lost", "never_s", "never_fixed_s"),
    ("base-moved", "lasts_s", "news_s"),
    ("base-moved", "right_m", "tolerance_m"),
    ("link-overload", "limit", "limit_share"),
]


@pytest.mark.parametrize(("rule", "old", "new"), NAMES)
def test_an_old_name_is_an_error_that_names_the_new_one(rule, old, new):
    with pytest.raises(SiteError) as caught:
        site_from_toml(f"{SITE}{rule}.{old} = 0.5", "", FIGURES)
    assert caught.value.problems == [f"rules.{rule}.{old} is now called {new}"]


@pytest.mark.parametrize(("rule", "old", "new"), NAMES)
def test_a_recorded_site_file_is_read_under_its_old_names(rule, old, new):
    site = site_from_toml(f"{SITE}{rule}.{old} = 0.5", "", FIGURES, recorded=True)
    assert getattr(figures_of(site, rule, FIGURES[rule]), new) == 0.5
    both = site_from_toml(f"{SITE}{rule} = {{ {old} = 0.5, {new} = 0.25 }}", "", FIGURES, recorded=True)
    assert getattr(figures_of(both, rule, FIGURES[rule]), new) == 0.25


@pytest.mark.parametrize(("rule", "old", "new"), NAMES)
def test_each_new_name_is_a_figure_and_no_old_one_is(rule, old, new):
    names = {field.name for field in msgspec.structs.fields(FIGURES[rule])}
    assert new in names
    assert old not in names
    assert RENAMED[rule][old] == new


def test_what_is_no_table_of_figures_is_left_for_the_reader_to_refuse():
    assert under_new_names({"fix-lost": 3, "sky": {"never_s": 1}}) == {"fix-lost": 3, "sky": {"never_s": 1}}
    with pytest.raises(SiteError, match="rules: read 'off'"):
        site_from_toml(SITE.replace("[rules]", "").replace("[post]", 'rules = "off"\n[post]'), "", FIGURES, recorded=True)
