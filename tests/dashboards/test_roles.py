"""Every page for every role: what is not theirs is nowhere in what the page sends, not even inside a chart's data."""

import io
import re
import struct
import sys
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from a_few import a_few
from builders import PLAIN, build_store
from streamlit.runtime.memory_media_file_storage import MemoryMediaFileStorage
from streamlit.testing.v1 import AppTest

from fleetbrake.access.caller import NO_ROLE, SIGN_IN_FIRST, TOO_LONG_AGO
from fleetbrake.access.roles import PAGES, Role, Viewer
from fleetbrake.reports import source
from fleetbrake.reports.aliases import aliases
from fleetbrake.store.database import rebuilding

ROOT = Path(__file__).resolve().parents[2]

#: What the built store calls its drivers, and a text that stands nowhere by chance; letters and digits alone, since
#: places that read Markdown get others with a backslash.
_BUILT, SENTINEL = "D-1", "ZqxjDriver1"
DRIVERS = tuple(driver.replace(_BUILT, SENTINEL) for driver in PLAIN.drivers)
TRIP = "TripOfWvuq"
LATITUDE, LONGITUDE = 71.19283746, 138.91827364
#: A place as numbers of a table, and as text of a chart or sentence to three digits.
PLACES = [
    *(struct.pack(kind, value) for kind in ("<d", "<f") for value in (LATITUDE, LONGITUDE)),
    b"71.192",
    b"138.918",
]
EVENT = f"{PLAIN.vehicles[0]}/locked-0"
_REFUSED = "This page is not for your role"


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The built store with sentinels for drivers (in every text of every table), trips and places."""
    folder = build_store(tmp_path_factory.mktemp("sentinels"))
    with rebuilding(folder) as con:
        texts = con.execute(
            "SELECT table_name, column_name FROM duckdb_columns() "
            "WHERE data_type = 'VARCHAR' AND NOT internal AND database_name = current_database()"
        ).fetchall()
        for table, column in texts:
            con.execute(f"""UPDATE "{table}" SET "{column}" = replace("{column}", '{_BUILT}', '{SENTINEL}')""")
        con.execute(
            "UPDATE events SET latitude_deg = ?, longitude_deg = ?, trip_id = ?, notes = 'seen by ' || driver_id",
            [LATITUDE, LONGITUDE, TRIP],
        )
        con.execute(f"UPDATE vehicle_health SET open_report = 'told by {DRIVERS[0]}' WHERE rank <= 3")
        con.execute(f"UPDATE ingest_log SET path = 'store/driver_id={DRIVERS[1]}/' || path WHERE status = 'rejected'")
    for recording in (folder / "recordings").glob("*.parquet"):
        _with_places(recording)
    return folder


def _with_places(recording: Path) -> None:
    """The same rows with a place on each."""
    rows = pq.read_table(recording)
    for name, value in (("latitude_deg", LATITUDE), ("longitude_deg", LONGITUDE)):
        rows = rows.append_column(name, pa.array([value] * len(rows)))
    pq.write_table(rows, recording)


@pytest.fixture
def sign_in(tmp_path: Path, store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A sign-in is set up; who has signed in is told by :func:`_opened`."""
    file = tmp_path / "sign-in.toml"
    file.write_text(
        """
        [auth]
        redirect_uri = "http://localhost:{port}/oauth2callback"
        cookie_secret = "Zm9yLXRlc3RzLW9ubHktMDEyMzQ1Njc4OWFi"
        client_id = "x"
        client_secret = "y"
        server_metadata_url = "http://localhost:1/.well-known/openid-configuration"
        [roles]
        claim = "role"
        [roles.by_claim]
        planner = ["planner"]
        safety = ["safety"]
        analyst = ["analyst"]
        admin = ["admin"]
        """
    )
    file.chmod(0o600)
    monkeypatch.setenv("FLEETBRAKE_SIGN_IN", str(file))
    monkeypatch.setenv("FLEETBRAKE_STORE", str(store))


