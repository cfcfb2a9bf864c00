"""Ids that no register knows and that are written almost like one that is there: two ids, and most likely a slip."""

from typing import Final

import duckdb

from fleetbrake.core.foreign_text import shortened

#: Pairs that are told (own choice: a screen of them; the rest is counted).
MOST_TOLD: Final = 20
_MOST_OF_ID: Final = 60

#: Case, form of letters, and blanks, dashes, dots of any kind and number are alike; marks of no width are nothing.
_SAME: Final = (
    r"lower(regexp_replace(regexp_replace(nfc_normalize(id), '\p{Cf}', '', 'g'), '[\s\p{Z}\p{Pd}_.]+', '-', 'g'))"
)
_PAIRS: Final = f"""
WITH named AS (
    SELECT 'vehicle' AS kind, vehicle_id AS id, true AS known FROM vehicles
    UNION SELECT 'driver', driver_id, true FROM drivers
    UNION SELECT kind, id, false FROM unknown_ids
), keyed AS (
    SELECT kind, id, known, trim({_SAME}, '-') AS same FROM named WHERE id IS NOT NULL
)
SELECT strange.kind, strange.id, min(other.id)
FROM keyed AS strange
JOIN keyed AS other ON other.kind = strange.kind AND other.same = strange.same
WHERE NOT strange.known AND (other.known OR other.id < strange.id)
GROUP BY ALL
ORDER BY ALL
"""  # noqa: S608 - our own words only


def written_alike(con: duckdb.DuckDBPyConnection) -> list[str]:
    """A sentence for each such id of the published tables, the first :data:`MOST_TOLD` of them."""
    found = con.execute(_PAIRS).fetchall()
    told = [
        f"The {kind} {_shown(strange)} is written almost like {_shown(other)}: they differ in case, blanks, dashes or "
        "the form of letters only, and are kept as two, each with a part of the history. If they are one, correct the "
        "id where it comes from, or give it by a mapping."
        for kind, strange, other in found[:MOST_TOLD]
    ]
    more = len(found) - MOST_TOLD
    return [*told, f"And {more} more ids are written almost like others."] if more > 0 else told


def _shown(one: str) -> str:
    return repr(shortened(one, _MOST_OF_ID))
