"""Where an answer ends on a line of bare characters; plain values, no instrument.

The guard reads by it too, so it loads nothing.
"""

from typing import NamedTuple

__all__ = ["Framing"]


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
