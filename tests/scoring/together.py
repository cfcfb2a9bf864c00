"""What the tests of a file put into one fleet, so that one run judges the vehicles of them all."""

from collections.abc import Callable

from scoring_fleet import Fleet

Adds = Callable[[Fleet], None]


class Together:
    """Marks functions that add vehicles of a test: ``@of_the_fleet``, where ``of_the_fleet = Together()``."""

    def __init__(self) -> None:
        self._adds: list[Adds] = []

    def __call__(self, adds: Adds) -> Adds:
        self._adds.append(adds)
        return adds

    def fleet(self) -> Fleet:
        """A fleet of all that was marked."""
        fleet = Fleet()
        for adds in self._adds:
            adds(fleet)
        return fleet
