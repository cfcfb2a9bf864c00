"""Entries of people that were there and are not any more: told by the note of what the store holds, by what was
published and by their own seals.

Neither what is published nor what is entered next may take the place of what is gone: an older copy of the file, to
which enough is added, would look like the file itself.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Final

from fleetbrake.core.errors import StoreError
from fleetbrake.store.entered_seals import Given, given, seals_there
from fleetbrake.store.format import noted_anywhere
from fleetbrake.store.remembered import Remembered, no_copy, remembered
from fleetbrake.store.schema import setting_number

#: Settings of the published file: the last entry that its registers were merged with, and the number of their file.
ENTERED_UP_TO: Final = "entered_up_to"
ENTERED_FILE: Final = "entered_file"
#: So many numbers stand in a sentence.
_SHOWN: Final = 3


def noted_entries_lost(store: Path, published: Given = Given(), known: Remembered | None = None) -> str | None:
    """A sentence where entries that were noted, or are said to be published, are not there any more; None where all
    are. ``known``: what was noted, by default as the store's own note says.

    Raises
    ------
    StoreError
        What people entered, or the note, cannot be read.
    """
    known, now = remembered(store) if known is None else known, given(store)
    number = max(published.last, known.entries)
    word = "published" if number == published.last else "kept"
    if number > now.last:
        what = f"{now.last} is the last that is there"
    elif {published.file, known.entered_file} - {0, now.file}:
        what = "those that are there are others"
    else:
        return None
    return (
        f"Entries up to number {number} were {word}, and {what}: what people found would be dropped. Put "
        f"entered.sqlite back from a copy of the store. {no_copy('entries')}"
    )


def published_entries(settings: Mapping[str, str]) -> Given:
    """Which entries are published, by the settings of the published file."""
    return Given(setting_number(settings, ENTERED_UP_TO), setting_number(settings, ENTERED_FILE))


def unsealed_entries_lost(store: Path) -> str | None:
    """A sentence where single entries are gone, or are not what was entered, by their seals. StoreError as above."""
    seals = seals_there(store)
    lost = sorted(seals.gone | seals.broken)
    if not lost:
        return None
    more = ", ..." if len(lost) > _SHOWN else ""
    return (
        f"{len(lost)} entries of people are gone or not what was entered (number {', '.join(map(str, lost[:_SHOWN]))}"
        f"{more}), and what they found would be dropped. Put entered.sqlite back from a copy of the store. "
        f"{no_copy('entries')}"
    )


def refuse_where_lost(store: Path) -> Remembered:
    """StoreError where an entry made now would take the number of one that is gone, by the note or by its copy in the
    published file: the note may be gone, too, or older. What they say together."""
    known = noted_anywhere(store)
    told = noted_entries_lost(store, known=known)
    if told is not None:
        raise StoreError(f"{told} Nothing was entered.")
    return known
