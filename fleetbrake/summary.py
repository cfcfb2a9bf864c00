"""What one run of reading did, as a value: counts of files and rows, and sentences for a person."""

from dataclasses import dataclass, field


@dataclass
class IngestSummary:
    """What one ``ingest`` did. ``problems`` are sentences for a person; statuses count files; ``held``: legal holds.

    ``alike_withheld``: events and rows of registers whose driver is written like a forgotten one and was left out.
    ``doubted``: sentences about events of days that are yet to come; ``written_alike``: about ids written in two ways.
    """

    files: int = 0
    loaded: int = 0
    unchanged: int = 0
    partly_loaded: int = 0
    rejected: int = 0
    rows: int = 0
    events: int = 0
    problems: list[str] = field(default_factory=list)
    unknown_vehicles: list[str] = field(default_factory=list)
    unknown_drivers: list[str] = field(default_factory=list)
    registers: list[str] = field(default_factory=list)
    alike_withheld: int = 0
    held_copied: int = 0
    held_not_copied: list[str] = field(default_factory=list)
    doubted: list[str] = field(default_factory=list)
    written_alike: list[str] = field(default_factory=list)

    @property
    def notes(self) -> list[str]:
        """What a person should know, though nothing is wrong with it."""
        if not self.alike_withheld:
            return [*self.doubted, *self.written_alike]
        return [
            *self.doubted,
            *self.written_alike,
            f"{self.alike_withheld} events or rows of registers name a driver whose id is written like a forgotten "
            "one, or stands in a list with one: the driver is withheld.",
        ]

    @property
    def some_rejected(self) -> bool:
        """Whether some input was not taken in."""
        return bool(self.problems)
