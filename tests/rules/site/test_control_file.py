"""Control points from a CSV file: what its header says, and a line for each thing that is wrong, by file and line."""

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st
from witnesspost.rules.book.contents import FIGURES
from witnesspost.rules.site.control_file import control_of
from witnesspost.rules.site.model import ControlFile, SiteError
from witnesspost.rules.site.reading import draft_of_file
from witnesspost.rules.site.tables import TableReader

SITE = """
[post]
name = "kestrel-base"
role = "base"
[[stream]]
name = "corrections"
port = "/dev/ttyUSB0"
carries = ["corrections"]
[project]
vertical = "geoid"
[[project.control]]
name = "KQ-0"
latitude = 39.1
longitude = -105.0
height = 1874.0
[[project.control_file]]
path = "control.csv"
[base]
occupies = "KQ-1"
antenna_height_m = 1.8
"""
GEOGRAPHIC = "name,latitude,longitude,height\nKQ-1,39.1234567,-104.9876543,1874.322\nKQ-2,39 07 24.4441 N,W104-59-15,1880\n"


def read(folder, content, site=SITE):
    (folder / "site.toml").write_text(site)
    (folder / "control.csv").write_bytes(content if isinstance(content, bytes) else content.encode())
    return draft_of_file(folder / "site.toml", FIGURES).sound()


def problems_of(folder, content, site=SITE):
    with pytest.raises(SiteError) as caught:
        read(folder, content, site)
    return caught.value.problems


def test_marks_come_from_the_file_beside_those_of_the_site_file(tmp_path):
    site = read(tmp_path, GEOGRAPHIC)
    assert [(p.name, p.latitude, p.longitude, p.height) for p in site.project.control] == [
        ("KQ-0", 39.1, -105.0, 1874.0),
        ("KQ-1", 39.1234567, -104.9876543, 1874.322),
        ("KQ-2", "39 07 24.4441 N", "W104-59-15", 1880.0),
    ]
    assert site.control_point("KQ-2").where == "control.csv line 3"


@pytest.mark.parametrize(
    "content",
    [
        GEOGRAPHIC.replace(",", ";"),
        GEOGRAPHIC.replace(",", "\t"),
        GEOGRAPHIC.replace("\n", "\r\n"),
        "\ufeff" + GEOGRAPHIC,
        GEOGRAPHIC + "\n\n,,,\n",
        GEOGRAPHIC.replace("name,latitude", "Name, LATITUDE"),
        "code," + GEOGRAPHIC.replace("\nKQ", "\nnail,KQ"),
    ],
)
def test_other_ways_to_write_the_same(tmp_path, content):
    want = [(p.name, p.latitude, p.longitude, p.height) for p in read(tmp_path, GEOGRAPHIC).project.control]
    assert [(p.name, p.latitude, p.longitude, p.height) for p in read(tmp_path, content).project.control] == want


