"""What every answer carries and every request must pass: hosts, sizes, tokens against forgery, headers."""

from __future__ import annotations

import hashlib
import secrets
from datetime import timedelta
from typing import TYPE_CHECKING

from flask import Flask, Response, render_template, request
from flask_wtf.csrf import CSRFError, CSRFProtect, generate_csrf
from werkzeug.exceptions import HTTPException
from werkzeug.middleware.proxy_fix import ProxyFix

from dashboard.mold_upload import LARGEST_BYTES as LARGEST_MOLD
from dashboard.web.access import Access

if TYPE_CHECKING:
    from collections.abc import Sequence

#: Largest request, bytes: the pages send a few kB.
LARGEST = 1_000_000
#: Where a mold's file is sent, which may be a scanner's mesh.
MOLD_PATH = "/plan/mold"
#: A person who does nothing for so long has to sign in again.
SESSION = timedelta(hours=12)


def harden(server: Flask, access: Access, key: bytes | None) -> str:
    """Set the server's rules; the name of the cookie that carries the token against forgery.

    Args:
        key: signs sessions; None: one for this process, where nobody signs in.
    """
    key = key or secrets.token_bytes(32)
    # Cookies are shared by all ports of a host: two servers on one computer need names of their own.
    mine = hashlib.sha256(b"cookie" + key).hexdigest()[:8]
    token = f"pullcue_token_{mine}"
    server.config.update(
        SECRET_KEY=key,
        SESSION_COOKIE_NAME=f"pullcue_{mine}",
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Lax",
        SESSION_COOKIE_SECURE=access.behind_proxy,
        PERMANENT_SESSION_LIFETIME=SESSION,
        TRUSTED_HOSTS=access.trusted,
        MAX_CONTENT_LENGTH=LARGEST,
        MAX_FORM_MEMORY_SIZE=LARGEST,
        WTF_CSRF_TIME_LIMIT=None,
        WTF_CSRF_HEADERS=["X-CSRFToken"],
    )

    @server.before_request
    def sizes() -> None:
        """Before the token is looked for: that reads the request."""
        if request.path == MOLD_PATH:
            request.max_content_length = LARGEST_MOLD

    CSRFProtect(server)
    if access.behind_proxy:
        server.wsgi_app = ProxyFix(server.wsgi_app, x_for=1, x_proto=1, x_host=1)  # type: ignore[method-assign]

    @server.after_request
    def give_token(response: Response) -> Response:
        """The token against forgery, for the pages' own scripts: another site's page cannot read it."""
        if request.method == "GET" and response.status_code < 400 and response.mimetype == "text/html":
            response.set_cookie(token, generate_csrf(), samesite="Strict", secure=access.behind_proxy)
        return response

    @server.errorhandler(HTTPException)
    def refused(error: HTTPException) -> tuple[str, int] | Response:
        if error.response is not None:
            return error.response  # type: ignore[return-value]  # a redirection that was thrown
        words = str(error.description) if isinstance(error, CSRFError) else _WORDS.get(error.code or 500, error.name)
        return render_template("refused.html", code=error.code, words=words, theme=_theme()), error.code or 500

    return token


_WORDS = {
    400: "This request cannot be used.",
    401: "Sign in first.",
    403: "Your role may not do this. Ask a lab lead.",
    404: "There is no such page.",
    405: "This address cannot be used that way.",
    413: "That is too large: at most 1 MB is taken, of a mold's file 25 MB.",
    429: "Tried too often. Wait a quarter of an hour.",
    500: "Something went wrong inside Pullcue. The terminal where it was started says what.",
}


def _theme() -> str:
    theme = request.cookies.get("pullcue_theme", "")
    return theme if theme in ("light", "dark") else ""


def set_headers(server: Flask, script_hashes: Sequence[str]) -> None:
    """Headers of every answer. `script_hashes`: of the scripts that Dash writes into its page; no other runs inline."""
    scripts = " ".join(["'self'", *script_hashes])
    policy = "; ".join(
        (
            "default-src 'self'",
            f"script-src {scripts}",
            # The components and the charts write their styles themselves.
            "style-src 'self' 'unsafe-inline'",
            "img-src 'self' data: blob:",
            "object-src 'none'",
            "base-uri 'none'",
            "form-action 'self'",
            "frame-ancestors 'none'",
        )
    )

    @server.after_request
    def headers(response: Response) -> Response:
        response.headers.setdefault("Content-Security-Policy", policy)
        response.headers["X-Content-Type-Options"] = "nosniff"
        response.headers["X-Frame-Options"] = "DENY"
        response.headers["Referrer-Policy"] = "same-origin"
        response.headers["Cross-Origin-Opener-Policy"] = "same-origin"
        response.headers["Cross-Origin-Resource-Policy"] = "same-origin"
        response.headers["Permissions-Policy"] = "camera=(), microphone=(), geolocation=()"
        if not request.path.startswith(("/assets/", "/_dash-component-suites/")):
            response.headers["Cache-Control"] = "no-store"
        return response
