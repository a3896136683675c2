"""`witnesspost extract LOG --stream NAME [--from --to] -o FILE`: the bytes as they came, nothing added or left out."""

from __future__ import annotations

import contextlib

import click
from witnesspost.daemon.atomic import CannotWrite
from witnesspost.daemon.atomic import output as output_to
from witnesspost.daemon.cli import Unusable
from witnesspost.daemon.local_time import Unreadable, local_text, utc_of
from witnesspost.daemon.log.opening import LogError, NothingThere
from witnesspost.daemon.log.reading import LogFile

_MOST_S = 1e12  # no log lasts as long
_EXAMPLES = "the post's local time such as 2026-05-04T07:30:00, or one with its offset such as 2026-05-04T13:30:00Z"


@click.command()
@click.argument("log", metavar="LOG")
@click.option("--stream", required=True, metavar="NAME", help="The stream, as the site file names it.")
@click.option("--from", "from_", metavar="TIME", help=f"Seconds of the log, {_EXAMPLES}.")
@click.option("--to", metavar="TIME", help="As --from; what arrived at that instant is included.")
@click.option("-o", "--output", required=True, metavar="FILE", help="Where to; - is standard output.")
def extract(log: str, stream: str, from_: str | None, to: str | None, output: str) -> None:
    """Write the bytes that came on a stream of LOG, as they came, to a file or a pipe."""
    try:
        with LogFile.open(log) as opened:
            opened.stream(stream)
            from_t, to_t = _t(opened, "--from", from_), _t(opened, "--to", to)
            if from_t is not None and to_t is not None and to_t < from_t:
                raise Unusable(f"--to {to}: is before --from {from_}; turn them round")
            chunks = (what for _, _, what in opened.inputs(from_t, to_t, stream) if isinstance(what, bytes))
            first = next(chunks, None)
            if first is None:
                raise NothingThere(_nothing(opened, stream))
            with output_to(output) as file:
                file.write(first)
                size = len(first)
                for chunk in chunks:
                    file.write(chunk)
                    size += len(chunk)
    except (LogError, CannotWrite) as error:
        raise Unusable(str(error)) from None
    if output != "-":
        click.echo(f"{output}: {size} bytes of {stream}", err=True)


def _t(log: LogFile, option: str, text: str | None) -> float | None:
    """The `t` that an option names, in seconds or as a time of day."""
    if text is None:
        return None
    with contextlib.suppress(ValueError):
        seconds = float(text)
        if abs(seconds) < _MOST_S:
            return seconds
    try:
        utc = utc_of(text, log.zone)
    except Unreadable as error:
        expected = f"expected seconds of the log, {_EXAMPLES}"
        raise Unusable(f"{option}: read {text!r}, which {error}; {expected}") from None
    t = log.t_at(utc)
    if t is None:
        raise Unusable(f"{option}: {log.path} never heard the time from a receiver; give seconds of the log instead")
    return t


def _nothing(log: LogFile, stream: str) -> str:
    first, last = log.span()
    begun, ended = log.utc_at(first), log.utc_at(last)
    local = f" ({local_text(begun, log.zone)} to {local_text(ended, log.zone)})" if begun and ended else ""
    return f"{log.path}: nothing came on {stream} in that time; the log holds t {first:.3f} to {last:.3f}{local}"
