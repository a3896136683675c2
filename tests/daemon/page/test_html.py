"""What stands in a page."""

from hypothesis import given
from hypothesis import strategies as st
from witnesspost.daemon.page.html import tag

CONTROL = {chr(n) for n in (*range(0x20), *range(0x7F, 0xA0))} - {"\t", "\n"}


def test_what_a_terminal_obeys_stands_in_no_page():
    assert tag("p", "\x1b[31m<b>\x9b\a\r1", title="\x1b]0;x") == '<p title=" ]0;x"> [31m&lt;b&gt;   1</p>'
    assert tag("textarea", "a\tb\nc") == "<textarea>a\tb\nc</textarea>"


@given(st.text(), st.text())
def test_of_whatever_text(inside, title):
    html = tag("p", inside, title=title)
    assert not CONTROL & set(html)
    assert html.count("<") == html.count(">") == 2
