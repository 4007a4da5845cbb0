"""Codes that scanners read, as drawings."""

from io import BytesIO

from daemon.presentation.labels import QUIET_MODULES, code_of


def code_svg(serial: str) -> bytes:
    """Return a serial's code as a drawing with its light margin.

    Raises
    ------
    daemon.presentation.labels.LabelError
        The serial cannot be a code.
    """
    sink = BytesIO()
    code_of(serial).save(
        sink, kind="svg", scale=4, border=QUIET_MODULES, light="#ffffff", xmldecl=False
    )
    return sink.getvalue()
