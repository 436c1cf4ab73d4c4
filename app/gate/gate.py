"""The gate itself: every request and every message of an open page passes it.

Pages, pictures, uploads and the page's connection are for people who are signed in; whether the
server is alive may be asked by anybody. Who it is goes on to the page in two headers, which nobody
can send from outside.
"""

from __future__ import annotations

from functools import cached_property
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs, quote, unquote, urlsplit

from anyio import CapacityLimiter, to_thread
from starlette.datastructures import Headers
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from app.gate.doors import Doors
from app.gate.pages import PAGES, pages_of
from app.gate.sign_in import Said, sign_in_page
from app.remembered import LANGUAGE_COOKIE
from app.wording import LANGUAGE_IN_ADDRESS
from fruitvision.accounts import Account, Role
from fruitvision.errors import AccountError

SIGN_IN, SIGN_OUT, ALIVE = "/sign-in", "/sign-out", "/_stcore/health"
# An open page asks there whether its session goes on.
SIGNED_IN = "/signed-in"
# In the address of the form: it is for somebody whose session has ended.
ENDED = "ended"
COOKIE = "fruitvision_session"
PERSON, ROLE = "x-fruitvision-person", "x-fruitvision-role"
# A form of two fields. Our choice: far more than names and passwords may be long.
LONGEST_FORM = 8_192
# RFC 6455, 7.4.1: the connection breaks a policy.
POLICY = 1008
# Said to programs: whoever uses a browser is led to the page of `sign_in`.
_FIRST = "Sign in first."
_SIGNED_OUT = "Signed out."
_ON_THIS_PAGE = "Sign in on this page."
_NO_FORM = "That is no form of this page."
# What keeps a signed-in page out of other sites' frames and its addresses out of their logs.
GUARDS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cache-Control": "no-store",
}


