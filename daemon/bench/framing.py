"""Where an answer ends on a line of bare characters; plain values, no instrument.

The guard reads by it too, so it loads next to nothing.
"""

from collections.abc import Callable
from functools import reduce
from operator import xor
from typing import NamedTuple

__all__ = ["Frames", "Framing"]

CHECKSUMS: dict[str, Callable[[bytes], int]] = {
    "sum": lambda body: sum(body) & 0xFF,
    "xor": lambda body: reduce(xor, body),
}


class Framing(NamedTuple):
    """How an instrument ends its lines, and what it sends beside its answers.

    `ending` ends each line. With `echo` the command comes back first, as a line. With
    a `prompt` that comes last, and nothing ends it.
    """

    ending: bytes
    echo: bool = False
    prompt: bytes = b""

    def speaks(self, lines: int) -> bool:
        """Whether anything at all follows a command with so many lines of answer."""
        return bool(lines or self.echo or self.prompt)

    def is_whole(self, heard: bytes, lines: int) -> bool:
        r"""Whether all that follows a command has come.

        Examples
        --------
        >>> Framing(b"\\n").is_whole(b"1.0", 1), Framing(b"\\n").is_whole(b"1.0\\n", 1)
        (False, True)
        >>> Framing(b"\\n", prompt=b"> ").is_whole(b"1.0\\n> ", 1)
        True
        """
        if heard.count(self.ending) < lines + self.echo:
            return False
        if not self.prompt:
            return True
        return heard == self.prompt or heard.endswith(self.ending + self.prompt)

    def answer(self, heard: bytes, command: bytes, lines: int) -> bytes:
        r"""Return the answer alone, `\n` between its lines.

        Raises
        ------
        ValueError
            It is not one answer to this command.

        Examples
        --------
        >>> board = Framing(b"\r\n", echo=True, prompt=b"> ")
        >>> board.answer(b"READ\r\nOK\r\n1.0\r\n> ", b"READ", 2)
        b'OK\n1.0'
        """
        body = heard.removesuffix(self.prompt) if self.prompt else heard
        said = body.split(self.ending)
        rest = said.pop()
        if rest or len(said) != lines + self.echo:
            what = "more than one answer" if lines == 1 else f"not {lines} lines"
            message = f"answered {heard!r}, {what}"
            raise ValueError(message)
        if self.echo and (back := said.pop(0)) != command:
            message = f"sent back {back!r} for {command!r}"
            raise ValueError(message)
        return b"\n".join(said)


class Frames(NamedTuple):
    """Frames of bytes, all of one length; each begins with `start`."""

    start: bytes
    length: int
    checksum: str = "none"

    def first(self, heard: bytes) -> bytes | None:
        r"""Return the first frame that another one follows at once, if there is one.

        What begins a frame may stand in the middle of one too. A reading that stands
        still repeats it there, one frame's length apart, just as the true beginning
        is repeated: then the checksum tells which is true. Without one nothing does,
        and there is no frame until the reading changes.

        Examples
        --------
        >>> Frames(b"\xab", 3).first(b"\x01\xab\x02\xab\x03\xab")
        >>> Frames(b"\xab", 3).first(b"\x01\xab\x02\x03\xab")
        b'\xab\x02\x03'
        >>> Frames(b"\xab", 4).first(3 * b"\xab\x00\xab\x7f")
        """
        at = heard.find(self.start)
        while at >= 0:
            end = at + self.length
            if not self._begins(heard, end):
                at = heard.find(self.start, at + 1)
                continue
            rivals = [
                one
                for one in range(at + 1, end)
                if heard.startswith(self.start, one)
                and self._begins(heard, one + self.length)
            ]
            last = max([at, *rivals]) + self.length
            if len(heard) < last + len(self.start):
                return None
            frames = [heard[one : one + self.length] for one in (at, *rivals)]
            if len(frames) > 1:
                frames = [one for one in frames if self._adds_up(one)]
            if len(frames) == 1:
                return frames[0]
            at = heard.find(self.start, end)
        return None

    def _begins(self, heard: bytes, at: int) -> bool:
        """Whether a frame begins at a place, or may once more is heard."""
        return self.start.startswith(heard[at : at + len(self.start)])

    def _adds_up(self, frame: bytes) -> bool:
        return (
            self.checksum == "none" or CHECKSUMS[self.checksum](frame[:-1]) == frame[-1]
        )

    def text(self, frame: bytes) -> str:
        r"""Return a frame as hexadecimal text.

        Raises
        ------
        ValueError
            It is none.

        Examples
        --------
        >>> Frames(b"\xab", 3, "sum").text(b"\xab\x02\xad")
        'AB 02 AD'
        """
        shown = frame.hex(" ").upper()
        if len(frame) != self.length or not frame.startswith(self.start):
            message = f"answered {shown}, which is no frame of the profile's [frame]"
            raise ValueError(message)
        if not self._adds_up(frame):
            message = f"answered {shown}, whose checksum is wrong"
            raise ValueError(message)
        return shown
