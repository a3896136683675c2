"""How many connections there may be, and whose gives way: no clock, no socket."""

from __future__ import annotations

import ipaddress
from collections import Counter
from collections.abc import Callable

MOST = 150
MOST_OF_ONE = 12  # from one address
MOST_STRANGERS = 20  # without a session
MOST_KEPT = 10  # strangers that do not give way, one from each address: the others' places stay free for who comes


class Slot:
    """One connection's place among all: `drop` is what ends the connection where it has to give way."""

    def __init__(self, address: str):
        self.address = address
        self.stranger = True
        self.kept = False
        self.drop: Callable[[], object] = lambda: None


class Bounds:
    """Places for connections: a stranger's until its request shows a session."""

    def __init__(self) -> None:
        self._slots: list[Slot] = []

    def __len__(self) -> int:
        return len(self._slots)

    @property
    def crowded(self) -> bool:
        """True where the next stranger makes another give way."""
        return sum(slot.stranger for slot in self._slots) >= MOST_STRANGERS

    def has_room(self, address: str, coming: int = 0) -> bool:
        """True where this address may have one more connection than those it has and those of it that are `coming`."""
        return len(self._slots) < MOST and sum(slot.address == address for slot in self._slots) + coming < MOST_OF_ONE

    def keep(self, slot: Slot) -> None:
        """A stranger who said something waits for the answer, as to a PIN: he does not give way, if there is room for that."""
        kept = {one.address for one in self._slots if one.kept}
        slot.kept = len(kept) < MOST_KEPT and slot.address not in kept

    def admit(self, address: str) -> Slot | None:
        """A place for a new connection, None where there is none.

        Among strangers the oldest of the address that has most gives way: whoever floods takes his own places alone. Whom
        `keep` keeps does not give way.
        """
        if not self.has_room(address):
            return None
        slot = Slot(address)
        self._slots.append(slot)
        strangers = [one for one in self._slots if one.stranger]
        if len(strangers) > MOST_STRANGERS:
            others = [one for one in strangers if not one.kept]  # the new one among them
            (most, _), *_ = Counter(one.address for one in others).most_common(1)
            oldest = next(one for one in others if one.address == most)
            self.leave(oldest)
            oldest.drop()
        return slot if slot in self._slots else None

    def leave(self, slot: Slot) -> None:
        """The connection has ended."""
        if slot in self._slots:
            self._slots.remove(slot)


def address_of(host: str) -> str:
    """Whose a connection from `host` is: an IPv4 address, or the network of 64 bits that one host has of IPv6's to itself.

    On a link's own addresses (fe80::) all hosts share those 64 bits: there it is the whole address.
    """
    try:
        address = ipaddress.ip_address(host.partition("%")[0])
    except ValueError:
        return host
    if isinstance(address, ipaddress.IPv4Address):
        return str(address)
    if address.ipv4_mapped is not None:
        return str(address.ipv4_mapped)
    if address.is_link_local or address.is_loopback:
        return str(address)
    return str(ipaddress.ip_network((int(address) >> 64 << 64, 64)))
