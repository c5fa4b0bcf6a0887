"""Who may ask for what: sessions, requests of other sites, and the headers that confine the page."""

from __future__ import annotations

import hashlib
import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from urllib.parse import urlsplit

from fastapi import Request
from fastapi.responses import JSONResponse
from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from axlewright_server.api.errors import ApiError

COOKIE = "axlewright_session"
SESSION_S = 12 * 3600.0
MOST_SESSIONS = 10_000
SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
# Everything comes from here; uPlot and htmx set styles through the object model, which this allows.
SECURITY_HEADERS = {
    "content-security-policy": "default-src 'self'; img-src 'self' data:; style-src 'self'; object-src 'none'; "
    "base-uri 'none'; form-action 'self'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
}


@dataclass
class Sessions:
    """Who is signed in, in memory only: a restart signs everybody out. Any thread may call.

    Only a hash of each token is kept, so that a look into memory or a log gives nobody a session.
    """

    clock: Callable[[], float]
    _open: dict[bytes, tuple[str, float]] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def begin(self, name: str) -> str:
        """Return the token of a new session."""
        now_s, token = self.clock(), secrets.token_urlsafe(32)
        with self._lock:
            self._open = {key: entry for key, entry in self._open.items() if entry[1] > now_s}
            if len(self._open) >= MOST_SESSIONS:
                del self._open[min(self._open, key=lambda key: self._open[key][1])]
            self._open[_digest(token)] = (name, now_s + SESSION_S)
        return token

    def name(self, token: str | None) -> str | None:
        """Return whose session this is; None when there is none, or it has run out."""
        entry = self._open.get(_digest(token)) if token else None
        return entry[0] if entry and entry[1] > self.clock() else None

    def end(self, token: str | None) -> None:
        """Forget a session."""
        if token:
            with self._lock:
                self._open.pop(_digest(token), None)


def _digest(token: str) -> bytes:
    return hashlib.sha256(token.encode()).digest()


def refuse_other_sites(request: Request) -> None:
    """Refuse an action that a page of another site had the browser ask for.

    Browsers say where a request comes from (Sec-Fetch-Site, Origin); programs say neither and carry no cookie by
    accident.

    Raises
    ------
    ApiError
        The request came from elsewhere.
    """
    if request.method in SAFE_METHODS:
        return
    site = request.headers.get("sec-fetch-site")
    origin = request.headers.get("origin")
    foreign_site = site is not None and site not in ("same-origin", "none")
    foreign_origin = origin is not None and urlsplit(origin).netloc != request.headers.get("host", "")
    if foreign_site or foreign_origin:
        raise ApiError(
            403,
            "The page of another site asked for this action.",
            f"header: origin {origin!r}, sec-fetch-site {site!r}",
            "Use the office's own page, or a program that sends no Origin header.",
        )


def foreign_host(host: str, allowed: frozenset[str] | None) -> bool:
    """Return whether a Host header names a machine that this office does not answer for.

    A page elsewhere can point its own name at 127.0.0.1; then only the Host header tells. None allows every name.

    Examples
    --------
    >>> loopback = frozenset({"127.0.0.1", "localhost", "[::1]"})
    >>> foreign_host("localhost:8642", loopback), foreign_host("evil.example", loopback)
    (False, True)
    """
    if allowed is None:
        return False
    name = host.rsplit(":", 1)[0] if not host.endswith("]") else host
    return name.lower() not in allowed


class Guard:
    """Refuse what comes from elsewhere before any route runs, and put the confining headers on every answer.

    Plain ASGI: it must not stand between an event stream and its listener.
    """

    def __init__(self, app: ASGIApp, hosts: frozenset[str] | None = None) -> None:
        self._app = app
        self._hosts = hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or answer it here."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in SECURITY_HEADERS.items():
                    headers.setdefault(name, value)
                if not scope["path"].startswith("/static/"):
                    headers.setdefault("cache-control", "no-store")
            await send(message)

        try:
            self._check(Request(scope))
        except ApiError as error:
            await JSONResponse(error.problem.model_dump(), error.status)(scope, receive, send_with_headers)
            return
        await self._app(scope, receive, send_with_headers)

    def _check(self, request: Request) -> None:
        host = request.headers.get("host", "")
        if foreign_host(host, self._hosts):
            raise ApiError(
                421,
                f"This office does not answer to the name {host!r}.",
                "header: host",
                f"Use one of {', '.join(sorted(self._hosts or ()))}.",
            )
        refuse_other_sites(request)
