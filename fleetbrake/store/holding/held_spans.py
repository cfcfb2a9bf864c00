"""Times of events and trips as whole microseconds, and which events lie in the trips of a hold."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
Micros = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Spans:
    """Trips of one vehicle in order of their start (us since 1970, UTC).

    Attributes
    ----------
    starts : sorted.
    latest_ends : the latest end of any trip up to this one, so that trips inside one another need no search.
    """

    starts: Micros
    latest_ends: Micros

    def touched(self, first: Micros, last: Micros) -> npt.NDArray[np.bool_]:
        """Which of the spans of time ``first`` to ``last`` touch any trip."""
        begun = np.searchsorted(self.starts, last, side="right")
        return np.asarray((begun > 0) & (self.latest_ends[np.maximum(begun, 1) - 1] >= first))


def microseconds(moment: datetime) -> int:
    """Microseconds since 1970 of a moment; without a zone it is UTC."""
    aware = moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment
    return (aware - _EPOCH) // timedelta(microseconds=1)


def event_times(table: pa.Table) -> tuple[pa.Array, pa.Array]:
    """First and last moment of each event (us, UTC): as long as it was recorded where that is known."""
    first = _whole(table.column("started_at"))
    if not {"samples", "sample_rate_hz"} <= set(table.column_names):
        return first, first
    samples = table.column("samples").to_numpy().astype(np.float64)
    rate = table.column("sample_rate_hz").to_numpy().astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        seconds = samples / rate
    lasts = np.where(np.isfinite(seconds) & (seconds > 0), seconds, 0.0) * 1e6
    return first, pc.add(first, pa.array(np.rint(lasts).astype(np.int64)))


def trip_spans(trips: pa.Table) -> dict[str, Spans]:
    """The trips by vehicle; a trip without an end lasts no time."""
    if not trips.num_rows:
        return {}
    names = trips.column("vehicle_id").to_pylist()
    first = _whole(trips.column("started_at"))
    last = pc.coalesce(_whole(trips.column("ended_at")), first)
    by_vehicle: dict[str, list[tuple[int, int]]] = {}
    for name, start, end in zip(names, first.to_pylist(), last.to_pylist(), strict=True):
        if name is not None and start is not None:
            by_vehicle.setdefault(name, []).append((start, end))
    return {name: _spans(pairs) for name, pairs in by_vehicle.items()}


def in_spans(spans: Mapping[str, Spans], vehicles: pa.ChunkedArray, first: pa.Array, last: pa.Array) -> pa.BooleanArray:
    """Which events (vehicle, first and last moment in us) touch a trip of their vehicle."""
    found = np.zeros(len(vehicles), dtype=bool)
    if spans and len(vehicles):
        coded = pc.dictionary_encode(vehicles.combine_chunks())
        codes = coded.indices.fill_null(-1).to_numpy(zero_copy_only=False)
        begin, end = first.fill_null(0).to_numpy(), last.fill_null(0).to_numpy()
        for code, name in enumerate(coded.dictionary.to_pylist()):
            if name in spans:
                rows = codes == code
                found[rows] = spans[name].touched(begin[rows], end[rows])
    return pa.array(found, pa.bool_())


def _spans(pairs: list[tuple[int, int]]) -> Spans:
    ordered = np.array(sorted(pairs), dtype=np.int64)
    return Spans(ordered[:, 0], np.maximum.accumulate(ordered[:, 1]))


def _whole(column: pa.ChunkedArray) -> pa.Array:
    whole = column.cast(pa.timestamp("us", tz="UTC")).cast(pa.int64())
    return whole.combine_chunks() if isinstance(whole, pa.ChunkedArray) else whole
