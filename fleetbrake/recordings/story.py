"""What happened to one recording file, as a value that the log keeps."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from fleetbrake.core.foreign_text import shortened, visible


@dataclass
class FileStory:
    """What happened to one file, filled while it is read.

    ``reasons`` are sentences for the log; ``channels_left_out`` are channels that the file has but that could not be
    used (a wrong unit or type). ``first_us`` and ``last_us`` are UTC microseconds of the first and last sample used.
    """

    path: str
    sha256: str
    rows: int = 0
    events_rejected: int = 0
    reasons: list[str] = field(default_factory=list)
    channels: tuple[str, ...] = ()
    channels_left_out: list[str] = field(default_factory=list)
    vehicles: set[str] = field(default_factory=set)
    first_us: int | None = None
    last_us: int | None = None

    def tell(self, sentence: str) -> None:
        """Add a sentence, made fit to be shown."""
        self.reasons.append(printable(sentence))


#: Text from a file as it may be shown.
printable: Final = visible


def shown_id(word: str, most: int = 80) -> str:
    """An identifier for a sentence, in at most ``most`` letters."""
    return shortened(word, most)


def shown_names(names: Sequence[str], most: int = 12) -> str:
    """Names of columns for a sentence: some of them, each cut."""
    return ", ".join(shown_id(name) for name in names[:most]) + (" ..." if len(names) > most else "")
