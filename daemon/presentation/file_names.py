"""Names of files for things that people named: no two things share one.

What people write in a serial or a reference may hold what no file name can, lead out
of the folder, or be longer than a file system takes.
"""

import re
from hashlib import sha256

_KEPT = 100
_MARK = 8


def file_name(name: str, ending: str) -> str:
    """Return a file name that any file system takes, another for each other name.

    A name that cannot stand as it is gets a mark of its own, always the same one.

    >>> file_name("UTR-PA-1001-7", "pdf")
    'UTR-PA-1001-7.pdf'
    >>> file_name("CN-PA/1", "pdf"), file_name("CN-PA 1", "pdf")
    ('CN-PA_1-38fb833d.pdf', 'CN-PA_1-c0b090d5.pdf')
    """
    plain = re.sub(r"[^A-Za-z0-9._-]", "_", name)[:_KEPT]
    if plain != name or not plain.strip("."):
        plain = f"{plain}-{sha256(name.encode()).hexdigest()[:_MARK]}"
    return f"{plain}.{ending}"
