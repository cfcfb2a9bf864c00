"""One page for the talk with one driver: both rates, what went well first, typical applications, room for the answer.

No rank and no other driver stands on it. Several drivers make one document, a page and a bookmark each.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from fleetbrake.access.roles import LOCAL_USER, NOBODY
from fleetbrake.core.errors import InputError
from fleetbrake.core.vocabulary import DRIVER_CAUTION
from fleetbrake.reports import driver_reads, driver_words, look, reads, typeset
from fleetbrake.reports.charts import one_driver_rates
from fleetbrake.reports.measures import METRIC, Measures
from fleetbrake.reports.printed import as_pasted
from fleetbrake.reports.source import one_snapshot
from fleetbrake.reports.veil import veil

#: Letters of one foreign text at most, so that everything stays on one page.
MOST_LETTERS = 240
_CHART_WIDTH = 560
_RATES = ("hard_stops_per_1000km", "adjusted_hard_stops_per_1000km", "adjusted_low", "adjusted_high")
_SPAN = tuple[pd.Timestamp, pd.Timestamp] | None


@dataclass(frozen=True)
class Talk:
    """What a sheet needs of one driver.

    Attributes
    ----------
    row : one row of :func:`fleetbrake.reports.reads.drivers`, with the id or alias that is to stand on the sheet.
    items : as :func:`fleetbrake.reports.driver_reads.coaching` gives them.
    span : first and last application, see :func:`fleetbrake.reports.driver_reads.recorded_span`.
    """

    row: dict[str, Any]
    items: pd.DataFrame
    span: _SPAN


def driver_sheet(row: dict[str, Any], items: pd.DataFrame, span: _SPAN, measures: Measures = METRIC) -> bytes:
    """The sheet of one driver as a PDF of one page; arguments as :class:`Talk` has them.

    Raises
    ------
    FleetbrakeError
        If the document cannot be set.
    """
    return driver_sheets([Talk(row, items, span)], measures)


def driver_sheets(talks: Sequence[Talk], measures: Measures = METRIC) -> bytes:
    """The sheets in the order given, as one PDF with exactly one page each; errors as :func:`driver_sheet`."""
    pictures = {f"rates{number}.svg": typeset.svg(_chart(talk.row, measures)) for number, talk in enumerate(talks)}
    data = {
        "paper": typeset.paper(measures),
        "caution": DRIVER_CAUTION,
        "sheets": [
            _data(talk.row, talk.items, talk.span, measures) | {"chart": name}
            for talk, name in zip(talks, pictures, strict=True)
        ],
    }
    return typeset.pdf("sheets/driver_sheet.typ", data, pictures)


def talks_with(store: Path, drivers: Sequence[str], *, names: bool = False) -> list[Talk]:
    """What the sheets need of scored drivers, each named by id or alias, all from one published file.

    With ``names`` the ids stand on the sheets; else stable aliases do, in every sentence.

    Raises
    ------
    InputError
        No driver is named, or one has no scored row.
    StoreError
        There is nothing to read, or it cannot be read.
    """
    with one_snapshot(store):
        aliased, shown = veil(store, NOBODY), veil(store, LOCAL_USER if names else NOBODY)
        scored = reads.drivers(store)
        by_id = dict(zip(map(str, scored["driver_id"]), shown.frame(scored).to_dict("records"), strict=True))
        known = {*by_id, *aliased.known}
        pasted = [as_pasted(name, known) for name in drivers]
        ids = [name if name in by_id else aliased.driver_from(name) for name in pasted]
        unknown = [name for name, own in zip(drivers, ids, strict=True) if own not in by_id]
        if unknown or not ids:
            raise InputError(_unknown(unknown))
        return [
            Talk(
                {str(key): value for key, value in by_id[own].items()},
                shown.frame(driver_reads.coaching(store, own)),
                driver_reads.recorded_span(store, own),
            )
            for own in dict.fromkeys(own for own in ids if own is not None)
        ]


def _unknown(names: list[str]) -> str:
    if not names:
        return "No driver is named, so there is no sheet to print."
    listed = ", ".join(look.clipped(name, 60) for name in names[:5]) + (" ..." if len(names) > 5 else "")
    return f"No scored driver has this id or alias: {listed}. Drivers are scored by `fleetbrake score`."


def _chart(row: dict[str, Any], measures: Measures) -> Any:
    fleet = row.get("fleet_hard_stops_per_1000km")
    known = None if pd.isna(fleet) else float(fleet)  # type: ignore[arg-type]
    return one_driver_rates(pd.DataFrame([row]), known, _CHART_WIDTH, measures)


def _data(row: dict[str, Any], items: pd.DataFrame, span: _SPAN, measures: Measures) -> dict[str, Any]:
    period = f"Applications from {look.day(span[0])} to {look.day(span[1])}" if span else "No application recorded"
    told = items.to_dict("records")
    return {
        "driver": _short(look.text(row["driver_id"])),
        "subtitle": f"{period} (UTC) · scored as of {look.day(row['as_of'])} · depot {_short(look.text(row['depot']))}",
        "figures": _figures(row, measures),
        "rated": pd.notna(row["hard_stops_per_1000km"]) or pd.notna(row["adjusted_hard_stops_per_1000km"]),
        "note": _short(driver_words.note(row, measures), 4 * MOST_LETTERS),
        "well": [_item(item, measures) for item in told if item["kind"] == "went_well"],
        "talk": [_item(item, measures) for item in told if item["kind"] == "talk_about"],
    }


def _figures(row: dict[str, Any], measures: Measures) -> list[dict[str, str]]:
    """Name and value of what stands beside each other at the top."""
    rated = {name: driver_words.rate_told(row[name], measures) for name in _RATES}
    counted, adjusted, low, high = rated.values()
    interval = "" if adjusted == look.MISSING else f" ({low.split(' ')[0]} to {high.split(' ')[0]})"
    shown = (
        ("Distance", measures.text("distance", row["distance_km"])),
        ("Part of it observed", measures.text("distance", row["observed_km"])),
        ("Hard stops", look.whole(row["hard_stops"])),
        ("By the vehicle itself", look.whole(row["automatic_hard_stops"])),
        ("Rate as counted", counted),
        ("Rate adjusted (90 % interval)", adjusted + interval),
    )
    return [{"name": name, "value": value} for name, value in shown]


def _item(item: dict[Any, Any], measures: Measures) -> dict[str, str]:
    """One thing to talk about: when and in which vehicle, and what happened in words."""
    known = isinstance(item["vehicle_id"], str)
    where = f"{look.moment(item['started_at'])} · vehicle {_short(item['vehicle_id'])}" if known else ""
    return {"where": where, "what": _short(driver_words.coaching_sentence(item, measures))}


def _short(text: str, most: int = MOST_LETTERS) -> str:
    return text if len(text) <= most else text[: most - 2].rstrip() + " …"
