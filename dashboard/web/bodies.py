"""How large a request's body may be: decided by its head, before any of the body is read.

The server would otherwise take in, for whoever asks, as much as the largest upload may have, before a page can refuse.
"""

from __future__ import annotations

import copy
from typing import Any

from flask import Flask
from itsdangerous import BadData
from waitress.adjustments import Adjustments
from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser
from werkzeug.http import parse_cookie

from dashboard.mold_upload import LARGEST_BYTES as LARGEST_MOLD
from dashboard.web.security import LARGEST, MOLD_PATH
from dashboard.web.who import SIGNED_IN_ONLY

#: The key under which flask-login keeps who is signed in.
_USER = "_user_id"


def largest_body(server: Flask, command: str, path: str, cookies: str) -> int:
    """Bytes of a body that are taken, by the request's first line and its cookies.

    A mold's file may be large, from whoever may send one: everybody where nobody signs in, else a session that this
    server signed for a person. Whether that person may is the page's business.
    """
    if command != "POST" or path != MOLD_PATH:
        return LARGEST
    open_to_all = not server.config.get(SIGNED_IN_ONLY)
    return LARGEST_MOLD if open_to_all or _is_somebody(server, cookies) else LARGEST


def _is_somebody(server: Flask, cookies: str) -> bool:
    signer: Any = server.session_interface
    held = parse_cookie(cookies).get(server.config["SESSION_COOKIE_NAME"], "")
    try:
        return _USER in signer.get_signing_serializer(server).loads(
            held, max_age=int(server.permanent_session_lifetime.total_seconds())
        )
    except BadData:
        return False


def channel_of(server: Flask) -> type[HTTPChannel]:
    """The server's channel for one connection, whose requests are limited so."""

    class Request(HTTPRequestParser):  # type: ignore[misc]  # waitress has no types
        adj: Adjustments

        def received(self, data: bytes) -> int:
            """Take in bytes; whoever waits to be asked for a body that is refused is not asked for it."""
            taken: int = super().received(data)
            if self.error is not None:
                self.expect_continue = False
            return taken

        def parse_header(self, header_plus: bytes) -> None:
            """Read the head; what is read of the body afterwards is limited by it."""
            super().parse_header(header_plus)
            limits: Adjustments = copy.copy(self.adj)
            # waitress refuses what reaches its limit; what is exactly as large as allowed is taken.
            limits.max_request_body_size = 1 + largest_body(
                server, self.command, self.path, self.headers.get("COOKIE", "")
            )
            self.adj = limits

    class Channel(HTTPChannel):  # type: ignore[misc]
        parser_class = Request

    return Channel
