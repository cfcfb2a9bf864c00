"""What of the tables a viewer may see: aliases for drivers, no places, no trips, no folders, unless a role has them."""

import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import pandas as pd

from fleetbrake.access.roles import Viewer
from fleetbrake.core.errors import StoreError
from fleetbrake.reports.aliases import KEY_FILE, aliases, aliases_by
from fleetbrake.reports.column_kinds import CODES, DECIDERS, DRIVERS, OURS, PATHS, POSITIONS, TRIPS
from fleetbrake.reports.names_in_text import NamesInText
from fleetbrake.reports.order_of_ids import without_order_of_ids
from fleetbrake.reports.places_in_text import without_places
from fleetbrake.reports.privacy import all_drivers, short_path, without_folders
from fleetbrake.reports.trips_in_text import TripsInText, trips_in_text
from fleetbrake.store.database import publication_stamp

#: Places as pages have them; no published table of sentences has a column of that name.
_PLACES: Final = POSITIONS | {"place"}
#: Columns that are not read for drivers' ids.
_NO_FREE_TEXT: Final = CODES | DECIDERS

PASSING_ALIASES: Final = (
    "The key of the drivers' aliases can be neither read nor kept in the store folder: the aliases hold until the "
    "pages are started again, and differ from those in reports."
)


@dataclass(frozen=True)
class Veil:
    """Shows frames, rows and texts of one store to one kind of viewer. What is missing stays missing.

    Veiling twice is the same as veiling once. ``note`` is a sentence where the aliases do not last, else empty;
    ``folders`` takes the machine's folders out of a text, None for whoever sits at the machine; ``trips`` the trips.
    """

    hides_drivers: bool
    hides_places: bool
    alias: Callable[[str], str]
    names: NamesInText
    known: Mapping[str, str]
    note: str = ""
    folders: Callable[[str], str] | None = None
    trips: Callable[[str], str] = str

    def frame(self, frame: pd.DataFrame) -> pd.DataFrame:
        """The frame as it may be shown; the same columns, so that what is hidden is missing."""
        changed = {
            name: column
            for name in frame.columns
            if (column := self._column(str(name), frame[name], frame)) is not frame[name]
        }
        shown = frame.assign(**changed) if changed else frame
        return without_order_of_ids(shown) if self.hides_drivers else shown

    def row(self, row: Mapping[str, Any] | None) -> dict[str, Any] | None:
        """As :meth:`frame` for one row."""
        if row is None:
            return None
        driver_row = row.get("kind") == "driver"
        return {name: self._value(str(name), value, driver_row) for name, value in row.items()}

    def text(self, text: str) -> str:
        """Free text with the drivers' ids replaced, without trips, places and the machine's folders."""
        text = self._nobody(text)
        return without_places(text) if self.hides_places else text

    def _nobody(self, text: str) -> str:
        text = text if self.folders is None else self.folders(text)
        return self.names(self.trips(text)) if self.hides_drivers else text

    def shown_driver(self, driver_id: str) -> str:
        """What a driver is called before this viewer."""
        return self.alias(driver_id) if self.hides_drivers and driver_id not in self.known else driver_id

    def driver_from(self, shown: str) -> str | None:
        """The driver of that name, or None. Who sees aliases finds drivers by aliases only: else an address would tell
        which alias an id has."""
        if self.hides_drivers:
            return self.known.get(shown)
        return shown if shown in self.known.values() else None

    def _column(self, name: str, column: Any, frame: pd.DataFrame) -> Any:
        if self._is_hidden(name):
            return pd.Series([None] * len(column), index=column.index, dtype="object" if _textual(column) else "float")
        if self._shows_all_texts or not _textual(column):
            return column
        if name == "id" and "kind" in frame:
            pairs = zip(column, frame["kind"] == "driver", strict=True)
            return pd.Series([self._value(name, v, bool(d)) for v, d in pairs], index=column.index, dtype=object)
        if not self._may_name(name):
            return column
        seen: dict[str, Any] = {}
        shown = [
            v if not isinstance(v, str) else seen.get(v) or seen.setdefault(v, self._value(name, v)) for v in column
        ]
        return pd.Series(shown, index=column.index, dtype=object if column.dtype == "category" else column.dtype)

    def _value(self, name: str, value: Any, driver_row: bool = False) -> Any:
        if self._is_hidden(name):
            return None
        if self._shows_all_texts or not isinstance(value, str) or not value:
            return value
        if name in DRIVERS or (name == "id" and driver_row):
            return self.shown_driver(value)
        if name in PATHS and self.folders is not None:
            value = short_path(value)
        if not self._may_name(name):
            return value
        return self._nobody(value) if name in PATHS | OURS else self.text(value)

    @property
    def _shows_all_texts(self) -> bool:
        return not self.hides_drivers and not self.hides_places and self.folders is None

    def _is_hidden(self, name: str) -> bool:
        return (self.hides_places and name in _PLACES) or (self.hides_drivers and name in TRIPS)

    def _may_name(self, name: str) -> bool:
        return name not in _NO_FREE_TEXT


def veil(store: Path, viewer: Viewer) -> Veil:
    """The veil of a store's tables before a viewer. The drivers are read once for each published file.

    Raises
    ------
    StoreError
        There is nothing published, or the key of the aliases is damaged.
    """
    hides = (not viewer.sees_drivers, not viewer.sees_positions, not viewer.local)
    return _veil(Path(store), publication_stamp(store), *hides)


@lru_cache(maxsize=8)
def _veil(store: Path, stamp: tuple[int, int], hides_drivers: bool, hides_places: bool, hides_folders: bool) -> Veil:
    ids = all_drivers(store)
    folders = without_folders(store) if hides_folders else None
    if not hides_drivers:
        return Veil(False, hides_places, str, NamesInText((), str), {i: i for i in ids}, folders=folders)
    alias, note = _aliases(store)
    names, known = NamesInText(ids, alias), {alias(i): i for i in ids}
    return Veil(True, hides_places, alias, names, known, note, folders, _trips(store, stamp))


@lru_cache(maxsize=2)
def _trips(store: Path, _stamp: tuple[int, int]) -> TripsInText:
    return trips_in_text(store)


def _aliases(store: Path) -> tuple[Callable[[str], str], str]:
    """The store's aliases; where its key can be neither read nor written, passing ones and a sentence."""
    try:
        return aliases(store), ""
    except StoreError:
        if _can_be_read(store / KEY_FILE):
            raise
        return aliases_by(_passing_key(store)), PASSING_ALIASES


def _can_be_read(path: Path) -> bool:
    try:
        path.read_bytes()
    except OSError:
        return False
    return True


@lru_cache(maxsize=8)
def _passing_key(_store: Path) -> bytes:
    return secrets.token_bytes(32)


def _textual(column: Any) -> bool:
    return not (
        pd.api.types.is_numeric_dtype(column)
        or pd.api.types.is_bool_dtype(column)
        or pd.api.types.is_datetime64_any_dtype(column)
    )
