"""The server around the window: its socket, its settings, its end."""

from __future__ import annotations

import contextlib
import signal
import socket
from typing import TYPE_CHECKING

from meas.errors import UsageError

if TYPE_CHECKING:
    from uvicorn import Server

    from cli.window.desk import Desk


def bind(host: str, port: int) -> socket.socket:
    """Open a listening socket; the system chooses the port where none is named.

    Raises:
        UsageError: If the port is taken or may not be used.
    """
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((host, port))
        listening.listen(100)  # whoever is quicker than the server waits, and is not turned away
    except OSError as error:
        listening.close()
        raise UsageError(
            f"port {port} cannot be used ({error.strerror or error})",
            where="--port",
            remedy="Leave the option out, and a free one is taken.",
        ) from error
    return listening


def own_address() -> str:
    """Find the address of this machine in the local network.

    Raises:
        UsageError: If there is no network.
    """
    found = ""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            # Nothing is sent: the system only chooses the way (192.0.2.0/24 is nobody's, RFC 5737).
            probe.connect(("192.0.2.1", 9))
            found = str(probe.getsockname()[0])
        except OSError:  # a network that leads nowhere else has no such way
            with contextlib.suppress(OSError):
                found = socket.gethostbyname(socket.gethostname())
    if found and not found.startswith(("0.", "127.")):
        return found
    raise UsageError(
        "this machine is in no network", where="--phone", remedy="Join one, or leave --phone out."
    )


def server(bound: socket.socket, address: str, key: str, *, phone: bool) -> tuple[Server, Desk]:
    """Make the server of the current folder; it writes no log."""
    from urllib.parse import urlsplit

    import uvicorn

    from cli.window.desk import Desk
    from cli.window.guard import Guard
    from cli.window.pages import window

    port = bound.getsockname()[1]
    hosts = {f"127.0.0.1:{port}", f"localhost:{port}", urlsplit(address).netloc}
    desk = Desk()
    app = Guard(window(desk, address if phone else ""), frozenset(hosts), key)
    made = uvicorn.Server(
        uvicorn.Config(
            app,
            log_config=None,
            access_log=False,
            lifespan="off",
            ws="none",
            server_header=False,
            proxy_headers=False,
            limit_concurrency=100,
            timeout_graceful_shutdown=2,
        )
    )
    desk.over = lambda: made.should_exit
    return made, desk


def run(server: Server, desk: Desk, bound: socket.socket) -> None:
    """Serve until Ctrl-C, or until the system or a closed terminal ends it.

    A take on its way is stopped, and what it recorded is kept.
    """
    for name in ("SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            # The server takes the first of these for itself, and passes it on when it has ended.
            signal.signal(getattr(signal, name), lambda *_: signal.raise_signal(signal.SIGINT))
    try:
        with contextlib.suppress(KeyboardInterrupt):
            server.run(sockets=[bound])
    finally:
        bound.close()
        desk.close()
