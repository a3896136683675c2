"""The addresses, and who may ask for what: GET shows and changes nothing, POST is checked, then told to the rules.

without a session    GET /  (the state's word, the post's name, the PIN's form)   POST /pin   GET /style.css /script.js
with one             every tab; POST to a tab's own address with the form's token, from this page's own origin
"""

from __future__ import annotations

import asyncio
import secrets
import socket
from collections.abc import Awaitable, Callable, Mapping, Sequence
from typing import Any

from microdot.microdot import Microdot, Request, Response
from witnesspost.daemon.companion import PostView, TooMuchTold
from witnesspost.daemon.page import frame, now, words
from witnesspost.daemon.page.answers import LOOPBACK, SECURITY, host_of, html_answer, is_own_name, own_file, plain_answer
from witnesspost.daemon.page.bounds import address_of
from witnesspost.daemon.page.fields import hidden, pin_field
from witnesspost.daemon.page.forms import Refused, fields_of
from witnesspost.daemon.page.gate import FormError, Gate, Locked, Session
from witnesspost.daemon.page.html import Html, tag
from witnesspost.daemon.page.live import Live, Parts
from witnesspost.daemon.page.sight import Sight
from witnesspost.daemon.page.tab import Form, Tab
from witnesspost.daemon.strip.drawing import STYLE
from witnesspost.rules.site.model import Site

_KEPT_LINES = 20
_FORM_FAULTS = {"forged": ("FORM_FORGED", 403), "old": ("FORM_OLD", 409), "used": ("FORM_USED", 409)}

Handler = Callable[[Request], Awaitable[Response]]


