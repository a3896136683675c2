"""Row m: what a site file costs to read that was made to stop the program, against a good one of its size."""

from __future__ import annotations

import contextlib
import functools
from collections.abc import Callable, Iterator

from witnesspost.rules.book.contents import FIGURES
from witnesspost.rules.site.model import SiteError
from witnesspost.rules.site.reading import site_from_toml

from tests.bench.row import Row, at_most, cost

HOSTILE_LINES: dict[str, Callable[[int], str]] = {
    "wrong lines": lambda i: "x y\n",
    "dotted keys": lambda i: f"k{i}" + ".a" * 2000 + " = 1\n",
    "dotted headers": lambda i: f"[k{i}" + ".a" * 2000 + "]\n",
    "dotted keys in a table": lambda i: f"k{i} = {{a" + ".a" * 2000 + "=1}\n",
    "quoted dotted keys": lambda i: f"k{i}" + """."a".'a'""" * 500 + " = 1\n",
    "keys as deep as may be": lambda i: f"k{i}" + ".a" * 19 + f" = {{a{'.a' * 19} = 1}}\n",
    "inline tables": lambda i: f"k{i} = " + "{a=" * 400 + "1" + "}" * 400 + "\n",
    "blanks in brackets": lambda i: "[" + " " * 4000 + "!\n",
    "blanks after a key": lambda i: f"k{i} = x" + " x" * 2000 + "\n",
    "blanks before an end": lambda i: f"k{i} = x" + " " * 4000 + '"\n',
    "quotation marks": lambda i: "'" * 4001 + "\n",
    "no keys": lambda i: f"k{i}\n" * 500,
    "values without an end": lambda i: f'k{i} = """\n' + "x\n" * 500,
    "lists without an end": lambda i: f"k{i} = [\n" + "1,\n" * 500,
    "the same key": lambda i: "k = 1\n" * 500,
}
"""Lines by number that nobody writes by hand, by what they are."""

_POST = '[post]\nname = "kestrel-base"\nrole = "base"\n[[stream]]\nname = "s"\nport = "loop://"\ncarries = ["corrections"]\n'
_PROJECT = '[project]\nname = "k"\nframe = "EPSG:6319"\nepoch = 2010.0\nvertical = "geoid"\n'
_POINT = '[[project.control]]\nname = "P{0}"\nlatitude = {1}\nlongitude = -104.9\nheight = 9.0\n'


def rows(short: bool) -> Iterator[Row]:
    """The worst of all patterns."""
    size = 60_000 if short else 250_000
    good = _of_size(lambda i: _POINT.format(i, 39.1 + i * 1e-6), size)
    usual_s = min(cost(lambda: _read(_POST + _PROJECT + good)).cpu_s for _ in range(3))
    texts = {name: _POST + _of_size(make, size) for name, make in HOSTILE_LINES.items()}
    times = {name: cost(functools.partial(_read, text)).cpu_s / usual_s for name, text in texts.items()}
    worst = max(times, key=times.__getitem__)
    note = f" ({worst}; a file of {size // 1000} kB, and a good one takes {usual_s:.2f} s)"
    yield at_most("m", "any site file: the worst pattern against a good one of its size", 25.0, times[worst], " ×", note)


def _of_size(make: Callable[[int], str], size: int) -> str:
    return "".join(make(i) for i in range(size // len(make(0))))


def _read(text: str) -> None:
    with contextlib.suppress(SiteError):
        site_from_toml(text, "site.toml", FIGURES)
