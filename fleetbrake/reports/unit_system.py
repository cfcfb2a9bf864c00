"""The two systems of units that a reader may choose; apart, so that a command's help need not load the tables."""

from enum import StrEnum


class System(StrEnum):
    """The system of units; its value stands in addresses."""

    METRIC = "metric"
    US = "us"