class Application:
    """The page of one post: its `tabs`. `post` is what may be asked and told, `tls` whether the connections are encrypted."""

    def __init__(self, site: Site, post: PostView, gate: Gate, tabs: Sequence[Tab], *, tls: bool):
        self.live = Live(self._parts)
        self.routes = Microdot()
        self._site = site
        self._post = post
        self._gate = gate
        self._tabs = {tab.address: tab for tab in tabs}
        self._channels = {_channel(tab): tab for tab in tabs}
        self._tls = tls
        self._cookie = f"witnesspost-{site.page.port}" if site.page is not None else "witnesspost"
        self._done: dict[str, str] = {}
        self._route()

    def knows(self, request: Request) -> bool:
        """True if the request shows a session."""
        return self._session(request) is not None

    # ── addresses ───────────────────────────────────────────────────────────────────────────────────────────────

    def _route(self) -> None:
        routes = self.routes
        routes.before_request(self._admit)
        for event in (routes.after_request, routes.after_error_request):
            event(self._harden)
        routes.errorhandler(404)(self._no_place)
        routes.errorhandler(405)(self._no_place)
        routes.errorhandler(500)(self._broken)
        routes.get("/style.css")(self._style)
        routes.get("/script.js")(self._script)
        routes.post("/pin")(self._enter)
        routes.post("/leave")(self._leave)
        routes.get("/live/<channel>")(self._listen)
        for tab in self._tabs.values():
            routes.get(tab.address)(self._showing(tab))
            routes.post(tab.address)(self._acting(tab))
            tab.route(routes)

    async def _admit(self, request: Request) -> Response | None:
        """Who has no session gets the PIN's form, and nothing else."""
        request.g.session = self._session(request)
        if not self._gate.asks and host_of(request).rpartition(":")[0] not in LOOPBACK:
            return plain_answer("ask for this page by the name localhost", 421)
        # Under TLS the certificate's names decide: a browser shows nothing of a post by a name that its certificate lacks.
        if not self._tls and not is_own_name(request, (socket.gethostname(), self._site.post.name)):
            return plain_answer("ask for this page by the post's address or its own name", 421)
        if request.g.session is not None or request.path in ("/style.css", "/script.js", "/pin"):
            return None
        if request.path == "/" and request.method != "POST":
            return self._door()
        if request.method == "POST":
            return self._door(words.NOT_IN, 403)
        return plain_answer("", 401) if request.path.startswith("/live/") else _to("/")

    async def _harden(self, request: Request, response: Response) -> Response:
        for name, value in SECURITY.items():
            response.headers[name] = value
        return response

    async def _style(self, request: Request) -> Response:
        return Response(own_file("style.css") + STYLE.encode(), headers={"Content-Type": "text/css"})

    async def _script(self, request: Request) -> Response:
        return Response(own_file("script.js"), headers={"Content-Type": "text/javascript"})

    async def _no_place(self, request: Request) -> Response:
        return await self._admit(request) or plain_answer(words.NO_PLACE, 404)

    async def _broken(self, request: Request) -> Response:
        return plain_answer(words.BROKEN, 500)

    # ── coming in and leaving ───────────────────────────────────────────────────────────────────────────────────

    async def _enter(self, request: Request) -> Response:
        address, t = address_of(request.client_addr[0]), self._post.now()
        try:
            fields = self._fields(request)
            self._gate.look(address, t)  # before a token is used up: who is locked out costs nothing
            self._use_up(lambda token: self._gate.forms.use_up(address, token, t), fields)
            wait_s = self._gate.begin(address, t)
        except Refused as error:
            return self._door(str(error), error.status)
        except Locked as error:
            return self._door(words.PIN_LOCKED.format(seconds=error.left_s), 429)
        try:
            await asyncio.sleep(wait_s)
        finally:  # who does not wait has tried all the same
            session = self._gate.end(address, fields.get("pin", "").strip(), self._post.now())
        if session is None:
            return self._door(words.PIN_WRONG, 403)
        response = _to("/")
        response.headers["Set-Cookie"] = self._set(session.cookie)
        return response

    async def _leave(self, request: Request) -> Response:
        try:
            self._use_up_of(request.g.session, self._fields(request))
        except Refused as error:
            return await self._show(self._tabs["/"], request, str(error), error.status)
        self._gate.leave(request.g.session)
        response = _to("/")
        response.headers["Set-Cookie"] = f"{self._set('')}; Max-Age=0"
        return response

    def _door(self, said: str = "", status: int = 200) -> Response:
        form = tag(
            "form",
            hidden(self._gate.forms.make(self._post.now())),
            pin_field(),
            tag("p", words.PIN_WHY, id="why"),
            tag("div", tag("button", words.ENTER, class_="main"), class_="buttons"),
            method="post",
            action="/pin",
            class_="card",
        )
        sight = self._sight()
        whole = frame.whole(
            frame.Frame(self._site.post.name, "/", words.PIN, Html(""), foot=self._foot()),
            now.bare(sight),
            _line(said, refused=True),
            form,
        )
        return html_answer(whole, status)

    def _set(self, value: str) -> str:
        """A cookie for as long as the browser runs, for this post's page alone (RFC 6265bis)."""
        return f"{self._cookie}={value}; Path=/; HttpOnly; SameSite=Strict{'; Secure' if self._tls else ''}"

    def _session(self, request: Request) -> Session | None:
        return self._gate.session(request.cookies.get(self._cookie))

    # ── tabs ──────────────────────────────────────────────────────────────────────────────────────────────────

    def _showing(self, tab: Tab) -> Handler:
        async def show(request: Request) -> Response:
            return await self._show(tab, request)

        return show

    async def _show(
        self, tab: Tab, request: Request, refused: str = "", status: int = 200, kept: Mapping[str, str] | None = None
    ) -> Response:
        sight, session = self._sight(), request.g.session
        form = Form(session.forms.make(sight.t), session.by, kept or {})
        title, on_now = getattr(words, tab.title), tab.address == "/"
        leave = tag("form", hidden(form.token), tag("button", words.LEAVE), method="post", action="/leave")
        about = frame.Frame(
            self._site.post.name,
            tab.address,
            title,
            Html("") if on_now else now.head(sight),
            tabs=[(one.address, getattr(words, one.title)) for one in self._tabs.values()],
            live=_channel(tab),
            leave=leave if self._gate.asks else None,
            foot=self._foot(),
            refresh=tab.goes_on(sight),
            token=form.token,
            stale=sight.unheard_s is not None,
        )
        parts = [*tab.parts(sight, form).values()]
        first = parts.pop(0) if on_now else tag("h1", title)
        return html_answer(
            frame.whole(about, first, self._said(request, refused, status), *parts, await tab.rest(request, sight, form)),
            status,
        )

    async def _listen(self, request: Request, channel: str) -> Response:
        if channel not in self._channels:
            return await self._no_place(request)
        events: Any = self.live.listen(channel, lambda: self.knows(request))
        return Response(events, headers={"Content-Type": "text/event-stream"})

    def _parts(self, channel: str) -> Parts:
        sight, tab = self._sight(), self._channels[channel]
        return tab.parts(sight, Form()) | ({} if tab.address == "/" else {"head": now.head(sight)})

    def _said(self, request: Request, refused: str, status: int) -> Html | None:
        """The line that answers the form before, if there was one."""
        return _line(refused, refused=status >= 400) if refused else _line(self._done.get(request.args.get("did", ""), ""))

    def _sight(self) -> Sight:
        return Sight.of(self._post, self._site.post.zone)

    def _foot(self) -> str:
        return "" if self._tls else words.NO_TLS

    # ── what people say ─────────────────────────────────────────────────────────────────────────────────────────

    def _acting(self, tab: Tab) -> Handler:
        """A handler of a tab's forms: what they did, in a line, is shown by the tab itself."""

        async def handle(request: Request) -> Response:
            fields: dict[str, str] = {}
            try:
                fields = self._fields(request)
                self._use_up_of(request.g.session, fields)
                done = tab.act(fields, request.g.session, self._sight())
            except Refused as error:
                return await self._show(tab, request, str(error), error.status, fields)
            except TooMuchTold:
                return await self._show(tab, request, words.POST_BUSY, 503, fields)
            if not done:
                return _to(tab.address)
            key = secrets.token_urlsafe(6)
            self._done[key] = done
            if len(self._done) > _KEPT_LINES:
                del self._done[next(iter(self._done))]
            return _to(f"{tab.address}?did={key}")

        return handle

    def _fields(self, request: Request) -> dict[str, str]:
        """The fields of a form that comes from a page of this origin (RFC 6454). Raises Refused."""
        if request.headers.get("Origin") != f"{request.scheme}://{host_of(request)}":
            raise Refused(words.OTHER_ORIGIN, 403)
        return fields_of(request.content_type, request.body or b"")

    def _use_up_of(self, session: Session, fields: dict[str, str]) -> None:
        self._use_up(lambda token: session.forms.use_up(token, self._post.now()), fields)

    def _use_up(self, use_up: Callable[[str], None], fields: dict[str, str]) -> None:
        try:
            use_up(fields.get("token", ""))
        except FormError as error:
            why, status = _FORM_FAULTS[error.why]
            raise Refused(getattr(words, why), status) from None


def _channel(tab: Tab) -> str:
    return tab.address.strip("/") or "now"


def _line(text: str, *, refused: bool = False) -> Html | None:
    if not text:
        return None
    return tag("p", text, class_="said refused" if refused else "said", role="alert" if refused else "status")


def _to(address: str) -> Response:
    return Response("", 303, {"Location": address, "Content-Type": "text/plain"})
