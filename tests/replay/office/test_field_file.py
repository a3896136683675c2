"""Field files as people make them: each is read, or ends with one line that says what to state."""

import datetime as dt
import json
import xml.etree.ElementTree as ET

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from witnesspost.replay.commands.points import points
from witnesspost.replay.commands.report import report
from witnesspost.replay.office.field_file import read_field
from witnesspost.replay.office.field_points import FieldError


def near(first, second, grid):
    """Kestrel quarry: 4330477 north, 501067 east (UTM 13), 39.12 north, 105 west."""
    if grid:
        return ((first - 4330477.0) ** 2 + (second - 501067.0) ** 2) ** 0.5
    return 111_000.0 * ((first - 39.12) ** 2 + (second + 104.99) ** 2) ** 0.5


def read(tmp_path, text, name="field.csv", **more):
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_field(path, near, **more)


ROWS = [("101", 4330501.25, 501100.5, 1874.25, "toe"), ("102", 4330502.25, 501101.5, 1875.5, "crest")]


def check(field, heights=(1874.25, 1875.5)):
    assert [point.name for point in field.points] == ["101", "102"]
    assert [(point.first, point.second) for point in field.points] == [(row[1], row[2]) for row in ROWS]
    assert [point.height for point in field.points] == list(heights)
    assert [point.code for point in field.points] == ["toe", "crest"]


@pytest.mark.parametrize(
    ("delimiter", "decimal", "header", "order"),
    [
        (",", ".", "Point,Northing,Easting,Elevation,Description", (0, 1, 2, 3, 4)),
        (",", ".", "", (0, 1, 2, 3, 4)),
        (",", ".", "", (0, 2, 1, 3, 4)),  # easting first: the control says which is which
        (";", ",", "Nr;Hochwert;Rechtswert;Höhe;Code", (0, 1, 2, 3, 4)),
        (";", ",", "", (0, 2, 1, 3, 4)),
        ("\t", ".", "id\tE (m)\tN (m)\tZ (m)\tcode", (0, 2, 1, 3, 4)),
        (" ", ".", "", (0, 1, 2, 3, 4)),
        (",", ".", "code,z,x,y,point", (4, 3, 2, 1, 0)),  # x is east here, by the control
        (",", ".", "code,z,x,y,point", (4, 3, 1, 2, 0)),  # and north here
        (";", ".", "PT ID;NORTH;EAST;ELEV;DESC", (0, 1, 2, 3, 4)),
        ("|", ".", "point|north|east|height|code", (0, 1, 2, 3, 4)),
    ],
)
def test_csv_of_every_kind(tmp_path, delimiter, decimal, header, order):
    lines = [delimiter.join(str(row[at]) for at in order) for row in ROWS]
    if decimal == ",":
        lines = [line.replace(".", ",") for line in lines]
    check(read(tmp_path, "\n".join(([header] if header else []) + lines) + "\n"))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_csv_of_every_encoding_and_line_end(tmp_path, encoding):
    text = "Nr;Hochwert;Rechtswert;Höhe;Code\r\n" + "\r\n".join(";".join(map(str, row)) for row in ROWS)
    check(read(tmp_path, text.encode(encoding)))


def test_geographic_csv_in_decimals_and_in_degrees_minutes_and_seconds(tmp_path):
    decimal = read(tmp_path, "point,lat,lon,height\nA,39.1234567,-104.9876543,1874.322\n")
    written = read(tmp_path, "point;lat;lon;height\nA;39 07 24.44412 N;104 59 15.55548 W;1874.322\n")
    for field in (decimal, written):
        assert not field.grid
        assert (field.points[0].first, field.points[0].second) == pytest.approx((39.1234567, -104.9876543), abs=1e-9)


