"""Writing messages whose fields are counted in bits."""

from __future__ import annotations


class Bits:
    """A message being written, most significant bit first."""

    def __init__(self) -> None:
        self._value = 0
        self._size = 0

    def put(self, value: int, width: int, what: str = "") -> None:
        """Appends an unsigned field; `what` names one that the caller chose, for the error."""
        if what and not 0 <= value < 1 << width:
            raise ValueError(f"{what} {value} does not fit its field: 0 to {(1 << width) - 1}")
        self._value = self._value << width | value
        self._size += width

    def put_signed(self, value: int, width: int, what: str) -> None:
        """Appends a two's complement field."""
        if not -(1 << (width - 1)) <= value < 1 << (width - 1):
            raise ValueError(f"{what}: {value} does not fit its {width} bits")
        self.put(value & (1 << width) - 1, width)

    def put_text(self, text: str, what: str) -> None:
        """Appends a counted text of at most 31 characters of ISO 8859-1 (8-bit counter)."""
        if len(text) > 31:
            raise ValueError(f"{what} {text!r} has {len(text)} characters, 31 are allowed")
        try:
            data = text.encode("latin-1")
        except UnicodeEncodeError as e:
            raise ValueError(f"{what} {text!r} is not ISO 8859-1") from e
        self.put(len(data), 8)
        self.put(int.from_bytes(data, "big"), 8 * len(data))

    def payload(self) -> bytes:
        """The message in whole bytes, filled up with zeros."""
        spare = -self._size % 8
        return (self._value << spare).to_bytes((self._size + spare) // 8, "big")
