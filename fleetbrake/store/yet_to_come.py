"""Events that are dated after the present day: a recorder's clock runs ahead, or this machine's clock is behind.

They stand in the published tables and count for nothing until their day has come; somebody has to be told.
"""

from datetime import date

import duckdb

#: Vehicles that are named; own choice, a line of text.
_NAMED = 5
#: Share of the fleet's vehicles from which it is likelier that the machine's clock is wrong. Own choice: half.
_MOST = 0.5

_AHEAD = """
WITH dated AS (
    SELECT vehicle_id, CAST(started_at AT TIME ZONE 'UTC' AS DATE) AS on_day
    FROM events
    WHERE vehicle_id IS NOT NULL AND started_at IS NOT NULL
)
SELECT vehicle_id, count(*) AS events, max(on_day) AS last_on, (SELECT count(DISTINCT vehicle_id) FROM dated) AS fleet
FROM dated
WHERE on_day > ?
GROUP BY vehicle_id
ORDER BY events DESC, vehicle_id
"""


def yet_to_come(con: duckdb.DuckDBPyConnection, today: date) -> list[str]:
    """Sentences about published events after ``today`` (UTC): how many, of which vehicles, and whose clock it may be.

    Empty where there are none.
    """
    rows = con.execute(_AHEAD, [today]).fetchall()
    if not rows:
        return []
    events, vehicles, fleet = sum(row[1] for row in rows), len(rows), rows[0][3]
    of_whom = ", ".join(str(row[0]) for row in rows[:_NAMED]) + (", ..." if vehicles > _NAMED else "")
    whose = (
        "is this machine's clock right?" if vehicles > _MOST * fleet else "do the clocks of these recorders run ahead?"
    )
    return [
        f"{events} event{'s' if events > 1 else ''} of {vehicles} vehicle{'s' if vehicles > 1 else ''} ({of_whom}) "
        f"{'are' if events > 1 else 'is'} dated after today, {today} by this machine's clock (up to "
        f"{max(row[2] for row in rows)}), and no score counts {'them' if events > 1 else 'it'} until then: {whose}"
    ]
