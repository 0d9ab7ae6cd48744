"""I decide who may ask: whoever came by an address with a token, from a page of this very address.

In: host and port, a request's headers. Out: a cookie for a token, or why a request is refused.

A token is good once. The browser is opened with one; another is printed, for another browser of the same person, and a
new one is printed when it was used. Names that lead to this machine by way of somebody else's name server show in Host,
pages of others in Origin (RFC 6454) and Sec-Fetch-Site (W3C Fetch Metadata); all three are looked at.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field

TOKEN_BYTES = 32  # 256 random bits; nobody guesses them
NAMES = ("127.0.0.1", "localhost", "[::1]")
READING = ("GET", "HEAD")

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}


@dataclass
class Access:
    """port : the server's. secret : what the cookie holds. tokens : those not used yet."""

    port: int
    secret: str = field(default_factory=lambda: secrets.token_urlsafe(TOKEN_BYTES))
    tokens: set[str] = field(default_factory=set)

    @property
    def cookie(self) -> str:
        """Name of the cookie; browsers give cookies of one port to all others of a machine, so it holds the port."""
        return f"stitchbed_{self.port}"

    def address(self) -> str:
        """An address with a token of its own."""
        token = secrets.token_urlsafe(TOKEN_BYTES)
        self.tokens.add(token)
        return f"http://127.0.0.1:{self.port}/?token={token}"

    def spend(self, token: str) -> bool:
        """Whether the token is good; it is not from now on."""
        found = next((one for one in self.tokens if hmac.compare_digest(one.encode(), token.encode())), None)
        self.tokens.discard(found or "")
        return found is not None

    def refusal(self, method: str, headers: Mapping[str, str], cookie: str | None) -> str:
        """Why a request is refused, "" when it is not. headers : by names in lower case."""
        return self.stranger(method, headers) or self._unknown(cookie)

    def stranger(self, method: str, headers: Mapping[str, str]) -> str:
        """Why a request is refused whoever asks: it came by another name, or from a page of another place."""
        hosts = [f"{name}:{self.port}" for name in NAMES]
        if headers.get("host", "") not in hosts:
            return "this desk answers under its own address only"
        origin = headers.get("origin")
        if origin is None and method not in READING:
            return "what changes something must say which page it comes from"
        if origin is not None and origin not in [f"http://{host}" for host in hosts]:
            return "pages of other places may not ask here"
        if origin is not None and origin != f"http://{headers['host']}":
            return "pages of other places may not ask here"
        if headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
            return "pages of other places may not ask here"
        return ""

    def _unknown(self, cookie: str | None) -> str:
        if cookie is None or not hmac.compare_digest(cookie.encode(), self.secret.encode()):
            return "open the desk with the address that stands where it was started"
        return ""
