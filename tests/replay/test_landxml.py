"""LandXML that is written, against the schema of LandXML 1.2 (landxml.org, posted 2008-07-29): `Units` and `CgPoints`.

The schema itself is not here: its rules for these elements stand below, and what breaks each of them is shown to be told.
"""

import datetime as dt
from xml.etree import ElementTree

import pytest

SPACE = "{http://www.landxml.org/schema/LandXML-1.2}"
UNITS = {  # attribute, required all: what it may be
    "Metric": {
        "areaUnit": {"hectare", "squareMeter", "squareMillimeter", "squareCentimeter"},
        "linearUnit": {"millimeter", "centimeter", "meter", "kilometer"},
        "volumeUnit": {"cubicMeter", "liter", "hectareMeter"},
        "temperatureUnit": {"celsius", "kelvin"},
        "pressureUnit": {"HPA", "milliBars", "mmHG", "millimeterHG"},
    },
    "Imperial": {
        "areaUnit": {"acre", "squareFoot", "squareInch", "squareMiles"},
        "linearUnit": {"foot", "USSurveyFoot", "inch", "mile"},
        "volumeUnit": {"US_gallon", "IMP_gallon", "cubicInch", "cubicFeet", "cubicYard", "acreFeet"},
        "temperatureUnit": {"fahrenheit", "kelvin"},
        "pressureUnit": {"inchHG", "inHG"},
    },
}
POINT = {"name", "desc", "code", "state", "pntRef", "featureRef", "pointGeometry", "DTMAttribute", "timeStamp", "role", "oID"}


def complaints(text):
    """What the schema has against the text, a line each."""
    root = ElementTree.fromstring(text)
    if root.tag != f"{SPACE}LandXML":
        return ["the root is no LandXML of 1.2"]
    found = [f"LandXML has no {name}" for name in ("date", "time", "version") if name not in root.attrib]
    for name, read in (("date", dt.date.fromisoformat), ("time", dt.time.fromisoformat)):
        found += _unreadable(f"LandXML's {name}", root.get(name), read)
    for element in root:
        if element.tag == f"{SPACE}Units":
            found += _units(element)
        elif element.tag == f"{SPACE}CgPoints":
            found += [line for point in element for line in _point(point)]
        else:
            found.append(f"{element.tag} within LandXML")
    if root.find(f"{SPACE}Units") is None:
        found.append("no Units")
    return found


def _units(element):
    kinds = [child.tag.removeprefix(SPACE) for child in element]
    if len(kinds) != 1 or kinds[0] not in UNITS:
        return [f"Units has {kinds}, and not one Metric or Imperial"]
    said = element[0].attrib
    return [f"{kinds[0]}'s {name} is {said.get(name)}" for name, may in UNITS[kinds[0]].items() if said.get(name) not in may]


def _point(point):
    if point.tag != f"{SPACE}CgPoint":
        return [f"{point.tag} within CgPoints"]
    found = [f"CgPoint has {name}" for name in point.attrib if name not in POINT]
    numbers = (point.text or "").split()
    if len(numbers) > 3 or any(_unreadable("", number, float) for number in numbers):
        found.append(f"CgPoint holds {point.text}")
    return found + _unreadable("CgPoint's timeStamp", point.get("timeStamp"), _instant)


def _instant(text):
    if "T" not in text:
        raise ValueError
    return dt.datetime.fromisoformat(text)


def _unreadable(what, text, read):
    try:
        if text is not None:
            read(text)
    except ValueError:
        return [f"{what} is {text}"]
    return []


@pytest.mark.parametrize("unit", ["m", "ft", "us-ft"])
def test_what_the_invented_controller_writes_is_as_the_schema_has_it(written, unit):
    text = written(form="landxml", unit=unit).read_text()
    assert complaints(text) == []
    assert text.count("<CgPoint ") >= 30


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("LandXML-1.2", "LandXML-1.1", "no LandXML of 1.2"),
        (' time="17:00:00"', "", "LandXML has no time"),
        ('date="2026-06-19"', 'date="19.06.26"', "LandXML's date is"),
        ('linearUnit="meter"', 'linearUnit="m"', "Metric's linearUnit is m"),
        (' pressureUnit="milliBars"', "", "Metric's pressureUnit is None"),
        ("<CgPoints>", "<Points/><CgPoints>", "Points within LandXML"),
        ("<CgPoint ", "<Point/><CgPoint ", "Point within CgPoints"),
        (' code="', ' kind="', "CgPoint has kind"),
        ("</CgPoint>", " 1</CgPoint>", "CgPoint holds"),
        ("T0", " 0", "timeStamp is"),
    ],
)
def test_what_breaks_it_is_told(written, old, new, words):
    text = written(form="landxml").read_text()
    assert old in text
    assert any(words in line for line in complaints(text.replace(old, new)))