def test_landxml_is_northing_easting_elevation_in_the_unit_that_it_states(tmp_path, written):
    """The shape is the published schema's (landxml.org, LandXML-1.2.xsd: Units, CgPoints, CgPoint with a list of doubles,
    northing first); names, namespace and linearUnit's words are checked as the schema spells them."""
    path = written(form="landxml", unit="us-ft")
    root = ET.parse(path).getroot()
    space = "{http://www.landxml.org/schema/LandXML-1.2}"
    assert root.tag == f"{space}LandXML"
    assert set(root.attrib) >= {"version", "date", "time"}  # required by the schema
    assert root.find(f"{space}Units/{space}Imperial").get("linearUnit") == "USSurveyFoot"
    field = read_field(path, near)
    assert field.unit == "us-ft"
    for element, point in zip(root.iter(f"{space}CgPoint"), field.points, strict=True):
        north, east, up = map(float, element.text.split())
        assert (point.name, point.first, point.second, point.height) == (element.get("name"), north, east, up)


def test_geojson_is_longitude_latitude_height(tmp_path):
    feature = {"type": "Feature", "geometry": {"type": "Point", "coordinates": [-104.98, 39.12, 1870.5]},
               "properties": {"name": "7", "code": "toe", "start": "2026-06-19T13:00:00Z"}}  # fmt: skip
    field = read(tmp_path, json.dumps({"type": "FeatureCollection", "features": [feature]}), "field.geojson")
    (point,) = field.points
    assert (point.name, point.first, point.second, point.height, point.code) == ("7", 39.12, -104.98, 1870.5, "toe")
    assert point.start == dt.datetime(2026, 6, 19, 13, tzinfo=dt.UTC)


HEAD = "point,northing,easting,height\n"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty; expected points"),
        ("\n \n", "is empty; expected points"),
        (b"SQLite format 3\x00\x00\x01" + bytes(200), "is binary; expected text"),
        (bytes(range(1, 256)) * 4, "is binary; expected text"),
        ("point,northing,easting,height,code,start,end\n", "holds no points (read 'point, northing, easting"),
        ("hello\nworld\n", "no columns can be made out (read 'hello')"),
        ("101,4330501,25,501100,5,1874,25\n102,4330502,25,501101,5,1875,5\n", "commas between the columns and, it seems,"),
        (HEAD + "1,4330501.2,501100.5,1874.2\n2,4330501.2,501100.5\n", None),
        (HEAD + "1,4330501.2,501100.5,1874.2\n2,4330501.2\n3,4330501.2,501100.5,1874.2\n", "line 3: 2 columns, the others"),
        (HEAD + "1,4330501.2,501100.5,high\n", "line 2: height: read 'high'; expected a number with a decimal point"),
        ("a;1,5;2.5;3,5\nb;1,5;2.5;3,5\n", "decimal points and with decimal commas"),
        ("point,x,y,z\n1,10.5,20.5,30\n2,11.5,21.5,31\n", "x and y, and not which is north; state the columns"),
        ("1,13000000.5,1640000.25,6149.1\n2,13000001.5,1640001.25,6149.2\n", "no two columns lie near the project's control"),
        ("point,height,code\n1,1874.2,toe\n2,1875.2,toe\n", "no column says the northing and easting, or latitude"),
        (HEAD.replace("height", "start") + "1,4330501.2,501100.5,19.06.26\n", "read '19.06.26'; expected year, month, day"),
        ("<html><body>no</body></html>", "XML, but no LandXML (read <html>)"),
        ("<LandXML><CgPoints><CgPoint name='1'>1 2", "is no whole XML"),
        ("<!DOCTYPE a [<!ENTITY b 'c'>]><LandXML/>", "XML with a document type"),
        ("<LandXML><CgPoints/></LandXML>", "holds no points"),
        ("<LandXML><Units><Metric linearUnit='furlong'/></Units></LandXML>", "linearUnit: read 'furlong'"),
        ("<LandXML><CgPoints><CgPoint name='1'>north east</CgPoint></CgPoints></LandXML>", "CgPoint 1: read 'north east'"),
        ('{"type": "Topology"}', "JSON, but no FeatureCollection"),
        ('{"type": "FeatureCollection"', "is no whole JSON"),
        ('{"type":"FeatureCollection","crs":{},"features":[]}', "names a crs, which GeoJSON has no more"),
        ('{"type":"FeatureCollection","features":[{"type":"Feature","geometry":{"type":"Point","coordinates":[501100,4330501]}}]}',
         "no longitude and latitude; expected degrees"),
    ],
)  # fmt: skip
def test_a_bad_file_is_one_line_that_says_what_to_do(tmp_path, text, words):
    if words is None:  # a height that is not there is no reason to refuse a file
        assert [point.height for point in read(tmp_path, text).points] == [1874.2, None]
        return
    with pytest.raises(FieldError) as error:
        read(tmp_path, text)
    assert words in str(error.value)
    assert "\n" not in str(error.value)


