"""What a name may be made of: nothing that the eye does not see.

One rule for what people write into the settings and for what the records take.
"""

import re
from unicodedata import category

__all__ = ["has_invisible", "has_odd_blank"]

_EMPTY = re.compile(
    "[\u034f\u115f\u1160\u17b4\u17b5\u180b-\u180f\u2800\u3164\ufe00-\ufe0f\uffa0"
    "\U000e0100-\U000e01ef]"
)
"""Letters and marks that fonts draw as nothing (Unicode: Default_Ignorable_Code_Point,
and the blank pattern of Braille)."""


def has_invisible(text: str) -> bool:
    r"""Whether a text has what is not seen: control signs, line breaks, empty letters.

    >>> has_invisible("PA-1\u200b"), has_invisible("PA\u3164"), has_invisible("PA 1")
    (True, True, False)
    """
    return _EMPTY.search(text) is not None or any(
        category(one)[0] == "C" or category(one) in {"Zl", "Zp"} for one in text
    )


def has_odd_blank(text: str) -> bool:
    r"""Whether a text has a blank that looks like another: no-break, wide, or two.

    >>> has_odd_blank("PA\u00a01"), has_odd_blank("PA  1"), has_odd_blank("PA 1")
    (True, True, False)
    """
    return "  " in text or any(category(one) == "Zs" and one != " " for one in text)
