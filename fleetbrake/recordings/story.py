"""What happened to one recording file, as a value that the log keeps."""

from dataclasses import dataclass, field


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


def printable(text: str) -> str:
    """Text from a file as it may be shown: control characters and the like are replaced by a mark."""
    return "".join(character if character.isprintable() else "\N{REPLACEMENT CHARACTER}" for character in text)


def shown_id(word: str, most: int = 80) -> str:
    """An identifier for a sentence, cut to ``most`` characters."""
    return word if len(word) <= most else f"{word[:most]}..."