@pytest.fixture
def sent_files(monkeypatch: pytest.MonkeyPatch) -> list[bytes]:
    """What pages offer to download or show as a picture: it is not in the page's messages."""
    kept: list[bytes] = []
    real = MemoryMediaFileStorage.load_and_get_id

    def _load(self: Any, path_or_data: Any, *rest: Any, **more: Any) -> str:
        kept.append(path_or_data if isinstance(path_or_data, bytes) else Path(path_or_data).read_bytes())
        return real(self, path_or_data, *rest, **more)

    monkeypatch.setattr(MemoryMediaFileStorage, "load_and_get_id", _load)
    return kept


def _opened(role: Role | None, age_h: float = 0.0) -> AppTest:
    """The first page, run for somebody with the role; None = nobody has signed in."""
    app = AppTest.from_file(str(ROOT / "dashboards" / "app.py"), default_timeout=60)
    if role is None:
        app.user = {"is_logged_in": False}
    else:
        app.user = {"is_logged_in": True, "sub": "s", "iat": time.time() - 3600 * age_h, "role": role.value}
    return app.run()


def _went(app: AppTest, view: str, **asked: str) -> AppTest:
    app.switch_page(f"views/{view}.py")
    for name in list(app.query_params):
        del app.query_params[name]
    for name, value in asked.items():
        app.query_params[name] = value
    return app.run()


def _sent(app: AppTest, files: list[bytes]) -> bytes:
    """All that the page sends: every element with its data, the address, and the files it offers, unpacked."""
    protos = (getattr(node, "proto", None) for node in app._tree)
    parts = [proto.SerializeToString() for proto in protos if proto is not None]
    unpacked = [piece for file in files for piece in _unpacked(file)]
    return b"\n".join([*parts, repr(dict(app.query_params)).encode(), *unpacked])


def _unpacked(file: bytes) -> Iterator[bytes]:
    yield file
    if zipfile.is_zipfile(io.BytesIO(file)):
        with zipfile.ZipFile(io.BytesIO(file)) as packed:
            yield from (packed.read(name) for name in packed.namelist())


def _letters(alias: str) -> bytes:
    """An alias without its first part, whose hyphen Markdown gets with a backslash."""
    return alias.partition("-")[2].encode()


def _places_in(sent: bytes) -> list[bytes]:
    """The places found, each with what stands around it."""
    return [sent[max(0, sent.find(place) - 40) : sent.find(place) + 40] for place in PLACES if place in sent]


#: What a page is opened with, so that it shows most.
ASKED = {"vehicle": {"vehicle": PLAIN.vehicles[0]}, "event": {"event": EVENT}}


@pytest.mark.usefixtures("sign_in")
@pytest.mark.parametrize("role", a_few([Role.PLANNER, Role.ANALYST, Role.ADMIN], 1))
def test_without_the_safety_role_no_driver_trip_or_place_is_sent(
    role: Role, store: Path, sent_files: list[bytes]
) -> None:
    one, app = Viewer("x", frozenset({role})), _opened(role)
    alias = aliases(store)
    for view in PAGES:
        sent_files.clear()
        _went(app, view, **ASKED.get(view, {}))
        assert not app.exception and not app.error, view
        sent = _sent(app, sent_files)
        assert SENTINEL.encode() not in sent, view
        assert TRIP.encode() not in sent and not _places_in(sent), (view, _places_in(sent))
        if view in ("event", "drivers") and one.may_open(view):
            assert any(_letters(alias(driver)) in sent for driver in DRIVERS), f"{view}: the alias stands in its place"


@pytest.mark.usefixtures("sign_in")
def test_the_safety_role_sees_drivers_and_places(sent_files: list[bytes]) -> None:
    """This is what shows that the sentinels would have been found."""
    app = _opened(Role.SAFETY)
    for view in ("drivers", "event"):
        sent = _sent(_went(app, view, **ASKED.get(view, {})), sent_files)
        assert not app.exception and SENTINEL.encode() in sent, view
    assert _places_in(sent), "the place of an event"


