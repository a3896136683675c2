"""`witnesspost extract LOG… --as FORM -o OUT`: what a day's logs hold, in the form that another program reads."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator
from itertools import chain

import click
from witnesspost.daemon.atomic import CannotWrite, new_folder
from witnesspost.daemon.atomic import output as output_to
from witnesspost.daemon.cli import Unusable
from witnesspost.daemon.local_time import local_text
from witnesspost.daemon.log.day import Day, PostLogs
from witnesspost.daemon.log.opening import LogError, NothingThere
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.salvaging import Sound, sound_blocks
from witnesspost.daemon.progress import Progress, progress_bar
from witnesspost.replay.commands.office_extra import INSTALL
from witnesspost.replay.export.window import EXAMPLES, Way, Window, window_of

_FORMS = ("raw", "csv", "geojson", "rinex", "parquet")

_EVERY = ("csv", "geojson", "rinex")
_FOLDERS = {"rinex": "the observation and the navigation file", "parquet": "a file for each table"}


@click.command()
@click.argument("logs", metavar="LOG...", nargs=-1, required=True)
@click.option("--as", "form", type=click.Choice(_FORMS), default="raw", help="The form; raw: a stream's bytes as they came.")
@click.option("--stream", metavar="NAME", help="raw, rinex: the stream, as the site file names it.")
@click.option("--station", type=click.IntRange(0, 4095), metavar="ID", help="rinex: the station, where several were heard.")
@click.option("--post", "post_name", metavar="NAME", help="The post, where there are logs of several.")
@click.option("--from", "from_", metavar="TIME", help=f"Seconds of the log, {EXAMPLES}.")
@click.option("--to", metavar="TIME", help="As --from; what arrived at that instant is included.")
@click.option(
    "--every",
    "every_s",
    type=click.FloatRange(min=0.001),
    metavar="SECONDS",
    help="csv, geojson: at most one position in so many seconds; rinex: the epochs at whole multiples of them.",
)
@click.option(
    "--what-is-sound",
    "sound",
    is_flag=True,
    help="raw: of a damaged log, what is proven to be as it was written.",
)
@click.option("-o", "--output", required=True, metavar="FILE", help="Where to; - is standard output.")
def extract(
    logs: tuple[str, ...],
    form: str,
    stream: str | None,
    station: int | None,
    post_name: str | None,
    from_: str | None,
    to: str | None,
    every_s: float | None,
    sound: bool,
    output: str,
) -> None:
    """Get out of LOG, or of all logs of a day or of a folder: a stream's bytes as they came (raw), the positions (csv,
    geojson), a station's observations and what ephemerides it sent (rinex, a folder), or every table (parquet, a folder)."""
    if form == "raw" and stream is None:
        raise Unusable("--as raw needs --stream NAME: expected a stream as the site file names it")
    if form in _FOLDERS and output == "-":
        raise Unusable(f"--as {form} writes a folder with {_FOLDERS[form]}: expected -o FOLDER")
    if station is not None and form != "rinex":
        raise Unusable(f"--station goes with --as rinex: expected it left out with {form}")
    if every_s is not None and form not in _EVERY:
        raise Unusable(f"--every goes with --as {' or '.join(_EVERY)}: expected it left out with {form}")
    if sound and (form != "raw" or from_ or to or post_name):
        raise Unusable("--what-is-sound goes with --stream and -o alone: expected no other option beside it")
    try:
        if sound:
            click.echo(_sound(logs, str(stream), output), err=True)
            return
        with Day.open(logs) as day:
            if form == "parquet":
                said = _tables(day.posts if post_name is None else [day.post(post_name)], from_, to, output)
                click.echo(f"{output}: {said}", err=True)
                return
            post = day.post(post_name)
            window = window_of(post, from_, to)
            if form == "rinex":
                said = _rinex(post, window, stream, station, every_s, output)
                click.echo(f"{output}: {said}", err=True)
                return
            said = _raw(post, window, str(stream), output) if form == "raw" else _positions(post, window, form, every_s, output)
    except (LogError, CannotWrite) as error:
        raise Unusable(str(error)) from None
    if output != "-":
        click.echo(f"{output}: {said}", err=True)


