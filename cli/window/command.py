"""``freeair open``: serve a folder to the browser of this machine, or to the local network."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.terminal import show
from meas.errors import UsageError

if TYPE_CHECKING:
    import socket


def open_(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Where takes, fits and rigs lie.")
    ] = Path(),
    phone: Annotated[
        bool, typer.Option("--phone", help="Serve the local network too, for a phone at the bench.")
    ] = False,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Print the address and open nothing.")
    ] = False,
    port: Annotated[
        int, typer.Option(metavar="N", help="Port; without one any that is free.", min=0, max=65535)
    ] = 0,
) -> None:
    """Show the bench in a window of the browser.

    Everything done there is one of the other commands and leaves the same files in the folder.
    The address is printed; Ctrl-C ends it, and keeps what a running take has recorded.

    \b
    freeair open
    freeair open lantern --phone
    """
    import os
    import secrets

    from cli.window import guard, serving

    if not folder.is_dir():
        raise UsageError(
            "is no folder", where=str(folder), remedy="Make it first: mkdir, or name another one."
        )
    try:
        os.chdir(folder)
        Path.cwd()
    except OSError as error:
        raise UsageError(
            f"cannot be worked in ({error.strerror})",
            where=str(folder),
            remedy="Go to a folder that is still there, and that is yours, and open that one.",
        ) from error
    key = secrets.token_urlsafe(24)
    bound = serving.bind("0.0.0.0" if phone else "127.0.0.1", port)
    address = f"http://{_host(phone)}:{bound.getsockname()[1]}/?key={key}"
    if phone:
        show.note(guard.PHONE, "bold yellow")
        _print_code(address)
    show.line(address)
    _serve(bound, address, key, browser=not (no_browser or phone), phone=phone)


def _serve(bound: socket.socket, address: str, key: str, *, browser: bool, phone: bool) -> None:
    from cli.window import serving

    server, desk = serving.server(bound, address, key, phone=phone)
    if browser:
        import threading
        import webbrowser

        threading.Timer(0.3, webbrowser.open, [address]).start()
    show.note("Ctrl-C ends it.", "dim")
    serving.run(server, desk, bound)


def _host(phone: bool) -> str:
    if not phone:
        return "127.0.0.1"
    from cli.window.serving import own_address

    return own_address()


def _print_code(address: str) -> None:
    import sys

    import segno

    if show.can_draw():
        segno.make(address, error="l").terminal(out=sys.stderr, compact=True)
