"""Ports of this machine."""

from __future__ import annotations

import socket
from typing import Annotated

import typer

from baulk.dashboard.server.here import HOST
from baulk.models.errors import BaulkError

EVERYWHERE = frozenset({"0.0.0.0", "::"})  # noqa: S104 - only recognised, never listened on

PortOption = Annotated[
    int | None,
    typer.Option(
        "--port", help="Port of the pages on this machine; else that of baulk.toml.", min=1, max=65535
    ),
]


class PortTaken(BaulkError):
    """Another program listens there."""


def refuse_taken(port: int) -> None:
    """Say in one sentence that a port can't be had.

    Parameters
    ----------
    port : int
        TCP port of this machine.

    Raises
    ------
    PortTaken
        If another program has it, or it is not for ordinary users.
    """
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((HOST, port))
        except PermissionError as err:
            raise PortTaken(
                f"port {port} is not for ordinary users; take one above 1023 with --port"
            ) from err
        except OSError as err:
            raise PortTaken(
                f"port {port} is taken by another program; end that one or take another port with --port"
            ) from err


def answers(port: int, host: str = HOST, *, seconds: float = 0.3) -> bool:
    """Whether something takes connections there.

    Parameters
    ----------
    port : int
        TCP port.
    host : str
        Its machine; an address that means every one of this machine's is asked on its own.
    seconds : float
        How long to wait for it; this machine itself answers at once. [s]

    Returns
    -------
    bool
        True once it does.
    """
    try:
        with socket.create_connection((HOST if host in EVERYWHERE else host, port), timeout=seconds):
            return True
    except OSError:
        return False
