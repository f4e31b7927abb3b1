"""Keeps the page to this machine's own browser: hosts, origins and headers of every request."""

from __future__ import annotations

from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

NAMES = ("127.0.0.1", "localhost")
SAFE = ("GET", "HEAD")
PAGES = ("/", "/bay")
# What a browser says of who asks: the page itself, or the person (an address typed in).
OWN = ("same-origin", "none")
HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
        "connect-src 'self'; form-action 'none'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Cache-Control": "no-store",
}


class Guard:
    """Refuses requests by another name, or from another page, with one plain line.

    A name other than the loopback's own means that somebody's domain was pointed at this
    machine (DNS rebinding); an `Origin` or `Sec-Fetch-Site` of another place means that a page
    elsewhere makes the browser ask.

    Parameters
    ----------
    app : ASGI application
        What is guarded.
    port : int
        That the server listens at.
    """

    def __init__(self, app: ASGIApp, port: int) -> None:
        self.app = app
        names = [f"{name}:{port}" for name in NAMES]
        # a browser leaves out the port where it is the scheme's own
        self.hosts = frozenset([*names, *(NAMES if port == 80 else ())])

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or refuse it."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
            await send(message)

        reason = self._refusal(scope)
        if reason is None:
            await self.app(scope, receive, send_guarded)
        else:
            response = PlainTextResponse(f"Refused: {reason}\n", status_code=403)
            await response(scope, receive, send_guarded)

    def _refusal(self, scope: Scope) -> str | None:
        """Say why a request is refused; None where it is not."""
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        if len(hosts) != 1 or hosts[0].lower() not in self.hosts:
            return f"this page answers to {' or '.join(sorted(self.hosts))} alone."
        origin = headers.get("origin")
        if origin is not None and not self._is_own(origin):
            return "another page may not ask for this."
        site = headers.get("sec-fetch-site", "none")
        # following a link to the page from elsewhere is fine: it shows, and hands out nothing
        follows = scope["path"] in PAGES and headers.get("sec-fetch-mode") == "navigate"
        if site not in OWN and not (follows and scope["method"] in SAFE):
            return "another page may not ask for this."
        return None

    def _is_own(self, origin: str) -> bool:
        try:
            parts = urlsplit(origin)
        except ValueError:
            return False
        return parts.scheme == "http" and parts.netloc.lower() in self.hosts
