"""Letters that none of this machine's fonts can draw, told by their number in Unicode.

A typesetter draws such letters as empty boxes: two names could no longer be told apart, and the text of the file
would lose them.
"""

import json
import re
from typing import Any, Final

import typst

#: What a document says where letters had to be told by their number.
UNDRAWN: Final = (
    "Letters of names that are in none of the fonts of the machine that set this document stand by their number in "
    "Unicode, in square brackets; the workbook has them as they are."
)
#: A letter of each diagnosis of the typesetter, as it writes text in quotation marks.
_NAMED: Final = re.compile(r'the text `"((?:[^"\\]|\\.)*)"` could not be displayed')
_ESCAPED: Final = re.compile(r"\\u\{([0-9a-fA-F]+)\}")
_EACH_ALONE: Final = b'#for letter in json("letters.json") { text(letter) + parbreak() }'


def undrawn(told: Any) -> frozenset[str]:
    """Letters of nested lists and dictionaries that no font has, found by setting each of them once in a form of PDF
    that refuses empty boxes (PDF/A-2u) and names them."""
    said = json.dumps(told, ensure_ascii=False)
    letters = sorted({letter for letter in said if not letter.isascii()})
    if not letters:
        return frozenset()
    inputs = {"main": _EACH_ALONE, "letters.json": json.dumps(letters).encode()}
    try:
        typst.compile(inputs, format="pdf", pdf_standards="a-2u")  # type: ignore[call-overload]
    except typst.TypstError as error:
        named = (_ESCAPED.sub(_letter, text) for text in _NAMED.findall(error.diagnostic))
        return frozenset("".join(named)) & frozenset(letters)
    return frozenset()


def _letter(escaped: re.Match[str]) -> str:
    return chr(int(escaped[1], 16))


def by_number(told: Any, letters: frozenset[str]) -> Any:
    """Nested lists and dictionaries with each run of those letters in their texts told as ``[8F66 8F86]``."""
    if not letters:
        return told
    run = re.compile(f"[{re.escape(''.join(sorted(letters)))}]+")
    return _changed(told, lambda text: run.sub(_numbers, text))


def _numbers(run: re.Match[str]) -> str:
    return f"[{' '.join(f'{ord(letter):04X}' for letter in run[0])}]"


def _changed(told: Any, change: Any) -> Any:
    if isinstance(told, str):
        return change(told)
    if isinstance(told, dict):
        return {key: _changed(value, change) for key, value in told.items()}
    if isinstance(told, list):
        return [_changed(value, change) for value in told]
    return told
