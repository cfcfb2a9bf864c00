"""What a reader of a month's files must know of that month before its figures, in sentences."""

from collections.abc import Iterator, Mapping, Sequence

import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.reports.monthly.month_data import MonthFigures, Period
from fleetbrake.reports.monthly.month_hits import FEW

#: Months named in one sentence at most; what is between is left out.
_MOST_MONTHS = 12


def remarks_of(
    of: Period, figures: MonthFigures, tables: Mapping[str, pa.Table], with_events: Sequence[str]
) -> tuple[str, ...]:
    """Sentences on what the month lacks. ``with_events``: months of the store that have events, newest first."""
    return tuple(_remarks(of, figures, tables, with_events))


def _remarks(
    of: Period, figures: MonthFigures, tables: Mapping[str, pa.Table], with_events: Sequence[str]
) -> Iterator[str]:
    if not figures.events:
        yield f"No brake application began in {of.month} (UTC). {_where(with_events)}"
    if not tables["vehicle_health"].num_rows:
        yield f"Vehicles and drivers: {of.not_scored}."
    if figures.events and not _any(tables["month_rates"], "observed_km"):
        yield "No trips with kilometres are known of vehicles with events: there are counts, but no rates."
    inspected = _inspected(tables["hit_rate"], _PREDICTED)
    if 0 < inspected < FEW:
        yield (
            f"What inspections found rests on {inspected} of the last twelve months: fewer than {FEW} say hardly "
            "anything of how good the predictions are."
        )
    if not inspected:
        yield "No inspection of the last twelve months tells whether a prediction was right."
    if afterwards := _inspected(tables["hit_rate"], _AFTERWARDS):
        yield (
            f"{afterwards} of the last twelve months' inspections have only scores worked out afterwards to be held "
            "against: told apart, and no predictions."
        )
    if waiting := _inspected(tables["hit_rate"], _WAITING):
        yield f"{waiting} of the last twelve months' inspections on file are not judged yet: run `fleetbrake score`."


def _where(with_events: Sequence[str]) -> str:
    if not with_events:
        return "The store has no events at all."
    named = list(reversed(with_events))
    if len(named) > _MOST_MONTHS:
        return f"Months with events: {len(named)}, from {named[0]} to {named[-1]}."
    return f"Months with events: {', '.join(named)}."


def _any(table: pa.Table, column: str) -> bool:
    return bool(table[column].null_count < table.num_rows)


def _inspected(hits: pa.Table, figures: Sequence[str]) -> int:
    """Inspections of the last twelve months that these figures rest on."""
    chosen = pc.and_(pc.equal(hits["span"], "last_12_months"), pc.is_in(hits["figure"], pa.array(figures)))
    return int(pc.sum(hits.filter(chosen)["inspected"]).as_py() or 0)


#: A prediction and a result are known; the score was made after the inspection; nothing has read it yet.
_PREDICTED = ("flagged", "not_flagged", "known_before")
_AFTERWARDS = ("afterwards_flagged", "afterwards_not_flagged")
_WAITING = ("not_judged",)
