"""Who may come in: the PIN, the sessions, the forms. No clock here: `t` is seconds of one that never steps back.

    a PIN ──begin, end──► Session (a cookie) ──form()──► a token in each form ──take()──► used up

It outlives the page's companion: who has come in stays in when that one is made anew, and a wrong PIN is not forgotten. A
new run of the post knows nobody.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections import OrderedDict, deque

WRONG = 5  # from one address
LOCKED_S = 60.0
WRONG_BY_ALL = 30  # within ALL_S
ALL_S = 3600.0
SLOW_S = 20.0
FORM_S = 12 * 3600.0
MOST_SESSIONS = 200
_MOST_ADDRESSES = 1000
_MOST_FORMS = 500  # of one session, used and not too old yet
_MOST_STRANGERS_FORMS = 20  # of one address: some minutes of wrong PINs


class Locked(Exception):
    """No PIN is tried from this address for `left_s` more."""

    def __init__(self, left_s: float):
        super().__init__(f"{left_s:.0f} s")
        self.left_s = left_s


class FormError(Exception):
    """A form was not made here for this session (`forged`), was sent before (`used`), or is too old (`old`)."""

    def __init__(self, why: str):
        super().__init__(why)
        self.why = why


class Forms:
    """Makes the tokens of one person's forms, each good for once and for FORM_S."""

    def __init__(self, key: bytes | None = None, most: int = _MOST_FORMS) -> None:
        self._key = secrets.token_bytes(32) if key is None else key
        self._most = most
        self._used: deque[tuple[int, str]] = deque()
        self._not_before = 0  # tokens made earlier may have been forgotten as used

    def make(self, t: float) -> str:
        """A token made at `t`."""
        made = f"{int(t):x}.{secrets.token_urlsafe(9)}"
        return f"{made}.{self._mark(made)}"

    def use_up(self, token: str, t: float) -> None:
        """Use a token up. Raises FormError."""
        made, _, mark = token.rpartition(".")
        if not hmac.compare_digest(mark.encode(), self._mark(made).encode()):
            raise FormError("forged")
        made_s = int(made.partition(".")[0], 16)
        if made_s < t - FORM_S or made_s < self._not_before:
            raise FormError("old")
        if any(made == used for _, used in self._used):
            raise FormError("used")
        while self._used and self._used[0][0] < t - FORM_S:
            self._used.popleft()
        if len(self._used) >= self._most:
            self._not_before = max(self._not_before, self._used.popleft()[0] + 1)
        self._used.append((made_s, made))

    def _mark(self, made: str) -> str:
        return hmac.new(self._key, made.encode(), hashlib.sha256).hexdigest()


class StrangersForms:
    """The forms of people who have not said the PIN yet: any of them may have been shown any, and each address uses up its own.

    What one address uses up makes no other's form old. Of too many addresses the one that used a form longest ago is forgotten.
    """

    def __init__(self) -> None:
        self._key = secrets.token_bytes(32)
        self._of: OrderedDict[str, Forms] = OrderedDict()

    def make(self, t: float) -> str:
        """A token made at `t`."""
        return Forms(self._key).make(t)

    def use_up(self, address: str, token: str, t: float) -> None:
        """Use a token up, from this address. Raises FormError."""
        forms = self._of.get(address) or Forms(self._key, _MOST_STRANGERS_FORMS)
        forms.use_up(token, t)
        self._of[address] = forms
        self._of.move_to_end(address)
        if len(self._of) > _MOST_ADDRESSES:
            self._of.popitem(last=False)


class Session:
    """Somebody who knows the PIN. `cookie` is known to his browser alone; `by` is the name that he gave last."""

    def __init__(self) -> None:
        self.cookie = secrets.token_urlsafe(32)
        self.by = ""
        self.forms = Forms()


class Gate:
    """Lets in whoever knows `pin`; without one nobody has to know anything."""

    def __init__(self, pin: str | None):
        self._key = secrets.token_bytes(32)
        self._pin = None if pin is None else self._digest(pin)
        self._sessions: OrderedDict[bytes, Session] = OrderedDict()
        self._wrong: OrderedDict[str, int] = OrderedDict()
        self._locked: OrderedDict[str, float] = OrderedDict()
        self._wrong_by_all: deque[float] = deque(maxlen=WRONG_BY_ALL)
        self._open = Session()
        self.forms = StrangersForms()

    @property
    def asks(self) -> bool:
        """True where there is a PIN."""
        return self._pin is not None

    def session(self, cookie: str | None) -> Session | None:
        """Whose cookie this is."""
        if self._pin is None:
            return self._open
        key = self._digest(cookie or "")
        session = self._sessions.get(key)
        if session is not None:
            self._sessions.move_to_end(key)
        return session

    def look(self, address: str, t: float) -> None:
        """May a PIN be tried from there? Nothing is counted. Raises Locked."""
        left_s = self._locked.get(address, t) - t
        if left_s > 0:
            raise Locked(left_s)
        if self._wrong.get(address, 0) >= WRONG:  # as many are being tried at this moment
            raise Locked(LOCKED_S)

    def begin(self, address: str, t: float) -> float:
        """A PIN is to be tried: for how many seconds that has to wait. It counts as wrong until `end`. Raises Locked."""
        self.look(address, t)
        self._wrong[address] = self._wrong.get(address, 0) + 1
        self._wrong.move_to_end(address)
        if len(self._wrong) > _MOST_ADDRESSES:
            self._wrong.popitem(last=False)
        full = len(self._wrong_by_all) == WRONG_BY_ALL and self._wrong_by_all[0] > t - ALL_S
        return SLOW_S if full else 0.0

    def end(self, address: str, pin: str, t: float) -> Session | None:
        """Try the PIN: the session of whoever knows it."""
        if self._pin is not None and hmac.compare_digest(self._digest(pin), self._pin):
            self._wrong.pop(address, None)
            session = Session()
            self._sessions[self._digest(session.cookie)] = session
            if len(self._sessions) > MOST_SESSIONS:
                self._sessions.popitem(last=False)
            return session
        self._wrong_by_all.append(t)
        if self._wrong.get(address, 0) >= WRONG:
            del self._wrong[address]
            self._locked[address] = t + LOCKED_S
            self._locked.move_to_end(address)
            if len(self._locked) > _MOST_ADDRESSES:
                self._locked.popitem(last=False)
        return None

    def leave(self, session: Session) -> None:
        """This session ends."""
        self._sessions.pop(self._digest(session.cookie), None)

    def _digest(self, text: str) -> bytes:
        """Of one length whatever the text, so that comparing it takes the same time."""
        return hmac.new(self._key, text.encode(errors="surrogateescape"), hashlib.sha256).digest()
