"""All lines of a site: bytes in, facts out. Each has its framer, and a decoder that sums the traffic up between turns."""

from __future__ import annotations

from witnesspost.daemon.stream.decoding import Decoder
from witnesspost.daemon.stream.framing import Framer
from witnesspost.rules.facts import Fact, ReadingFailed
from witnesspost.rules.site.model import Site

SILENT_LINE_MS = 3000  # a line that is silent for so long will not finish the frame that it began


class Line:
    """One stream's way from bytes to facts."""

    def __init__(self, name: str, decoder: Decoder):
        self.name = name
        self.framer = Framer()
        self.decoder = decoder
        self.last_ms = 0

    def read(self, now_ms: int, data: bytes | None) -> list[Fact]:
        """Bytes into facts (None: what waits is given up). A fault here costs these bytes their facts, never the raw log."""
        t = now_ms / 1000.0
        try:
            return self.decoder.decode(t, self.framer.flush() if data is None else self.framer.feed(data))
        except Exception as error:
            self.framer = Framer()
            return [ReadingFailed(t=t, stream=self.name, error=f"{type(error).__name__}: {error}")]


class Lines:
    """The lines by name; times are the pipeline's, in milliseconds. `wanted` holds the kinds of facts that somebody reads."""

    def __init__(self, site: Site, wanted: frozenset[type[Fact]]):
        self.by_name = {s.name: Line(s.name, Decoder(s.name, site.tilt, wanted)) for s in site.stream}

    def __contains__(self, stream: str) -> bool:
        return stream in self.by_name

    def feed(self, now_ms: int, stream: str, data: bytes) -> list[Fact]:
        """The facts that these bytes complete."""
        line = self.by_name[stream]
        line.last_ms = now_ms
        return line.read(now_ms, data)

    def turn(self, at_ms: int) -> list[Fact]:
        """Before the rules are judged: what a line that fell silent leaves, and each line's traffic since the last turn."""
        facts: list[Fact] = []
        for line in self.by_name.values():
            heard_t = None
            if line.framer.waiting and at_ms - line.last_ms >= SILENT_LINE_MS:
                facts += line.read(at_ms, None)
                heard_t = line.last_ms / 1000.0
            traffic = line.decoder.take_traffic(at_ms / 1000.0, heard_t)
            if traffic is not None:
                facts.append(traffic)
        return facts

    def rest(self, now_ms: int) -> list[Fact]:
        """Nothing more comes: what waits is given up, and the traffic is summed up."""
        facts: list[Fact] = []
        for line in self.by_name.values():
            if line.framer.waiting:
                facts += line.read(now_ms, None)
            traffic = line.decoder.take_traffic(now_ms / 1000.0)
            if traffic is not None:
                facts.append(traffic)
        return facts
