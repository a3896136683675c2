"""A text that is no TOML is told by its lines in plain words, and all else that is wrong beside it."""

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from witnesspost.rules.book.contents import FIGURES
from witnesspost.rules.site.model import SiteError
from witnesspost.rules.site.reading import draft_of_file, site_from_toml
from witnesspost.rules.site.text import decoded, table_of

from tests.rules.site.conftest import GOOD, changed, problems_of

LIBRARY_WORDS = ("(at line", "column", "Invalid", "Expected", "Illegal", "Unclosed", "Cannot", "msgspec", "tomllib", "codec")


def line_of(text, part):
    return text[: text.index(part)].count("\n") + 1


@pytest.mark.parametrize(
    ("change", "at", "words"),
    [
        (("height = 1880.0", "height = 1880,0"), "1880,0", "read 1880,0, with a decimal comma; expected a point: 1880.0"),
        (("pole_height_m = 2.0", "pole_height_m = 2,0 # m"), "2,0", "with a decimal comma; expected a point: 2.0"),
        (("height = 1880.0", "height = −1880.0"), "−1880", "read −1880.0, with a dash for a minus; expected a hyphen: -"),
        (('name = "KQ-2"', "name = “KQ-2”"), "“", "curly quotation marks; expected straight ones"),
        (("height = 1880.0", "height = 1,880.0"), "1,880", "read 1,880.0, with a comma between thousands; expected 1880.0"),
        (("height = 1880.0", "height\u00a0= 1880.0"), "\u00a0", "a no-break space; expected a plain one"),
        (('name = "KQ-2"', "name = KQ-2"), "= KQ-2", 'name: read KQ-2; expected a text in quotes: "KQ-2"'),
        (('port = "/dev/ttyUSB0"', "port = /dev/ttyUSB0"), "= /dev", 'expected a text in quotes: "/dev/ttyUSB0"'),
        (('name = "KQ-2"', 'name = "KQ-2'), '= "KQ-2', 'name: a text that does not end; expected a closing "'),
        (('geoid = "bundled"', 'geoid = "C:\\grids\\new.gtx"'), "C:", "a backslash in double quotes; expected single quotes"),
        (('geoid = "bundled"', "geoid ="), "geoid =", "geoid has no value; expected one after the ="),
        (('geoid = "bundled"', 'geoid : "bundled"'), "geoid :", "expected KEY = VALUE"),
        (("compensates = true", "compensates = True"), "True", "compensates: read True; expected true or false"),
        (('carries = ["corrections"]', 'carries = ["corrections"'), "carries", "which is not closed or lacks a comma"),
        (("height = 1880.0", "height = 1880.0 m"), "1880.0 m", "height: read 1880.0 m; expected a number"),
        (("height = 1880.0", "height = 0880.0"), "0880", "height: read 0880.0; expected a number"),
        (("height = 1880.0", "height = 1" + "0" * 5000), "1000", "height: a number of thousands of digits"),
        (("height = 1880.0", "height = 1880.0\nheight = 1880.1"), "1880.1", "height is already there; expected once"),
        (("[rover]", "[post]\n[rover]"), "[post]\n[rover]", "[post] is already there; expected once"),
        (("[rover]", "[rover"), "[rover", "read [rover; expected a table's name in brackets, such as [base] or [[stream]]"),
        (("[rover]", "rover]"), "rover]", "read rover]; expected a table's name in brackets"),
        (("[[signal]]", "[[signal]"), "[[signal]", "read [[signal]; expected a table's name in brackets"),
        (('name = "KQ-2"', 'name = "KQ\x002"'), "\x00", "holds a control character; delete it"),
    ],
)  # fmt: skip
def test_each_wrong_line_is_told_once_by_its_number(change, at, words):
    text = changed(change)
    (problem,) = problems_of(text)
    assert problem.startswith(f"line {line_of(text, at)}: ")
    assert words in problem
    assert not any(word in problem for word in LIBRARY_WORDS)


def test_lines_that_are_no_toml_hide_nothing():
    text = changed(
        ("height = 1874.322", "height = 1874,322"),
        ('role = "base"', 'role = "bass"'),
        ("baud = 38400", "baud = 38400 Bd"),
        ("[base]", "[base"),
        ('occupies = "KQ-1"', 'occupies = "KQ-9"'),
    )
    assert [problem.partition(": ")[0] for problem in problems_of(text)] == [
        f"line {line_of(text, '38400 Bd')}",
        f"line {line_of(text, '1874,322')}",
        f"line {line_of(text, '[base')}",
        "post.role",
        "base.occupies",
    ]


@pytest.mark.parametrize(
    ("data", "problem"),
    [
        (b"\xef\xbb\xbf" + GOOD.encode(), "line 1: begins with a byte-order mark; save the file as UTF-8 without one"),
        (GOOD.encode("utf-16"), "is UTF-16; save it as UTF-8"),
        (b"\xfe\xff" + GOOD.encode("utf-16-be"), "is UTF-16; save it as UTF-8"),
        (GOOD.encode("utf-16-le"), "is UTF-16, or not a text; save it as UTF-8"),
        (GOOD.encode("utf-16-be"), "is UTF-16, or not a text; save it as UTF-8"),
        (GOOD.replace("\n", "\r").encode(), "its lines end as on an old Mac; save the file with plain line ends (LF)"),
        (GOOD.replace("Kestrel quarry", "Kestrel Süd").encode("latin-1"), "line 15: a byte that is not UTF-8"),
    ],
)
def test_another_editors_file_is_told_and_whatever_else_is_wrong_with_it(tmp_path, data, problem):
    assert line_of(GOOD, "Kestrel quarry") == 15
    path = tmp_path / "site.toml"
    for content, more in ((data, 0), (data.replace(b"b\0a\0s\0e", b"b\0a\0s\0s").replace(b'"base"', b'"bass"'), 1)):
        path.write_bytes(content)
        with pytest.raises(SiteError) as caught:
            draft_of_file(path, FIGURES).sound()
        assert caught.value.problems[0].startswith(problem)
        if content != data:
            assert any("'bass'" in said for said in caught.value.problems[more:])
        else:
            assert len(caught.value.problems) == 1


def test_both_kinds_of_line_end_are_fine():
    assert site_from_toml(GOOD.replace("\n", "\r\n"), "", FIGURES) == site_from_toml(GOOD, "", FIGURES)


def test_nested_too_deeply_and_far_too_many_wrong_lines():
    assert problems_of("a = " + "[" * 3000) == ["is nested too deeply to be a site file"]
    problems = problems_of(GOOD + "x y\n" * 1000)
    assert problems[-1] == "and more lines that are not TOML"
    assert 2 < len(problems) < 40


@given(st.text(max_size=60))
@example("\ufeff[post]\n[post]\n")
@example("[a]\nb = 1\n[a.b]\n")
@example("a = 1\na.b = 2\n")
@example("[[a]]\n[a]\n")
@example('"left out: 0" = 1\n[x\n')
def test_any_text_has_a_table_and_plain_words(text):
    found = table_of(text)
    assert isinstance(found.table, dict)
    assert all(problem.isprintable() and len(problem) < 300 for problem in found.problems)


@given(st.binary(max_size=60))
def test_any_bytes_have_a_text(data):
    text, problems = decoded(data)
    assert (text.encode() == data) or problems