def test_a_sites_own_grid_with_what_gnss_has(tmp_path):
    site = SITE.replace('vertical = "geoid"', 'frame = "local"\ngnss_frame = "EPSG:6319"').replace(
        "latitude = 39.1\nlongitude = -105.0", "easting = 1.0\nnorthing = 2.0"
    )
    text = (
        "name,easting,northing,height,latitude,longitude,ellipsoidal_height\n"
        "KQ-1,1000.0,2000.0,50.0,39.1,-105.0,1850.0\nKQ-2,1100.0,2000.0,51.0,,,\n"
    )
    one, two = read(tmp_path, text, site).project.control[1:]
    assert (one.easting, one.ellipsoidal_height, two.ellipsoidal_height) == (1000.0, 1850.0, None)


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        ("", "control.csv line 1: no header; expected the columns' names: name, latitude, longitude, easting"),
        ("\n\n", "control.csv line 1: no header"),
        ("KQ-1,39.1,-105.0,1874.3\n", "control.csv line 1: no column name; expected the columns' names: name, lat"),
        ("name,lat,lon,height\n", "control.csv line 1: expected the columns latitude and longitude, or easting and n"),
        ("name,latitude,longitude,hieght\n", "control.csv line 1: no column height; expected the columns' names: name"),
        ("name,height,height,latitude,longitude\n", "control.csv line 1: height is there twice; expected each column once"),
        (GEOGRAPHIC.replace("1874.322", "1874,322"), "control.csv line 2: 5 cells; expected 4, as in the header (a dec"),
        (GEOGRAPHIC.replace(",1874.322", ""), "control.csv line 2: 3 cells; expected 4, as in the header"),
        (GEOGRAPHIC.replace(",", ";").replace("1874.322", "1874,322"),
         "control.csv line 2.height: read '1874,322'; expected a number, with a point: 1874.322"),
        (GEOGRAPHIC.replace("1874.322", "high"), "control.csv line 2.height: read 'high'; expected a number"),
        (GEOGRAPHIC.replace("1874.322", "nan"), "control.csv line 2.height: read 'nan'; expected a number"),
        (GEOGRAPHIC.replace("1874.322", ""), "control.csv line 2.height: missing; expected a number"),
        (GEOGRAPHIC.replace("1874.322", "9" * 5000), "control.csv line 2.height: read '999"),
        (GEOGRAPHIC.replace("39.1234567", "north"), "control.csv line 2 (KQ-1).latitude: read 'north', which is not an angle"),
        (GEOGRAPHIC.replace("39.1234567", "39,1234567").replace(",", ";").replace("39;", "39,"),
         "control.csv line 2 (KQ-1).latitude: read '39,1234567', with a decimal comma; expected a point"),
        (GEOGRAPHIC + 'KQ-3,"39.1\n2",-105.0,1\n', "control.csv line 5 (KQ-3).latitude: read"),
        (GEOGRAPHIC.replace("KQ-2", '"KQ\n2"'), "control.csv line 4.name: read 'KQ\\n2'; expected a text"),
        (GEOGRAPHIC + "KQ-0,39.1,-105.0,1\n", "project.control: 'KQ-0' is there 2 times; expected once"),
        (GEOGRAPHIC.encode("utf-16"), "control.csv: is UTF-16; save it as UTF-8"),
        (GEOGRAPHIC.replace("KQ-2", "Süd").encode("latin-1"), "control.csv: line 3: a byte that is not UTF-8"),
        (GEOGRAPHIC.replace("KQ-2", "KQ\0"), "control.csv: holds a NUL; expected text (CSV)"),
        (GEOGRAPHIC + '"' + "x" * 200_000, "control.csv line 4: is not CSV"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_told_by_file_and_line_and_hides_nothing(tmp_path, content, problem):
    problems = problems_of(tmp_path, content, SITE.replace('role = "base"', 'role = "bass"'))
    assert problems[0].startswith("post.role")
    assert problems[1].startswith(problem)
    assert len(problems) == 2, problems
    assert all(said.isprintable() for said in problems)


def test_a_file_that_is_not_there(tmp_path):
    (tmp_path / "site.toml").write_text(SITE)
    with pytest.raises(SiteError) as caught:
        draft_of_file(tmp_path / "site.toml", FIGURES).sound()
    assert caught.value.problems == [
        "project.control_file[1].path: read 'control.csv', which cannot be read: No such file or directory; expected a CSV file"
    ]


def test_a_thousand_wrong_lines_are_told_in_few(tmp_path):
    problems = problems_of(tmp_path, "name,latitude,longitude,height\n" + "KQ-1,39.1,-105.0,high\n" * 1000)
    assert len(problems) == 21
    assert problems[-1] == "980 more lines like these"


names = st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc", "Zl", "Zp")), min_size=1, max_size=12).filter(
    lambda name: name == name.strip()
)
metres = st.floats(-9e6, 9e6, allow_nan=False).map(lambda value: round(value, 4))


@given(st.lists(st.tuples(names, metres, metres, st.floats(-900, 9000)), max_size=6), st.sampled_from(",;\t"))
def test_what_a_csv_library_writes_comes_back(tmp_path_factory, rows, delimiter):
    text = io.StringIO()
    writer = csv.writer(text, delimiter=delimiter)
    writer.writerow(["name", "easting", "northing", "height"])
    writer.writerows([[name, f"{e:.4f}", f"{n:.4f}", f"{h:.4f}"] for name, e, n, h in rows])
    folder = tmp_path_factory.mktemp("csv")
    (folder / "a.csv").write_text(text.getvalue(), newline="")
    reader = TableReader()
    points = control_of([ControlFile(path="a.csv")], folder, reader)
    assert reader.problems == []
    assert [(p.name, p.easting, p.northing, p.height) for p in points] == [(n, e, k, float(f"{h:.4f}")) for n, e, k, h in rows]


@given(st.binary(max_size=80))
def test_any_bytes_are_points_or_problems(tmp_path_factory, data):
    folder = tmp_path_factory.mktemp("csv")
    (folder / "a.csv").write_bytes(b"name,easting,northing,height\n" + data)
    reader = TableReader()
    control_of([ControlFile(path="a.csv")], folder, reader)
    assert all(problem.isprintable() for problem in reader.problems)


def test_a_file_that_is_something_else_is_not_shown(tmp_path):
    with pytest.raises(SiteError) as error:
        read(tmp_path, "root:secret:20228:0:99999:7:::\nkim:secret:20228::::::\n")
    assert "secret" not in str(error.value)
    assert "expected the columns' names: name, latitude" in str(error.value)
