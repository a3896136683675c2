"""The report of a day in a real Chromium, opened as a file: what a surveyor sees at a desk, on a phone, and on paper."""

import base64
import re

import pytest
from click.testing import CliRunner
from witnesspost.replay.commands.report import report

from tests.daemon.page.chromium import AXE, PROGRAM

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(PROGRAM is None, reason="Debian's chromium is not installed (the gate installs it)"),
]


@pytest.fixture(scope="module")
def made(day, tmp_path_factory):
    log, field = day
    out = tmp_path_factory.mktemp("report") / "day.html"
    result = CliRunner().invoke(report, [str(log), "--points", str(field), "-o", str(out)])
    assert result.exit_code == 0, result.output
    return out


@pytest.fixture
def window(chromium, made):
    """The report, its pictures drawn, on a machine without a network."""
    one = chromium.phone(1280, 900)
    one.ask("Network.emulateNetworkConditions", offline=True, latency=0, downloadThroughput=0, uploadThroughput=0)
    one.go(made.as_uri())
    one.until("window.Bokeh && Bokeh.documents.length && Bokeh.documents.every(one => one.is_idle)")
    yield one
    one.close()


@pytest.mark.skipif(not AXE.exists(), reason="axe-core is not installed (the gate does: npm install --prefix .tools axe-core)")
def test_axe_finds_nothing_wide_or_narrow(window):
    found = []
    for width in (1280, 380):
        window.look(width, 900)
        found += [f"{width}: {line}" for line in window.axe()]
    assert found == []
    # Of a page with a fault it finds one.
    window.js("document.querySelector('main').insertAdjacentHTML('beforeend', '<img src=data:,>')")
    assert any("image-alt" in line for line in window.axe())


FITS = "[...document.querySelectorAll('.screen')].every(one => one.scrollWidth <= one.clientWidth)"


def test_nothing_is_wider_than_the_window_and_the_console_is_silent(window):
    for width in (1280, 380):
        window.look(width, 900)
        assert window.js("document.documentElement.scrollWidth") <= width
        window.until(FITS)  # the pictures are drawn anew a moment after the window has changed
        tables = window.js(
            "[...document.querySelectorAll('.scroll')].map(one => [one.ariaLabel, one.scrollWidth - one.clientWidth])"
        )
        assert len(tables) == 4
        assert [label for label, beyond in tables if beyond > 0] == []
    window.text()
    assert window.complaints == []
    # A picture that stays wide would be found.
    window.js("document.querySelector('.screen .bk-Figure').style.minWidth = '960px'")
    assert not window.js(FITS)


PARTED = r"""(() => {  // figures whose unit is on another line than their last digit
    const parted = [], walk = document.createTreeWalker(document.querySelector('main'), NodeFilter.SHOW_TEXT);
    let seen = 0;
    while (walk.nextNode()) {
        const node = walk.currentNode;
        if (node.parentElement.closest('code, script, .bk-root, svg') || !node.parentElement.checkVisibility()) continue;
        for (const found of node.data.matchAll(/\d\s(?:s|min|h|m|mm|cm|km|Hz|%)(?!\w)/g)) {
            const top = at => {
                const range = document.createRange();
                range.setStart(node, at);
                range.setEnd(node, at + 1);
                return range.getBoundingClientRect().top;
            };
            seen += 1;
            if (Math.abs(top(found.index) - top(found.index + 2)) > 2)
                parted.push(node.data.slice(Math.max(0, found.index - 20), found.index + 6));
        }
    }
    return [seen, parted];
})()"""


def test_a_figure_is_on_the_line_of_its_unit_at_every_width(window):
    seen = 0
    for width in range(320, 480, 4):
        window.look(width, 900)
        figures, parted = window.js(PARTED)
        assert (width, parted) == (width, [])
        seen += figures
    assert seen > 400
    # With plain spaces some would part.
    window.js(
        "for (const one of document.querySelectorAll('p, li, td, td span'))"
        " for (const node of one.childNodes) if (node.nodeType === 3) node.data = node.data.replaceAll('\\u00a0', ' ')"
    )
    found = []
    for width in range(320, 480, 4):
        window.look(width, 900)
        found += window.js(PARTED)[1]
    assert found


def test_on_paper_it_is_one_a4(window):
    printed = window.ask("Page.printToPDF", preferCSSPageSize=True, printBackground=True)["data"]
    pages = re.findall(rb"/Type\s*/Page\b(?!s)", base64.b64decode(printed))
    assert len(pages) == 1