def test_columns_may_be_stated(tmp_path):
    text = "13000000.5,1640000.25,A,6149.1,-\n13000001.5,1640001.25,B,6149.2,-\n"
    field = read(tmp_path, text, columns="north,east,name,height,-")
    assert [(point.name, point.first, point.height) for point in field.points] == [
        ("A", 13000000.5, 6149.1),
        ("B", 13000001.5, 6149.2),
    ]
    with pytest.raises(FieldError, match="--columns: read 'westing'; expected one of name, north"):
        read(tmp_path, text, columns="north,westing")


def test_names_that_stand_twice_are_told(tmp_path):
    field = read(tmp_path, HEAD + "1,4330501.2,501100.5,1874.2\n1,4330502.2,501100.5,1874.2\n2,4330503.2,501100.5,1874.2\n")
    assert field.twice == ["1"]


@given(st.binary(max_size=400))
def test_any_bytes_are_read_or_refused_in_a_line(tmp_path_factory, data):
    path = tmp_path_factory.mktemp("any") / "field"
    path.write_bytes(data)
    said = ""
    try:
        read_field(path, near)
    except FieldError as error:
        said = str(error)
    assert "\n" not in said


numbers = st.floats(-9e6, 9e6, allow_nan=False).map(lambda value: round(value, 4))


@given(
    st.lists(st.tuples(numbers, numbers, numbers), min_size=1, max_size=20),
    st.sampled_from([(",", "."), (";", ","), ("\t", ".")]),
)
def test_what_was_written_under_a_header_is_what_is_read(tmp_path_factory, rows, form):
    delimiter, decimal = form
    path = tmp_path_factory.mktemp("csv") / "field.csv"
    lines = [delimiter.join(["point", "northing", "easting", "height"])]
    lines += [delimiter.join([f"P{k}", *(f"{value:.4f}".replace(".", decimal) for value in row)]) for k, row in enumerate(rows)]
    path.write_text("\n".join(lines) + "\n")
    field = read_field(path, near)
    assert [(point.first, point.second, point.height) for point in field.points] == rows


# ── what the numbers mean ───────────────────────────────────────────────────────────────────────────────────────────────


def run(log, field, *options):
    return CliRunner().invoke(points, [str(log), "--points", str(field), *options, "-o", "-"])