def _sound(paths: tuple[str, ...], stream: str, output: str) -> str:
    found, size = Sound(), 0
    with output_to(output) as file, _bar(output) as progress:
        for number, path in enumerate(paths):
            progress(number / len(paths))
            with LogFile.open(path) as log:
                for data in sound_blocks(log, log.stream(stream), found):
                    file.write(data)
                    size += len(data)
    left_out = f"{found.left_out} of {found.left_out + found.rows} rows cannot be proven and are left out"
    return f"{output}: {size} bytes of {stream}; {left_out if found.left_out else 'every row is as it was written'}"


def _raw(post: PostLogs, window: Window, stream: str, output: str) -> str:
    size = 0
    with _bar(output) as progress:
        chunks = _chunks(post, window, stream, Way([(post, window)], progress))
        first = next(chunks, None)
        if first is None:
            raise NothingThere(_nothing(post, f"nothing came on {stream}"))
        with output_to(output) as file:
            for chunk in chain([first], chunks):
                file.write(chunk)
                size += len(chunk)
    return f"{size} bytes of {stream}"


def _bar(output: str) -> contextlib.AbstractContextManager[Progress]:
    return progress_bar("extracting", shown=output != "-" or not sys.stdout.isatty())


def _chunks(post: PostLogs, window: Window, stream: str, way: Way) -> Iterator[bytes]:
    if stream not in post.streams:
        post.files[0].stream(stream)
    for log in post.files:
        asked = window.within(log) if stream in log.streams else None
        if asked is not None:
            for t, _, what in log.inputs(*asked, stream):
                way.reached(log, t)
                if isinstance(what, bytes):
                    yield what


def _positions(post: PostLogs, window: Window, form: str, every_s: float | None, output: str) -> str:
    from witnesspost.replay.export import fixes
    from witnesspost.replay.export.geojson_frame import frame_note

    with output_to(output) as file, _bar(output) as progress:
        found = fixes.fixes(post, window, every_s, progress)
        note = frame_note(post.files[0].project_frame)
        count = fixes.write_csv(found, file) if form == "csv" else fixes.write_geojson(found, file, note)
        if not count:
            raise NothingThere(_nothing(post, "no position came"))
    return f"{count} positions" + (f"\n  note: {note}" if form == "geojson" else "")


def _tables(posts: list[PostLogs], begin: str | None, end: str | None, output: str) -> str:
    try:
        from witnesspost.replay.export import parquet
    except ImportError:
        raise Unusable(f"--as parquet {INSTALL}") from None
    windows = [window_of(post, begin, end) for post in posts]
    with new_folder(output) as folder, progress_bar("extracting") as progress:
        counts = parquet.write_tables(posts, windows, folder, progress)
    return ", ".join(f"{name} {count}" for name, count in counts.items())


def _rinex(post: PostLogs, window: Window, stream: str | None, station: int | None, every_s: float | None, output: str) -> str:
    from witnesspost.replay.export.rinex_day import write_rinex

    with new_folder(output) as folder, progress_bar("extracting") as progress:
        written = write_rinex(post, window, folder, every_s=every_s, stream=stream, station=station, progress=progress)
    counts = f"{written.epochs} epochs, {written.ephemerides} ephemerides: {', '.join(written.files)}"
    return "\n".join([counts, *(f"  {note}" for note in written.notes)])


def _nothing(post: PostLogs, what: str) -> str:
    spans = []
    for log in post.files:
        first, last = log.span()
        begun, ended = log.utc_at(first), log.utc_at(last)
        local = f" ({local_text(begun, log.zone)} to {local_text(ended, log.zone)})" if begun and ended else ""
        spans.append(f"{log.path}: {what} in that time; the log holds t {first:.3f} to {last:.3f}{local}")
    return "\n".join(spans[:1]) if len(spans) == 1 else f"{what} in that time; " + spans[0] + f", and {len(spans) - 1} more"
