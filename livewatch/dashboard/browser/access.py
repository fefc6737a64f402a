"""Who may see and work the screen from a browser: the token, the names and origins, and what a page may do.

A request comes in; a reason to refuse it comes out, or none. Promised: outside this machine nobody gets in without the
token; no page of another site reaches the run, frames the page or reads from it. The token is compared in constant time
and given once, in the address; from then on the browser brings a cookie that is worth nothing to the next server.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import secrets
from urllib.parse import urlsplit

from aiohttp import web

from livewatch.errors import UsageError

__all__ = ["HEADERS", "Access", "is_loopback", "token_for"]

SHORTEST = 8
"""Characters of a token chosen for an address that others can reach."""
NO_TOKEN = "This page needs the address with its token, as livewatch printed it when it was started.\n"
HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; font-src 'self'; "
        "img-src 'self' data:; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "X-Frame-Options": "DENY",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}
"""Sent with every answer (W3C Content Security Policy 3, RFC 7034)."""


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach an address."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def token_for(host: str, chosen: str | None) -> str | None:
    """The token a browser must bring: the one chosen, one made up where others can reach the address, else None.

    Raises:
        UsageError: the one chosen is too short for an address that others can reach.
    """
    if is_loopback(host):
        return chosen or None
    if chosen and len(chosen) < SHORTEST:
        raise UsageError(f"--token: {len(chosen)} characters are too easily guessed; expected {SHORTEST} or more")
    return chosen or secrets.token_urlsafe(16)


class Access:
    """Args:
    host: the address listened on.
    port: its port, which names the cookie: one host may serve several runs.
    token: None lets everybody on this machine in.
    """

    def __init__(self, host: str, port: int, token: str | None) -> None:
        self._open_to_others = not is_loopback(host)
        self._token = token
        self.cookie = f"livewatch-{port}"
        self.key = secrets.token_urlsafe(24)
        """What the cookie holds: known to those who brought the token to this server."""

    def refusal(self, request: web.Request) -> tuple[int, str] | None:
        """Status and reason where a request is refused."""
        origin = request.headers.get("Origin")
        if origin is not None and _netloc(origin) != request.host:
            return 403, "Asked by a page of another site.\n"
        if not self._open_to_others and not is_loopback(_name(request.host)):
            return 403, "Asked under a name that is not this machine's.\n"
        if self.brings_token(request):
            return None
        if self._token is not None and not self._brings_key(request):
            return 401, NO_TOKEN
        # What a page of another origin opens is refused as well (W3C Fetch Metadata): to a page of another port of this
        # host the browser lends the cookie.
        asked_by = request.headers.get("Sec-Fetch-Site", "none")
        return None if asked_by in ("none", "same-origin") else (403, "Asked by a page of another site.\n")

    def brings_token(self, request: web.Request) -> bool:
        """Whether the address holds the token."""
        return self._token is not None and _same(request.query.get("token", ""), self._token)

    def _brings_key(self, request: web.Request) -> bool:
        return _same(request.cookies.get(self.cookie, ""), self.key)


def _netloc(address: str) -> str:
    try:
        return urlsplit(address).netloc
    except ValueError:
        return ""


def _name(host: str) -> str:
    try:
        return urlsplit(f"//{host}").hostname or ""
    except ValueError:
        return ""


def _same(brought: str, known: str) -> bool:
    """Compared in a time that tells neither the length nor the beginning."""
    one, other = (hashlib.sha256(text.encode("utf-8", "surrogatepass")).digest() for text in (brought, known))
    return hmac.compare_digest(one, other)