class Gate:
    """ASGI middleware: lets in who is signed in, shows the others where to."""

    def __init__(self, app: ASGIApp, doors: Doors) -> None:
        self._app = app
        self._doors = doors

    @cached_property
    def _one_try(self) -> CapacityLimiter:
        """Tries to sign in are looked at one after another, and wait without a thread: the server's
        are for people who are in."""
        return CapacityLimiter(1)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request, or one connection of a page."""
        if scope["type"] not in ("http", "websocket") or scope["path"] == ALIVE:
            await self._app(scope, receive, send)
            return
        scope = _without_claims(scope)
        if self._doors.open_to_all:
            answer = _first_page(scope, None)
            await (answer or self._app)(scope, receive, send)
        elif scope["type"] == "websocket":
            await self._connection(scope, receive, send)
        else:
            await self._request(scope, receive, send)

    # ------------------------------------------------------------ a request

    async def _request(self, scope: Scope, receive: Receive, send: Send) -> None:
        request = Request(scope, receive)
        if scope["path"] == SIGN_IN and not self._doors.proxy_header:
            answer = await self._sign_in(request)
        elif scope["path"] == SIGN_OUT:
            answer = self._sign_out(request)
        elif scope["path"] == SIGNED_IN:
            answer = self._goes_on(scope)
        elif (account := self._account(scope)) is not None:
            let_in = _first_page(scope, account.role) or self._app
            await let_in(_with(scope, account), receive, send)
            return
        else:
            answer = self._turned_away(request)
        await answer(scope, receive, send)

    async def _sign_in(self, request: Request) -> Response:
        back = _own_address(request.query_params.get("next", "/"))
        if request.method != "POST":
            return _page(
                request, back, Said.ENDED if ENDED in request.query_params else Said.NOTHING
            )
        if not _from_here(request):
            return PlainTextResponse(_ON_THIS_PAGE, status_code=403)
        try:
            fields = await _form(request)
        except (ValueError, ClientDisconnect):
            return PlainTextResponse(_NO_FORM, status_code=400)
        return await self._try(request, fields.get("name", ""), fields.get("password", ""), back)

    async def _try(self, request: Request, name: str, password: str, back: str) -> Response:
        try:
            token, wait_s = await to_thread.run_sync(
                self._doors.sign_in,
                name,
                password,
                _address(request.scope),
                limiter=self._one_try,
            )
        except AccountError:
            return _page(request, back, Said.NO_ACCOUNTS, status=503)
        if wait_s:
            return _page(request, back, Said.WAIT, wait_s=wait_s, status=429)
        if not token:
            return _page(request, back, Said.WRONG, status=401)
        answer = RedirectResponse(back, status_code=303, headers=GUARDS)
        answer.set_cookie(
            COOKIE,
            token,
            httponly=True,
            samesite="strict",
            secure=request.url.scheme == "https",
            path="/",
        )
        return answer

    def _sign_out(self, request: Request) -> Response:
        self._doors.sessions.end(_token(request.headers))
        answer = RedirectResponse(SIGN_IN, status_code=303, headers=GUARDS)
        answer.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict")
        return answer

    def _goes_on(self, scope: Scope) -> Response:
        """Whether the session of an open page goes on; if not, the page to go to for another.

        Nothing stands there where a proxy signs people in: it does so when the page is loaded anew.
        """
        if self._account(scope) is not None:
            return Response(status_code=204, headers=GUARDS)
        page = "" if self._doors.proxy_header else f"{SIGN_IN}?{ENDED}=1"
        return PlainTextResponse(page, status_code=401, headers=GUARDS)

    def _turned_away(self, request: Request) -> Response:
        wants_page = "text/html" in request.headers.get("accept", "")
        if request.method == "GET" and wants_page and not self._doors.proxy_header:
            back = request.url.path + (f"?{request.url.query}" if request.url.query else "")
            return RedirectResponse(
                f"{SIGN_IN}?next={quote(back, safe='')}", status_code=303, headers=GUARDS
            )
        return PlainTextResponse(_FIRST, status_code=401, headers=GUARDS)

    # ------------------------------------------------------------ the connection of an open page

    async def _connection(self, scope: Scope, receive: Receive, send: Send) -> None:
        account = self._account(scope)
        if account is None:
            await send({"type": "websocket.close", "code": POLICY, "reason": _FIRST})
            return

        async def receive_while_signed_in() -> Message:
            message = await receive()
            if message["type"] == "websocket.receive" and self._account(scope) != account:
                await send({"type": "websocket.close", "code": POLICY, "reason": _SIGNED_OUT})
                return {"type": "websocket.disconnect", "code": POLICY}
            return message

        await self._app(_with(scope, account), receive_while_signed_in, send)

    def _account(self, scope: Scope) -> Account | None:
        headers = Headers(scope=scope)
        if self._doors.proxy_header:
            return self._doors.by_proxy(headers.get(self._doors.proxy_header, ""), _address(scope))
        return self._doors.holder(_token(headers))


def signed_in(headers: dict[str, str]) -> tuple[str, Role] | None:
    """Who looks at a page, by the headers of its connection; None where nobody needs to sign in."""
    lowered = {name.lower(): value for name, value in headers.items()}
    if PERSON not in lowered:
        return None
    return unquote(lowered[PERSON]), Role(lowered[ROLE])


def _first_page(scope: Scope, role: Role | None) -> Response | None:
    """The way to the first page of a role from its name, and from pages that the role lacks.

    The first page is at `/`; Streamlit knows no other address of it. None for all else.
    """
    asked = scope["path"].strip("/")
    if scope["type"] != "http" or asked not in PAGES or asked in pages_of(role)[1:]:
        return None
    query = scope["query_string"].decode("latin-1")
    return RedirectResponse(f"/?{query}" if query else "/", status_code=303, headers=GUARDS)


def _without_claims(scope: Scope) -> Scope:
    """The scope without headers that only the gate may write."""
    ours = {PERSON.encode(), ROLE.encode()}
    kept = [(name, value) for name, value in scope["headers"] if name.lower() not in ours]
    return {**scope, "headers": kept}


def _with(scope: Scope, account: Account) -> Scope:
    told = [
        (PERSON.encode(), quote(account.name).encode("ascii")),
        (ROLE.encode(), account.role.value.encode("ascii")),
    ]
    return {**scope, "headers": [*scope["headers"], *told]}


def _token(headers: Headers) -> str:
    cookies: SimpleCookie = SimpleCookie()
    try:
        cookies.load(headers.get("cookie", ""))
    except CookieError:
        return ""
    found = cookies.get(COOKIE)
    return "" if found is None else found.value


def _address(scope: Scope) -> str:
    client = scope.get("client")
    return str(client[0]) if client else ""


def _own_address(asked: str) -> str:
    """Where to go after signing in: a path of this app, never another site."""
    parts = urlsplit(asked)
    inside = asked.startswith("/") and not asked.startswith("//") and "\\" not in asked
    if not inside or parts.scheme or parts.netloc or parts.path in (SIGN_IN, SIGN_OUT):
        return "/"
    path = quote(unquote(parts.path))
    return f"{path}?{parts.query}" if parts.query and parts.query.isprintable() else path


def _from_here(request: Request) -> bool:
    """Whether the form was sent by a page of this app, as browsers tell it."""
    origin = request.headers.get("origin")
    if origin is None:
        return True
    return urlsplit(origin).netloc == request.headers.get("host", "")


async def _form(request: Request) -> dict[str, str]:
    content = b""
    async for part in request.stream():
        content += part
        if len(content) > LONGEST_FORM:
            raise ValueError("too long")
    fields = parse_qs(content.decode(), keep_blank_values=True, max_num_fields=8)
    return {name: values[-1] for name, values in fields.items()}


def _page(
    request: Request, back: str, said: Said, *, wait_s: int = 0, status: int = 200
) -> HTMLResponse:
    # As on the page that was left, else as this browser's visitor chose last, else as it speaks.
    of_page = parse_qs(urlsplit(back).query).get(LANGUAGE_IN_ADDRESS, [""])[0]
    chosen = request.cookies.get(LANGUAGE_COOKIE, "")
    language = f"{of_page},{chosen},{request.headers.get('accept-language', '')}"
    content = sign_in_page(language, f"{SIGN_IN}?next={quote(back, safe='')}", said, wait_s=wait_s)
    policy = "default-src 'none'; style-src 'unsafe-inline'; form-action 'self'; base-uri 'none'"
    headers = {**GUARDS, "Content-Security-Policy": policy}
    if wait_s:
        headers["Retry-After"] = str(wait_s)
    return HTMLResponse(content, status_code=status, headers=headers)
