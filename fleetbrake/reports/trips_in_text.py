"""Trips' ids inside free text: whoever holds the register of trips reads the driver from them."""

import re
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.core.folded_text import SEPARATOR, fold_text
from fleetbrake.reports.names_in_text import standing_alone
from fleetbrake.reports.source import arrow

#: What stands where a trip was.
TRIP: Final = "(trip)"

#: What has to stand before an id that is a short number, very short, or a word of our own sentences.
_AFTER_TRIP: Final = re.compile(r"(?<!\()trips?(?:[ _]?id)?[\W_]{0,3}\Z", re.IGNORECASE)
#: A folder or file named after a trip, whether or not a table knows it.
_NAMED_FOLDER: Final = re.compile(r"(?<![^\W_])(trip(?:_?id)?=)([^/\\;,&\s]+)", re.IGNORECASE)
#: Separators within ASCII, as :func:`fleetbrake.core.folded_text.fold_text` has them.
_SEPARATORS: Final = r"[-_. \t\n\x0b\x0c\r\x1c-\x1f]+"
#: An id that is a date cannot be told from the dates of our own sentences.
_DATE: Final = r"^\d{4}-\d\d-\d\d$"
#: So many first letters of an id decide whether it is looked up at all.
_FIRST: Final = 2


class TripsInText:
    """Replaces every listed trip that stands alone in a text: ``TripsInText(ids)(text)``.

    Ids are found as :class:`~fleetbrake.reports.names_in_text.NamesInText` finds drivers: whatever case and separators,
    short numbers and words of our own after "trip" only. Only 64-bit hashes of the ids are kept, since a fleet makes
    millions of trips: a text is looked up piece by piece, its length counts.
    """

    def __init__(self, ids: pa.ChunkedArray) -> None:
        keys = _keys(ids)
        self._lengths = sorted(set(map(len, keys)), reverse=True)
        self._first = {key[:_FIRST] for key in keys}
        self._hashes = np.unique(np.fromiter(map(hash, keys), np.int64, len(keys)))

    def __call__(self, text: str) -> str:
        """The text with :data:`TRIP` for each listed id."""
        pieces, done = [], 0
        for _, start, stop in standing_alone(text, self._lengths, self._known, _AFTER_TRIP):
            pieces += [text[done:start], TRIP]
            done = stop
        return _NAMED_FOLDER.sub(rf"\g<1>{TRIP}", "".join([*pieces, text[done:]]))

    def _known(self, key: str) -> bool:
        if key[:_FIRST] not in self._first:
            return False
        one = hash(key)
        at = int(self._hashes.searchsorted(one))
        return at < len(self._hashes) and int(self._hashes[at]) == one


def _keys(ids: pa.ChunkedArray) -> list[str]:
    """Ids as they are compared; those of ASCII alone all at once, as :func:`fold_text` folds each."""
    plain = pc.fill_null(pc.string_is_ascii(ids), False)
    folded = pc.replace_substring_regex(pc.ascii_lower(ids.filter(plain)), _SEPARATORS, SEPARATOR)
    folded = pc.ascii_trim(folded, SEPARATOR)
    folded = folded.filter(pc.invert(pc.match_substring_regex(folded, _DATE)))
    others = (fold_text(one)[0].strip(SEPARATOR) for one in ids.filter(pc.invert(plain)).to_pylist() if one)
    return [key for key in (*folded.to_pylist(), *others) if key]


def trips_in_text(store: Path) -> TripsInText:
    """For every trip that the register of trips or a recording of the store names."""
    sql = "SELECT DISTINCT trip_id FROM (SELECT trip_id FROM trips UNION ALL SELECT trip_id FROM events)"
    return TripsInText(arrow(store, f"{sql} WHERE trip_id IS NOT NULL")["trip_id"])
