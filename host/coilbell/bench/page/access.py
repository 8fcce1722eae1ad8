"""Who may ask: the token in the address, the Host and Origin of the request, and what a page may load.

::

    Host      must be a name this server was given, with its port: a foreign name that was made to point here
              gets nothing
    Origin    where a browser sends one, and always for the stream of shots, must be this very server
    token     first part of every path; compared in constant time; no cookies
"""

from __future__ import annotations

import ipaddress
import re
import secrets
import socket
from collections.abc import Sequence

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from coilbell.errors import InputError

__all__ = ["Gate", "names_of", "refuse_everywhere"]

_NUMERIC = re.compile(r"(0x[0-9a-f]*|[0-9]+)(\.(0x[0-9a-f]*|[0-9]+))*\.?", re.IGNORECASE)
"""What a system may take for an address in one of its old ways of writing: 0, 0x0, 127.1, 0177.0.0.1."""

_RULES = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data: blob:; connect-src 'self'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}
"""Scripts come from this server only, none inline. Styles may stand inline: the plots set theirs so."""


def refuse_everywhere(host: str) -> None:
    """Raise InputError for what would listen on every address, however it is written or named.

    An address is taken in its full form only: four decimal numbers, or IPv6; anything else is a name.
    """
    told = f"--host {host!r} is no address a page could ask for; give this computer's own on the network"
    try:
        meant = [ipaddress.ip_address(host)]
    except ValueError:
        if not host.strip() or _NUMERIC.fullmatch(host):
            raise InputError(told) from None
        meant = _resolved(host)
    for address in meant:
        inner = getattr(address, "ipv4_mapped", None) or address
        if inner.is_unspecified:
            raise InputError(told)


def _resolved(name: str) -> list[ipaddress.IPv4Address | ipaddress.IPv6Address]:
    """What a name stands for; nothing for one that is not known, which listening tells in its own words."""
    try:
        found = socket.getaddrinfo(name, None, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError):
        return []
    return [ipaddress.ip_address(str(entry[4][0])) for entry in found]


def names_of(host: str, port: int) -> tuple[str, ...]:
    """What a request's Host may be when the server listens on `host` and `port`."""
    here = ("127.0.0.1", "localhost", "[::1]")
    given = f"[{host}]" if ":" in host else host
    return tuple(f"{name}:{port}" for name in dict.fromkeys((given, *here)))


class Gate:
    """Stands before the application; a refusal says nothing about what is behind."""

    def __init__(self, inner: ASGIApp, token: str, names: Sequence[str]) -> None:
        self._inner = inner
        self._token = token.encode()
        self._names = frozenset(name.lower() for name in names)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or refuse it."""
        if scope["type"] not in ("http", "websocket"):
            await self._inner(scope, receive, send)
        elif problem := self._problem(scope):
            await _refuse(problem, scope, receive, send)
        else:
            await self._inner(scope, receive, _with_rules(send))

    def _problem(self, scope: Scope) -> str:
        """Why the request is refused, "" when it is not."""
        headers = Headers(scope=scope)
        host, origin = headers.get("host", "").lower(), headers.get("origin")
        if host not in self._names:
            return "this server does not answer to that name"
        if (origin or scope["type"] == "websocket") and (origin or "").lower() != f"http://{host}":
            return "another page may not ask this server"
        word = str(scope["path"]).removeprefix("/").partition("/")[0]
        if not secrets.compare_digest(word.encode(), self._token):
            return "the address is not complete; copy it whole from the terminal"
        return ""


async def _refuse(problem: str, scope: Scope, receive: Receive, send: Send) -> None:
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": 1008})
        return
    await PlainTextResponse(problem + "\n", 403)(scope, receive, _with_rules(send))


def _with_rules(send: Send) -> Send:
    async def ruled(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in _RULES.items():
                headers.setdefault(name, value)
        await send(message)

    return ruled
