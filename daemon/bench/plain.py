"""What the system says against a line, in plain words."""

import errno
from collections.abc import Mapping

__all__ = ["plainly"]

WORDS: Mapping[int, str] = {
    errno.ECONNREFUSED: "nothing there takes the connection: is it on, and is the "
    "port right?",
    errno.ECONNRESET: "it ended the connection",
    errno.EPIPE: "it ended the connection",
    errno.EHOSTUNREACH: "nothing on the network has this address: is it on, and is "
    "its cable in?",
    errno.ENETUNREACH: "this machine is on no network that reaches it",
    errno.ETIMEDOUT: "it does not answer",
    errno.EACCES: "this user may not use it",
    errno.ENOENT: "there is no such port on this machine: is its cable in?",
    errno.ENODEV: "there is no such port on this machine: is its cable in?",
    errno.EIO: "the port does not work any more: was its cable pulled?",
}


def plainly(fault: BaseException) -> str:
    """Return what a fault of a line says, without the system's numbers.

    Examples
    --------
    >>> plainly(ConnectionRefusedError(111, "Connection refused"))
    'nothing there takes the connection: is it on, and is the port right?'
    >>> plainly(OSError("it closed the line"))
    'it closed the line'
    """
    if not isinstance(fault, OSError) or fault.errno is None:
        return str(fault)
    return WORDS.get(fault.errno) or (fault.strerror or str(fault))
