"""A log's copy of its site file holds all that judging needs."""

from witnesspost.rules.site.model import ControlFile
from witnesspost.rules.site.reading import site_from_toml
from witnesspost.rules.site.recorded import self_contained

SITE = """
[post]
name = "kestrel-base"
role = "base"
[[stream]]
name = "corrections"
port = "loop://"
carries = ["corrections"]
[project]   # a comment
frame = "EPSG:6319"
vertical = "geoid"
[[project.control]]
name = "KQ-1"
latitude = "39 07 24.4441 N"
longitude = -104.9876543
height = 1874.322
"""


def test_a_site_file_without_control_files_is_kept_as_it_is():
    assert self_contained(SITE, site_from_toml(SITE)) == SITE


def test_the_marks_of_control_files_stand_in_the_files_stead():
    site = site_from_toml(SITE)
    more = site_from_toml(SITE.replace("KQ-1", "KQ-2")).project.control
    site.project.control += more
    site.project.control_file = [ControlFile(path="control.csv")]
    text = SITE + '[[project.control_file]]\npath = "control.csv"\n'
    again = site_from_toml(self_contained(text, site), recorded=True)
    assert [mark.name for mark in again.project.control] == ["KQ-1", "KQ-2"]
    assert [(m.latitude, m.longitude, m.height) for m in again.project.control] == [
        ("39 07 24.4441 N", -104.9876543, 1874.322)
    ] * 2
    assert again.project.control_file == []
    site.project.control = again.project.control
    site.project.control_file = []
    assert again == site


def test_a_text_that_is_no_site_file_is_kept_as_it_is():
    site = site_from_toml(SITE)
    site.project.control_file = [ControlFile(path="control.csv")]
    for text in ("[project", "", "a = 1"):
        assert self_contained(text, site) == text
