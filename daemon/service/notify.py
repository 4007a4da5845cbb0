"""A word to the service manager: ready, still going on, going down.

The way is systemd's own (sd_notify): a line to the socket that `NOTIFY_SOCKET` names.
Where no manager asks for it, and on machines without such sockets, nothing is said.
"""

import os
import socket
from contextlib import suppress

VARIABLE = "NOTIFY_SOCKET"
READY, ALIVE, STOPPING = "READY=1", "WATCHDOG=1", "STOPPING=1"


def notify(word: str, *, status: str | None = None) -> bool:
    """Say a word; return whether somebody was told.

    Parameters
    ----------
    status
        A sentence that the manager shows beside the name.
    """
    address = os.environ.get(VARIABLE)
    family = getattr(socket, "AF_UNIX", None)
    if not address or family is None:
        return False
    if address.startswith("@"):  # a name that is no file
        address = f"\0{address[1:]}"
    said = word if status is None else f"{word}\nSTATUS={status}"
    with suppress(OSError), socket.socket(family, socket.SOCK_DGRAM) as line:
        line.setblocking(False)  # a manager that does not listen keeps nobody waiting
        line.connect(address)
        line.sendall(said.encode())
        return True
    return False
