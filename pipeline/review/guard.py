"""Who may ask the server anything: a page that it gave itself, opened by the person who started it.

It listens on the loopback interface only. Any other page that the browser has open, and any other person on the
machine, can reach that too: so each address begins with a random token, the Host must be our own (else a name that an
attacker points at 127.0.0.1, "DNS rebinding", would count as the page's origin), the Origin and Sec-Fetch-Site must be
our own (Fetch Standard, 3.2; Fetch Metadata Request Headers, W3C), and what changes anything must be JSON with a header
that a form of another page cannot send (Fetch Standard, 4.1: such a request asks first, and is refused).
"""

from __future__ import annotations

import secrets
from collections.abc import Awaitable, Callable, Iterable, MutableMapping
from typing import Any

MOST_BODY = 64_000  # octets of a request: a decision is some hundred
HEADER = b"x-court"
# Content Security Policy Level 3. Nothing is loaded but from this server, nothing is framed or sent as a form.
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'"
)
HEADERS = (
    (b"content-security-policy", POLICY.encode()),
    (b"cache-control", b"no-store"),  # pictures of people and their names leave no trace on the disk of the browser
    (b"referrer-policy", b"no-referrer"),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), microphone=(), geolocation=()"),
)

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]


class Guard:
    """An ASGI application that lets `app` see only what may be asked, its path without the token."""

    def __init__(self, app: App, token: str, port: int) -> None:
        """port  that the server listens on"""
        self._app, self._token = app, token
        self._hosts = {f"{name}:{port}".encode() for name in ("127.0.0.1", "localhost")}
        self._origins = {b"http://" + host for host in self._hosts}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """See the ASGI specification 3.0, HTTP."""
        if scope["type"] != "http":
            return

        async def sent(message: Message) -> None:
            if message["type"] == "http.response.start":
                given = {name.lower() for name, _ in message.get("headers", ())}
                added = [pair for pair in HEADERS if pair[0] not in given]
                message = {**message, "headers": [*message.get("headers", ()), *added]}
            await send(message)

        if status := self.refusal(scope):
            await _say(sent, status)
            return
        path = scope["path"][len(self._token) + 2 :]
        body = await _body(receive, MOST_BODY)
        if body is None:
            await _say(sent, 413)
            return
        given = False

        async def again() -> Message:
            nonlocal given
            if given:
                return {"type": "http.disconnect"}
            given = True
            return {"type": "http.request", "body": body, "more_body": False}

        raw = scope.get("raw_path", b"")
        inner = {**scope, "path": f"/{path}", "raw_path": b"/" + raw[len(self._token) + 2 :], "root_path": ""}
        await self._app(inner, again, sent)

    def refusal(self, scope: Scope) -> int:
        """The status with which a request is refused, 0 where it may be answered."""
        headers: list[tuple[bytes, bytes]] = [(name.lower(), value) for name, value in scope["headers"]]
        method, path = scope["method"], scope["path"]
        hosts = _all(headers, b"host")
        if len(hosts) != 1 or hosts[0].lower() not in self._hosts:
            return 403
        origins = _all(headers, b"origin")
        if any(origin not in self._origins for origin in origins) or (method == "POST" and len(origins) != 1):
            return 403
        sites = _all(headers, b"sec-fetch-site")
        begins = _is_opened(method, headers) and path == f"/{self._token}/"
        if not begins and any(site not in (b"same-origin", b"none") for site in sites):
            return 403
        token, slash, _ = path[1:].partition("/")
        if not secrets.compare_digest(token.encode("utf-8", "replace"), self._token.encode()) or not slash:
            return 404
        if method == "POST":
            kind = b"".join(_all(headers, b"content-type")).partition(b";")[0].strip().lower()
            if kind != b"application/json" or _all(headers, HEADER) != [b"1"]:
                return 403
        elif method not in ("GET", "HEAD"):
            return 405
        return 0


def _is_opened(method: str, headers: Iterable[tuple[bytes, bytes]]) -> bool:
    """Whether the page is opened as a whole, as from the file that starts the browser: the token says by whom."""
    pairs = list(headers)
    navigates = (_all(pairs, b"sec-fetch-mode"), _all(pairs, b"sec-fetch-dest")) == ([b"navigate"], [b"document"])
    return method == "GET" and navigates


def _all(headers: Iterable[tuple[bytes, bytes]], name: bytes) -> list[bytes]:
    return [value for key, value in headers if key == name]


async def _body(receive: Receive, most: int) -> bytes | None:
    """The body of a request, None where it is larger than `most` octets."""
    body = bytearray()
    while True:
        message = await receive()
        if message["type"] != "http.request":
            return bytes(body)
        body += message.get("body", b"")
        if len(body) > most:
            return None
        if not message.get("more_body"):
            return bytes(body)


async def _say(send: Send, status: int) -> None:
    text = {403: b"refused", 404: b"not here", 405: b"not so", 413: b"too large"}[status]
    kind = (b"content-type", b"text/plain; charset=utf-8")
    await send({"type": "http.response.start", "status": status, "headers": [kind]})
    await send({"type": "http.response.body", "body": text})
