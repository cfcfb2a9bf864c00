"""Foreign text in CSV files that a spreadsheet program will open: never taken for a formula, and given back exactly."""

import re
from typing import Final

#: What spreadsheet programs take for the beginning of a formula (common practice, no source), behind any apostrophes:
#: the signs of full width too, which they read alike where such letters are typed.
BEGINNING: Final = "'*[=+\\-@\t\r\n\uff1d\uff0b\uff0d\uff20]"
_FORMULA: Final = re.compile(BEGINNING)


def protected(text: str) -> str:
    """The text with an apostrophe before what would begin like a formula; :func:`unprotected` undoes it.

    Text that already has apostrophes before such a beginning gets one more, so that nothing is lost on the way back.
    """
    return "'" + text if _FORMULA.match(text) else text


def unprotected(text: str) -> str:
    """The text without the apostrophe that :func:`protected` set; other text as it is."""
    return text[1:] if text.startswith("'") and _FORMULA.match(text) else text
