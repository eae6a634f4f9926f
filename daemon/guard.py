"""Who may talk to the service: Host, Origin, token and the size of a body, judged before anything else.

A page from elsewhere in the owner's browser can send requests to loopback, and a name that is made to point
there passes as the same site; the Host and Origin checks are what stops both. Plain ASGI, so that streams
pass through untouched.
"""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import ipaddress
import json
import re
from collections.abc import Awaitable, Callable, Iterable, MutableMapping
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from typing import Any

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

LARGEST_BODY_BYTES = 64 * 1024
BODY_WITHIN_S = 10.0
_DRAINED_BYTES = 16 * LARGEST_BODY_BYTES
_DRAINED_WITHIN_S = 1.0
COOKIE = "drawtube_token"
_OPEN_PATHS = ("/healthz",)


def is_loopback(host: str) -> bool:
    """Tell whether an address to listen on can be reached from this machine alone."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


@dataclass(frozen=True, slots=True)
class Rules:
    """Which names the service answers to (lower case, without port), and the token, if one is needed."""

    hosts: frozenset[str]
    token: str | None = None


def rules_for(host: str, extra: Iterable[str], token: str | None) -> Rules:
    """Return the rules for an address to listen on; ``extra`` are further names of this machine."""
    names = {"localhost", "127.0.0.1", "::1"} if is_loopback(host) else {host.lower()}
    return Rules(frozenset(names | {name.lower() for name in extra}), token)


class Refusal(Exception):
    """A request that goes no further: the status and the words to answer with."""

    def __init__(self, status: int, words: str) -> None:
        super().__init__(words)
        self.status = status
        self.words = words


class Guard:
    """Wraps an ASGI app."""

    def __init__(self, app: App, rules: Rules) -> None:
        self._app = app
        self._rules = rules

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it with the reason."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return  # a socket of another kind is simply not answered
        try:
            headers = _headers(scope)
            check_host(self._rules, headers)
            check_origin(headers, scope.get("scheme", "http"))
            if scope["path"] not in _OPEN_PATHS:
                check_token(self._rules, headers, scope)
            body = await _bounded_body(headers, receive)
        except Refusal as refusal:
            # A connection closed on unread bytes is reset, and the reason never arrives.
            await _drained(receive)
            await _answer(send, refusal)
            return
        await self._app(scope, _replayed(body, receive), send)


def check_host(rules: Rules, headers: dict[str, str]) -> None:
    """Refuse a request for another name than ours."""
    name = _name_of(headers.get("host", ""))
    if name not in rules.hosts:
        raise Refusal(
            421,
            f"this service does not answer to the name {name!r}; add it under [service] hosts if it should",
        )


def check_origin(headers: dict[str, str], scheme: str) -> None:
    """Refuse what a page from elsewhere sends."""
    origin = headers.get("origin")
    if origin is None:
        return
    if origin.lower() != f"{scheme}://{headers.get('host', '').lower()}":
        raise Refusal(403, "requests from pages of another origin are refused")


def check_token(rules: Rules, headers: dict[str, str], scope: Scope) -> None:
    """Refuse a request without the token, where one is needed; the page may carry it in a cookie."""
    if rules.token is None:
        return
    scheme, _, given = headers.get("authorization", "").partition(" ")
    offered = given.strip() if scheme.lower() == "bearer" else _cookie(headers)
    if offered is None and scope["path"] == "/" and b"token=" in scope.get("query_string", b""):
        return  # the page itself checks the token in its address and turns it into the cookie
    if offered is None or not hmac.compare_digest(offered.encode(), rules.token.encode()):
        raise Refusal(401, "a token is needed: Authorization: Bearer TOKEN")


def _cookie(headers: dict[str, str]) -> str | None:
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return None
    return None if found is None else found.value


def _headers(scope: Scope) -> dict[str, str]:
    """Return the headers; a repeated one that decides who may talk is refused."""
    headers: dict[str, str] = {}
    for raw_name, raw_value in scope["headers"]:
        name = raw_name.decode("latin-1").lower()
        if name in headers and name in ("host", "origin", "authorization", "content-length"):
            raise Refusal(400, f"the header {name} comes twice")
        headers[name] = raw_value.decode("latin-1")
    return headers


def _name_of(host: str) -> str:
    host = host.strip().lower()
    if host.startswith("["):
        name, closed, port = host[1:].partition("]")
        return name if closed and re.fullmatch(r"(:\d*)?", port) else host
    return host.rpartition(":")[0] if ":" in host else host


async def _bounded_body(headers: dict[str, str], receive: Receive) -> bytes:
    """Return the whole body; it is small, so reading it first keeps all later code from having to care."""
    announced = headers.get("content-length", "0")
    if not announced.isascii() or not announced.isdigit():
        raise Refusal(400, "the header content-length is not a number")
    if int(announced) > LARGEST_BODY_BYTES:
        raise Refusal(413, f"a body may have at most {LARGEST_BODY_BYTES} bytes")
    if announced == "0" and "transfer-encoding" not in headers:
        return b""
    try:
        return await asyncio.wait_for(_body(receive), BODY_WITHIN_S)
    except TimeoutError:
        raise Refusal(408, f"the body did not come within {BODY_WITHIN_S:g} s") from None


async def _body(receive: Receive) -> bytes:
    body = bytearray()
    while True:
        message = await receive()
        if message["type"] == "http.disconnect":
            raise Refusal(400, "the connection was closed before the body was whole")
        body += message.get("body", b"")
        if len(body) > LARGEST_BODY_BYTES:
            raise Refusal(413, f"a body may have at most {LARGEST_BODY_BYTES} bytes")
        if not message.get("more_body", False):
            return bytes(body)


async def _drained(receive: Receive) -> None:
    """Read and forget what is still coming, within bounds: whoever sends for ever is not waited for."""
    left = _DRAINED_BYTES

    async def drain() -> None:
        nonlocal left
        while left > 0:
            message = await receive()
            left -= len(message.get("body", b"")) + 1
            if message["type"] == "http.disconnect" or not message.get("more_body", False):
                return

    with contextlib.suppress(TimeoutError):
        await asyncio.wait_for(drain(), _DRAINED_WITHIN_S)


def _replayed(body: bytes, receive: Receive) -> Receive:
    """Return a receive that gives the body read already, then whatever comes."""
    given = False

    async def replay() -> Message:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return replay


async def _answer(send: Send, refusal: Refusal) -> None:
    body = json.dumps({"detail": refusal.words}).encode()
    headers = [
        (b"content-type", b"application/json"),
        (b"content-length", str(len(body)).encode()),
        (b"connection", b"close"),
    ]
    if refusal.status == 401:
        headers.append((b"www-authenticate", b"Bearer"))
    await send({"type": "http.response.start", "status": refusal.status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
