"""The gate before the dashboard's server: this computer's own pages come in, whatever another site or host sends is turned away.

The web library would decide on a foreign page's request by asking two outside hosts for this computer's address. Nothing
foreign gets that far, and what would be asked for is set beforehand.
"""

from __future__ import annotations

from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from starlette.middleware import Middleware
from streamlit import net_util

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Receive, Scope, Send

HERE = "127.0.0.1"
OWN = (HERE, "localhost")


class OwnPagesOnly:
    """Middleware that passes on what is addressed to this computer by name, and comes from a page of this server or from none."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it with 403."""
        if scope["type"] not in ("http", "websocket") or is_own(dict(scope["headers"])):
            await self.app(scope, receive, send)
        elif scope["type"] == "websocket":
            await receive()
            await send({"type": "websocket.close", "code": 1008})
        else:
            await send({"type": "http.response.start", "status": 403, "headers": [(b"content-type", b"text/plain")]})
            await send({"type": "http.response.body", "body": b"This dashboard answers its own pages on this computer only.\n"})


def is_own(headers: dict[bytes, bytes]) -> bool:
    """Tell whether a request names this computer, and its page is of the same host and port.

    >>> is_own({b"host": b"localhost:8501"}), is_own({b"host": b"localhost:8501", b"origin": b"http://elsewhere.example"})
    (True, False)
    """
    host, origin = headers.get(b"host", b"").decode("latin-1"), headers.get(b"origin")
    try:
        named = urlsplit(f"//{host}").hostname in OWN
        return named and (origin is None or urlsplit(origin.decode("latin-1")).netloc == host)
    except ValueError:
        return False


def gate() -> list[Middleware]:
    """Give what stands before the server, and set the addresses of this computer that the library would ask outside hosts for."""
    net_util._internal_ip = net_util._external_ip = HERE
    return [Middleware(OwnPagesOnly)]
