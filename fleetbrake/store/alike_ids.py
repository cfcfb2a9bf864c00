"""Vehicles that recordings write in another way than the register: case, blanks, dashes."""

from collections import defaultdict

import duckdb

from fleetbrake.core.folded_text import fold_text

#: Pairs that are told; own choice.
_MOST = 20


def alike_vehicles(con: duckdb.DuckDBPyConnection) -> list[str]:
    """A sentence for each published unknown vehicle whose id is the register's but for case, width and separators.

    Ids are opaque, so that the two count as two vehicles; each has half of the history, and somebody has to know.
    """
    unknown = con.execute("SELECT id FROM unknown_ids WHERE kind = 'vehicle' ORDER BY id").fetchall()
    if not unknown:
        return []
    registered: defaultdict[str, list[str]] = defaultdict(list)
    for (vehicle,) in con.execute("SELECT vehicle_id FROM vehicles ORDER BY vehicle_id").fetchall():
        registered[fold_text(vehicle)[0].strip("-")].append(vehicle)
    told = [
        f"Vehicle {found!r} of recordings is written like {other!r} of the register, and counts as another vehicle: if "
        "it is the same, correct the id where it comes from, or give it by a mapping."
        for (found,) in unknown
        for other in registered.get(fold_text(found)[0].strip("-"), ())
    ]
    more = [f"... and {len(told) - _MOST} more such ids."] if len(told) > _MOST else []
    return told[:_MOST] + more