@pytest.mark.usefixtures("sign_in")
@pytest.mark.parametrize(("role", "view"), [(r, v) for r in Role for v in PAGES if r not in PAGES[v]])
def test_a_page_that_is_not_theirs_reads_nothing(role: Role, view: str, monkeypatch: pytest.MonkeyPatch) -> None:
    app = _opened(role)
    read: list[str] = []
    monkeypatch.setattr(source, "published", lambda *_: read.append("read"))
    monkeypatch.setattr("seat.veil", lambda *_: read.append("veil"))
    _went(app, view, driver=DRIVERS[0], file="x")
    assert not app.exception and not read
    assert [info.value.startswith(_REFUSED) for info in app.info] == [True]
    assert not app.dataframe and not app.text and not app.get("page_link")


@pytest.mark.usefixtures("sign_in")
@pytest.mark.parametrize("view", list(PAGES))
def test_each_page_checks_by_itself_who_asks(view: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Run without the router, as if its list of pages had been got round."""
    read: list[str] = []
    _opened(None)  # puts the pages' folder on the path
    monkeypatch.setattr(source, "published", lambda *_: read.append("read"))
    app = AppTest.from_file(str(ROOT / "dashboards" / "views" / f"{view}.py"), default_timeout=60)
    app.user = {"is_logged_in": False}
    app.run()
    assert not app.exception and not read
    assert [info.value.startswith(_REFUSED) for info in app.info] == [True]


@pytest.mark.usefixtures("sign_in")
@pytest.mark.parametrize("age_h", [None, 12.1])
def test_the_door_is_all_there_is_before_signing_in(age_h: float | None, sent_files: list[bytes]) -> None:
    app = _opened(None) if age_h is None else _opened(Role.SAFETY, age_h)
    assert [info.value for info in app.info] == [SIGN_IN_FIRST if age_h is None else TOO_LONG_AGO]
    assert [button.label for button in app.button] == ["Sign in"]
    sent = _sent(app, sent_files)
    assert not re.search("|".join([*PLAIN.vehicles, SENTINEL]).encode(), sent)


@pytest.mark.usefixtures("sign_in")
def test_somebody_without_a_role_is_told_so() -> None:
    app = AppTest.from_file(str(ROOT / "dashboards" / "app.py"), default_timeout=60)
    app.user = {"is_logged_in": True, "sub": "s", "iat": time.time(), "role": "cook"}
    app.run()
    assert [info.value for info in app.info] == [NO_ROLE]
    assert [button.label for button in app.button] == ["Sign out"]


@pytest.mark.usefixtures("sign_in")
def test_a_sign_in_file_that_was_spoilt_lets_nobody_in(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    file = tmp_path / "sign-in.toml"
    for spoil in (lambda: file.chmod(0o644), file.unlink):
        spoil()
        app = _opened(Role.ADMIN)
        assert [info.value for info in app.info] == [
            "The sign-in is not set up rightly, so that nobody can be let in. The server's log says why."
        ]
        assert not app.button
    assert "chmod 600" in caplog.text and "is gone" in caplog.text and "Zm9y" not in caplog.text


@pytest.mark.usefixtures("sign_in")
def test_a_sign_in_file_that_is_being_written_is_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Some programs empty a file before they write it: what it said holds so long, and no longer."""
    file = tmp_path / "sign-in.toml"
    assert not _opened(Role.ADMIN).info
    module = sys.modules["sign_in"]
    for spoil in (lambda: file.write_text("[au"), lambda: file.write_text("")):
        spoil()
        monkeypatch.setattr(module, "_WRITTEN_IN_S", 3_600.0)  # it was written a moment ago
        assert not _opened(Role.ADMIN).info
        monkeypatch.setattr(module, "_WRITTEN_IN_S", 0.0)  # it was not
        assert [info.value for info in _opened(Role.ADMIN).info] == [module._BROKEN]


@pytest.mark.usefixtures("sign_in")
def test_an_alias_opens_a_driver_and_an_id_does_not(store: Path, sent_files: list[bytes]) -> None:
    """Else an address would tell which alias belongs to an id."""
    alias = aliases(store)
    app = _opened(Role.ANALYST)
    _went(app, "drivers", driver=alias(DRIVERS[1]))
    assert not app.exception and _letters(alias(DRIVERS[1])) in _sent(app, sent_files)
    assert not [w.value for w in app.warning if "no such driver" in w.value]
    _went(app, "drivers", driver=DRIVERS[1])
    assert [w.value for w in app.warning if "no such driver" in w.value]
