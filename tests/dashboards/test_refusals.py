"""What is said of errors to the local user and to people who signed in."""

import logging
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "dashboards"))
from refusals import refusal, without_paths

from fleetbrake.access.roles import LOCAL_USER, Role, Viewer
from fleetbrake.core.errors import FleetbrakeError, InputError, RuleError, StoreBusyError, StoreError

PLANNER = Viewer("p", frozenset({Role.PLANNER}))
ERRORS = (
    StoreError("Cannot read /srv/fleet/store/fleet.duckdb: it is damaged"),
    StoreBusyError("Another run (ingest, 4711) holds /srv/fleet/store"),
    InputError("'/srv/my fleet/in/a.csv': there is no column"),
    FleetbrakeError("fleetbrake: /srv/fleet/store/a.csv, row 3 of 1/2: no speed in m/s (/var/lib/x)"),
)


@pytest.mark.parametrize("error", ERRORS)
def test_a_folder_of_the_server_goes_to_the_log_alone(error: Exception, caplog: pytest.LogCaptureFixture) -> None:
    assert refusal(error, LOCAL_USER) == str(error)
    with caplog.at_level(logging.WARNING, logger="fleetbrake"):
        said = refusal(error, PLANNER, Path("/srv/fleet/store"))
    assert "/srv" not in said and "/var" not in said and said.endswith((".", "column", ")"))
    assert str(error) in caplog.text


def test_what_is_no_path_stays() -> None:
    assert refusal(RuleError("The date is due on 3/4."), PLANNER) == "The date is due on 3/4."
    for text in ("row 1/2: no speed in m/s", "in/bus/a.csv and/or b", "100 km/h; 3 m/s2", "a / b / c"):
        assert without_paths(text, PLANNER) == text
    assert without_paths(r"C:\in\bus\a.csv: no", PLANNER) == "a.csv: no"
    assert without_paths("/a b/store/x.csv: no", PLANNER, Path("/a b/store")) == "the store/x.csv: no"
