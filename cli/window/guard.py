"""Guard of the window: only the browser that was given its address gets in.

A page of any other origin can make a browser send requests to this machine (by name too, where a
name server of its own points here). So host and origin are checked, a cookie of the same site is
asked for, and what comes in is bounded. The answers say that nothing from elsewhere may be loaded,
embedded or run (Content Security Policy Level 3; Fetch, sections on Origin and Sec-Fetch-Site).
"""

from __future__ import annotations

import secrets
from http.cookies import CookieError, SimpleCookie
from typing import TYPE_CHECKING
from urllib.parse import parse_qs

from meas.errors import FreeairError

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

PHONE = (
    "Whoever is in this network and has this address can play the bench and write into the "
    "folder; the way there is not encrypted. Use it in a network of your own, and end it with "
    "Ctrl-C when you are done."
)
"""What it means to serve the local network."""
LARGEST_FORM = 64 * 1024
LARGEST_DROP = 400 * 1024 * 1024
"""Bytes of a recording: half an hour of two channels in 32 bits at 24 kHz, 9 minutes at 96 kHz."""
DROP = "/drop"

HEADERS = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "img-src 'self' data:; connect-src 'self'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cache-control": "no-store",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}


class TooLarge(FreeairError):
    """More was sent than is taken."""


class Guard:
    """Lets through what carries the cookie; exchanges the key of the address for it.

    Args:
        app: What it stands before.
        hosts: Names with port by which the window may be called.
        key: Secret in the address that was printed.
    """

    def __init__(self, app: ASGIApp, hosts: frozenset[str], key: str) -> None:
        self._app = app
        self._hosts = hosts
        self._key = key
        self._session = secrets.token_urlsafe(32)
        # Cookies know no ports: two windows of one machine must not take each other's.
        self._cookie = f"freeair-{secrets.token_hex(4)}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check one request and pass it on."""
        if scope["type"] != "http":
            return
        heads: dict[str, list[str]] = {}
        for name, value in scope["headers"]:
            heads.setdefault(name.decode("latin-1"), []).append(value.decode("latin-1"))
        hosts = heads.get("host", [])
        if len(hosts) != 1 or hosts[0] not in self._hosts:
            await _refuse(send, 421, "This window answers to its own address only.")
            return
        key = parse_qs(scope["query_string"].decode("latin-1")).get("key", [])
        if scope["path"] == "/" and scope["method"] == "GET" and key:
            await self._exchange(send, key[0])
            return
        if not self._known(heads.get("cookie", [])):
            text = (
                "This window was opened by another run of freeair, or without its key. "
                "Start 'freeair open' again and use the address that it prints."
            )
            await _refuse(send, 403, text)
            return
        if not _same_origin(scope["method"], heads, hosts[0]):
            await _refuse(send, 403, "Requests from other pages are not answered.")
            return
        await self._bounded(scope, receive, send, heads)

    async def _exchange(self, send: Send, key: str) -> None:
        if not secrets.compare_digest(key.encode(), self._key.encode()):
            await _refuse(send, 403, "This is not the key of the window that runs here.")
            return
        cookie = f"{self._cookie}={self._session}; Path=/; HttpOnly; SameSite=Strict"
        await _answer(send, 303, b"", {"location": "/", "set-cookie": cookie})

    def _known(self, cookies: list[str]) -> bool:
        try:
            jar = SimpleCookie("; ".join(cookies))
        except CookieError:
            return False
        found = jar.get(self._cookie)
        said = "" if found is None else found.value
        return secrets.compare_digest(said.encode(), self._session.encode())

    async def _bounded(
        self, scope: Scope, receive: Receive, send: Send, heads: dict[str, list[str]]
    ) -> None:
        most = LARGEST_DROP if scope["path"] == DROP else LARGEST_FORM
        said = heads.get("content-length", ["0"])[0]
        if not said.isdigit() or int(said) > most:
            await _refuse(send, 413, f"At most {most // 1024} kB are taken here.")
            return
        taken = 0

        async def counted() -> Message:
            nonlocal taken
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > most:
                raise TooLarge(f"at most {most // 1024} kB are taken here")
            return message

        async def hardened(message: Message) -> None:
            if message["type"] == "http.response.start":
                own = {name.encode(): value.encode() for name, value in HEADERS.items()}
                kept = [(n, v) for n, v in message.get("headers", []) if n.lower() not in own]
                message = {**message, "headers": [*kept, *own.items()]}
            await send(message)

        await self._app(scope, counted, hardened)


def _same_origin(method: str, heads: dict[str, list[str]], host: str) -> bool:
    """Tell whether our own page asks, as far as the browser says."""
    site = heads.get("sec-fetch-site", ["same-origin"])
    origin = heads.get("origin", [])
    if site[0] not in ("same-origin", "none") or len(origin) > 1:
        return False
    if method in ("GET", "HEAD"):
        return origin in ([], [f"http://{host}"])
    return method == "POST" and origin == [f"http://{host}"]


async def _refuse(send: Send, status: int, text: str) -> None:
    # What else comes with a request that is refused is not listened to.
    heads = {"content-type": "text/plain; charset=utf-8", "connection": "close"}
    await _answer(send, status, text.encode(), heads)


async def _answer(send: Send, status: int, body: bytes, extra: dict[str, str]) -> None:
    heads = {**HEADERS, **extra, "content-length": str(len(body))}
    raw = [(name.encode(), value.encode()) for name, value in heads.items()]
    await send({"type": "http.response.start", "status": status, "headers": raw})
    await send({"type": "http.response.body", "body": body})
