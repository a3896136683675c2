"""What the tables hold of real bytes, pinned: where it changes, `DERIVATION` goes up, or old logs would be called damaged."""

import hashlib
import random

import msgspec
from witnesspost.daemon.log.derived import DERIVATION, DerivedRows
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.daemon.recomputing import FactsOnly
from witnesspost.rules.site.reading import site_from_toml

from tests import DATA
from tests.proof.hostile import KINDS, SITE

PINNED = {2: "0db25ac2e831c41e"}
"""By `DERIVATION`: the digest of all rows of the real recordings, and of what a hostile sender invents."""


def rows_of(data, carries):
    derived = DerivedRows()
    site = site_from_toml(SITE.format(role="rover"))
    site.stream[0].carries = [carries]
    pipeline = Pipeline(site, FactsOnly(derived))
    for number, start in enumerate(range(0, len(data), 500)):
        pipeline.feed(number / 10, "line", data[start : start + 500])
        pipeline.tick(number / 10 + 0.05)
    pipeline.end()
    for kind, rows in derived.complete(pipeline.t, end=True).items():
        for row in rows:
            values = msgspec.structs.asdict(row)
            for name in ("latitude", "longitude", "ellipsoidal_height_m"):  # PROJ's last digits are not ours
                values[name] = values.get(name) and round(values[name], 6)
            yield kind.table, values


def digest_of_all():
    digest = hashlib.blake2b(digest_size=8)
    recordings = [path.read_bytes() for path in sorted(DATA.glob("*.bin")) + sorted(DATA.glob("nmea*.txt"))]
    for kind in KINDS:
        chance = random.Random(1)
        recordings.append(b"".join(kind(chance) for _ in range(2000)))
    count = 0
    for carries in ("corrections", "positions"):
        for data in recordings:
            for row in rows_of(data, carries):
                digest.update(msgspec.json.encode(row))
                count += 1
    assert count > 4000
    return digest.hexdigest()


def test_other_rows_of_the_same_bytes_have_another_derivation():
    assert {DERIVATION: digest_of_all()} == PINNED, "raise DERIVATION in daemon/log/derived.py, and pin the new digest here"
