"""The pages that the tests of the doors ask: one server for all of them, since starting it takes longest."""

from collections.abc import Iterator

import pytest
from builders import PLAIN
from faults.doors_site import Site, opened
from faults.doors_speaker import Drawn

from fleetbrake.access.roles import PAGES


@pytest.fixture(scope="session")
def site() -> Iterator[Site]:
    """The pages behind a sign-in, started by the product's own command."""
    with opened() as found:
        yield found


@pytest.fixture(scope="session")
def shown(site: Site) -> Drawn:
    """What the planner's first page is made of: its widgets and the framework's names of all pages."""
    with site.speaker("one-planner") as speaker:
        drawn = speaker.rerun()
    assert drawn.holds(PLAIN.vehicles[0]) and len(drawn.pages) >= len(PAGES)
    return drawn
