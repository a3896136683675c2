"""What a spreadsheet would take for a formula."""

import io
from types import SimpleNamespace

import pytest
from witnesspost.replay.commands import ask
from witnesspost.replay.export.cell import cell
from witnesspost.replay.office import output


@pytest.mark.parametrize(
    "text", ['=HYPERLINK("http://kestrel.example/","x")', "+1+cmd|x", "-1+1", "@SUM(A1)", "\t=1", "\r=1", "-"]
)
def test_a_text_that_begins_like_a_formula_is_a_text(text):
    assert cell(text) == f"'{text}"


@pytest.mark.parametrize("value", [None, -1.5, -3, True, "", "-12.5", "+3", "-.5e-3", "KQ-1", "'=1", "1=1", " =1"])
def test_all_else_stays(value):
    assert cell(value) is value


def test_the_points_file_has_no_formula(monkeypatch):
    monkeypatch.setattr(output, "columns", lambda frame: ["point", "stored_height"])
    monkeypatch.setattr(output, "row", lambda judgement, judged: {"point": judged, "stored_height": -1.25})
    file = io.BytesIO()
    output.write_csv(SimpleNamespace(frame=None, points=["=1+1", "KQ-1"]), ["head"], file)
    assert file.getvalue() == b"# head\r\npoint,stored_height\r\n'=1+1,-1.25\r\nKQ-1,-1.25\r\n"


def test_an_answer_has_no_formula(capsys):
    ask._csv(["by", "less"], iter([("=1+1", -1), ("Kim", -0.5)]))
    assert capsys.readouterr().out.splitlines() == ["by,less", "'=1+1,-1", "Kim,-0.5"]
