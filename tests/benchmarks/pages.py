"""How long each page takes to open in a real browser on a big store. Asserts nothing.

    python tests/benchmarks/pages.py [--store DIR] [--events 1000000] [--vehicles 1000] [--runs 3]

Without ``--store`` a store of made-up events (see ``scoring.py``) is scored and planned in a temporary folder first,
which takes some minutes. A page counts as open when its last element is drawn and nothing runs any more; the first
column is a server just started with a browser that knows nothing, the others are the same address opened again. The
list for the driver's and the event's page names the pages' own fallbacks.
"""

import argparse
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import quote

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "benchmarks"), str(ROOT / "tests" / "browser")]

from scoring import LAST_DAY, made_store  # noqa: E402
from serving import chromium_browser, new_page, served  # noqa: E402

from fleetbrake.core.tables import REGISTERS, TABLES  # noqa: E402
from fleetbrake.planning.run import plan  # noqa: E402
from fleetbrake.scoring.run import score  # noqa: E402
from fleetbrake.store.database import reading, rebuilding  # noqa: E402

#: Nothing changes on the screen for so long (s): then the page is taken as drawn, and the wait is not counted.
_STILL_S = 0.4
_GIVE_UP_S = 60.0


def write_store(store: Path, events: int, vehicles: int) -> None:
    """Made-up tables, scored and planned, as a published store."""
    con = made_store(events, vehicles, 2)
    score(con, LAST_DAY, today=LAST_DAY)
    con.execute(
        "update vehicles set inspection_due_on = date '" + LAST_DAY.isoformat() + "' + (hash(vehicle_id) % 300)::int"
    )
    plan(con)
    with rebuilding(store) as target:
        for name in (*TABLES, *REGISTERS):
            target.register("rows", con.table(name).to_arrow_table())
            target.execute(f"insert into {name} by name select * from rows")
            target.unregister("rows")


def addresses(store: Path) -> dict[str, str]:
    """Page -> its path: the worst vehicle, one of its events, the driver to coach first."""
    newest = "(select max(as_of) from vehicle_health)"
    with reading(store) as con:
        vehicle = con.execute(f"select vehicle_id from vehicle_health where as_of = {newest} and rank = 1").fetchall()
        event = con.execute("select min(event_id) from events where vehicle_id = ?", vehicle[0]).fetchall()
        driver = con.execute("select driver_id from driver_style order by as_of desc, rank limit 1").fetchall()
    return {
        "Inspections": "/",
        "Vehicle": f"/vehicle?vehicle={quote(vehicle[0][0])}",
        "Event": f"/event?event={quote(event[0][0])}",
        "Drivers": f"/drivers?driver={quote(driver[0][0])}" if driver else "/drivers",
        "Month": "/month",
        "Recordings": "/recordings",
    }


def opened_s(page: Any, address: str) -> float:
    """Seconds from asking for the address to the last change of what is drawn, with nothing running."""
    start = time.perf_counter()
    page.goto(address)
    page.locator("h2").first.wait_for()
    last, changed = "", time.perf_counter()
    while time.perf_counter() - start < _GIVE_UP_S:
        running = page.locator('[data-testid="stApp"][data-test-script-state="running"]').count()
        shown = page.evaluate("document.body.innerText.length + ':' + document.querySelectorAll('*').length")
        now = time.perf_counter()
        if running or shown != last:
            last, changed = shown, now
        elif now - changed > _STILL_S:
            return changed - start
        time.sleep(0.03)
    return float("nan")


@contextmanager
def _store(given: argparse.Namespace) -> Iterator[Path]:
    if given.store is not None:
        yield given.store
        return
    with tempfile.TemporaryDirectory() as folder:
        store = Path(folder) / "store"
        write_store(store, given.events, given.vehicles)
        yield store


def main() -> None:
    """Print the seconds of each page."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--store", type=Path)
    for name, value in (("--events", 1_000_000), ("--vehicles", 1000), ("--runs", 3)):
        asked.add_argument(name, type=int, default=value)
    given = asked.parse_args()
    chromium = shutil.which("chromium") or shutil.which("chromium-browser") or ""
    with _store(given) as store, tempfile.TemporaryDirectory() as logs:
        print(f"{'page':12s} {'first':>8s} {'again (median)':>15s}   seconds")
        for name, path in addresses(store).items():
            # a server and a browser of its own, so that no page profits from another
            with served(store, Path(logs) / f"{name}.log") as address, chromium_browser(chromium) as browser:
                first = opened_s(new_page(browser, 1440, 900), address + path)
                again = [opened_s(new_page(browser, 1440, 900), address + path) for _ in range(given.runs)]
            print(f"{name:12s} {first:8.2f} {statistics.median(again):15.2f}", flush=True)


if __name__ == "__main__":
    main()
