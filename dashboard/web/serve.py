"""Serve the pages. Called by the commands that start something to look at; returns when the server is stopped."""

from __future__ import annotations

import select
import socket
import threading
from collections.abc import Callable
from types import TracebackType

from waitress import wasyncore
from waitress.server import create_server

from dashboard.web.access import Access
from dashboard.web.app import make_app
from dashboard.web.bodies import channel_of
from dashboard.web.services import Services
from thermal.fields import InputError

#: More than plans may occupy (see `planner`): what is live is answered beside them.
_THREADS = 16
_CONNECTIONS = 200


class PageServer:
    """The pages on a port of this computer; a context that serves in a thread of its own.

    Raises:
        InputError: the access is not safe, or the port cannot be had.
    """

    def __init__(self, services: Services, access: Access | None = None) -> None:
        self.access = access or Access()
        app = make_app(services, self.access)
        self._server = create_server(
            app.server,
            sockets=[_listening(self.access)],
            threads=_THREADS,
            connection_limit=_CONNECTIONS,
            ident="",
            clear_untrusted_proxy_headers=not self.access.behind_proxy,
        )
        self._server.channel_class = channel_of(app.server)  # which limits how large requests may be
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self.run, name="pages", daemon=True)

    @property
    def port(self) -> int:
        """Where it listens, also where a free port was asked for."""
        return int(self._server.effective_port)

    @property
    def url(self) -> str:
        """The address for a browser on this computer."""
        host = self.access.host if self.access.local else "127.0.0.1"
        return f"http://{host}:{self.port}/"

    def run(self) -> None:
        """Serve until stopped or interrupted; then every connection is closed."""
        # waitress's own loop goes on as long as any browser keeps its connection open.
        sockets = self._server._map
        try:
            while not self._stopping.is_set():
                wasyncore.loop(timeout=1.0, use_poll=hasattr(select, "poll"), map=sockets, count=1)
        finally:
            self._server.task_dispatcher.shutdown()
            for channel in list(self._server.active_channels.values()):
                channel.handle_close()  # with it what was still to be sent, which may lie in a temporary file
            wasyncore.close_all(sockets, ignore_all=True)

    def __enter__(self) -> PageServer:
        """Start serving."""
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Stop serving."""
        self._stopping.set()
        self._server.pull_trigger()
        self._thread.join()


def _listening(access: Access) -> socket.socket:
    """A socket bound to the host and port; another program's is never shared, nor this one's by another."""
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    exclusive = getattr(socket, "SO_EXCLUSIVEADDRUSE", None)  # Windows would share a port that says SO_REUSEADDR
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR if exclusive is None else exclusive, 1)
    try:
        listener.bind((access.host, access.port))
        listener.listen(_CONNECTIONS)
    except OSError as error:
        listener.close()
        raise InputError(
            f"port {access.port} of {access.host} cannot be had ({error.strerror or error}): it may be in use by "
            "another Pullcue; stop that, or name another port"
        ) from None
    return listener


def serve(services: Services, access: Access | None = None, tell: Callable[[str], None] = print) -> None:
    """Serve until interrupted, having said where, and how the first person gets in.

    Args:
        tell: takes each line for the terminal.

    Raises:
        InputError: the access is not safe, or the port cannot be had.
    """
    server = PageServer(services, access)
    for line in opening_words(services, server):
        tell(line)
    server.run()


def opening_words(services: Services, server: PageServer) -> list[str]:
    """What the terminal says at the start: the address, and the code for the first account where there is none."""
    lines = [f"Pullcue's pages: {server.url}"]
    if server.access.names:
        scheme = "https" if server.access.behind_proxy else "http"
        lines.append(f"For other computers: {', '.join(f'{scheme}://{name}' for name in server.access.names)}")
    if not server.access.local:
        lines.append("Not encrypted: whoever is on this network can read passwords (--plain-http was said)")
    code = None if services.accounts is None else services.accounts.first_code()
    if code is not None:
        lines.append(f"Nobody can let others in yet. At {server.url}join make the first account with the code {code}")
    return lines
