"""Ports of this machine."""

from __future__ import annotations

import socket

from baulk.dashboard.serve import HOST
from baulk.models.errors import BaulkError


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
            raise PortTaken(f"port {port} is not for ordinary users; take one above 1023 with --port") from err
        except OSError as err:
            raise PortTaken(
                f"port {port} is taken by another program; end that one or take another port with --port"
            ) from err