@pytest.mark.parametrize(
    ("controller", "options", "words"),
    [
        ({"times": "utc"}, [], "its times are 6 h ahead of the log where its places are the log's"),
        ({"times": "local"}, ["--times", "utc"], "its times are 6 h behind the log where its places are the log's"),
        ({"times": "utc", "ground_scale": 1.00069}, [], "look 6 h ahead of the log; state --times utc"),
        ({"ground_scale": 1.00069}, ["--times", "utc"], "look 6 h behind the log; state --times local"),
        ({"unit": "ft", "ground_scale": 1.00069}, [], "counts in feet; state --unit ft or us-ft"),
        ({"ground_scale": 1.00069}, ["--unit", "us-ft"], "counts in metres; state --unit m"),
        ({"form": "csv", "unit": "ft", "times": "none"}, [], "state the file's own --frame and --unit"),
        ({"form": "csv-bare", "unit": "ft"}, [], "no two columns lie near the project's control"),
        ({"form": "landxml", "unit": "ft"}, ["--unit", "m"], "--unit m, and the file itself says ft"),
        ({}, ["--frame", "EPSG:4326"], "is geographic; state its grid with --frame"),
        ({}, ["--frame", "EPSG:32613"], "expected the regional frame that the controller really used"),
        ({}, ["--frame", "EPSG:1"], "--frame: read 'EPSG:1', which PROJ does not know"),
    ],
)
def test_what_must_be_stated_is_said(day, written, controller, options, words):
    result = run(day[0], written(**controller), *options)
    assert (result.exit_code, words in result.stderr) == (2, True), result.stderr
    assert "Traceback" not in result.stderr


def test_a_field_file_of_the_day_before_is_said_to_be_one(day, written, tmp_path):
    """Two days at the same stakes, or a controller whose date is wrong."""
    before = tmp_path / "before.csv"
    before.write_text(written().read_text().replace("2026-06-19", "2026-06-18"))
    result = run(day[0], before)
    assert (result.exit_code, "its times are 1 day before the log's, and its places are the log's" in result.stderr) == (
        2,
        True,
    )
    assert "name the log of that day" in result.stderr
    assert "--times" not in result.stderr


def test_a_second_field_file_is_refused_and_not_left_out(day, written):
    for command in (points, report):
        result = CliRunner().invoke(command, [str(day[0]), *("--points", str(written())) * 2, "-o", "-"])
        assert (result.exit_code, result.stderr.startswith("--points: read 2 field files; expected one")) == (2, True)
        assert result.stdout == ""


def test_a_file_read_in_the_next_zone_is_in_another_frame_and_none_of_it_is_kept(day, written):
    result = run(day[0], written(), "--frame", "EPSG:6341")
    assert result.exit_code == 0, result.stderr
    assert "file against log: other frame: scale 0.99" in result.stderr
    assert "keep" not in result.stderr.splitlines()[1]
    assert "repair" not in result.stderr.splitlines()[1]


def test_feet_for_metres_are_named(day, written):
    result = run(day[0], written(unit="ft"))
    assert (result.exit_code, "counts in feet; state --unit ft" in result.stderr) == (2, True), result.stderr


def feature(**more):
    place = {"type": "Point", "coordinates": [-104.99, 39.12, 1874.3]}
    one = {"type": "Feature", "geometry": place, "properties": {"name": "101"}, **more}
    return json.dumps({"type": "FeatureCollection", "features": [one]})


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (feature(properties=["a"]), "feature 1: properties: read ['a']; expected an object or null (RFC 7946, 3.2)"),
        (feature(properties="a"), "feature 1: properties: read 'a'"),
        (feature(properties={"time": 5}), "feature 1: time: read 5; expected year, month, day"),
        (feature(properties={"time": ["x" * 500]}), f"feature 1: time: read ['{'x' * 57}…; expected year"),
        (feature().replace("1874.3", "9" * 400), f"feature 1: coordinates: read [-104.99, 39.12, {'9' * 42}"),
        (feature().replace("1874.3", "1e308"), "feature 1: coordinates: read [-104.99, 39.12, 1e+308]"),
        (feature().replace("101", "\xe9").encode("latin-1"), "is no whole JSON ('utf-8' codec"),
    ],
)
def test_geojson_of_another_kind_is_told_where(tmp_path, text, words):
    with pytest.raises(FieldError) as refused:
        read(tmp_path, text, "field.json")
    assert words in str(refused.value)


@pytest.mark.parametrize("pole", [True, "2", 10**400, 1e300])
def test_a_pole_that_is_none_is_left_out(tmp_path, pole):
    (point,) = read(tmp_path, feature(properties={"pole": pole}), "field.json").points
    assert point.pole is None
