"""The one TOML file of both jobs: read, and refused with every problem at once. See ``data_samples/fleet.toml``.

Paths are relative to the file, ``~`` is the home folder of whoever runs the job. Variables of the environment are not
looked at, so that a file means the same wherever it is read; secrets of an object store do not belong into it at all.
"""

import re
import tomllib
from pathlib import Path
from typing import Annotated, Any, Final, Literal
from urllib.parse import urlsplit

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, ValidationInfo

from fleetbrake.cluster.machines import Machines, checked_handover
from fleetbrake.core.errors import InputError
from fleetbrake.core.secret_options import has_secret
from fleetbrake.recordings.mapping import shipped_names
from fleetbrake.recordings.remote import scheme_of
from fleetbrake.recordings.sources import source_of
from fleetbrake.recordings.story import printable
from fleetbrake.reports.measures import METRIC, US, Measures
from fleetbrake.store.ageing.retention import RetentionPolicy

#: Kinds of addresses that the month may go to, as the object stores' own tools write them.
SCHEMES: Final = ("s3", "gs", "abfs", "abfss", "file")
#: In [retention]: keep for good. TOML has no word for "none".
KEEP: Final = "keep"
_ADDRESS: Final = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*://")

_WORDS: Final = {"missing": "is missing", "extra_forbidden": "is no key of this version"}

#: A month of seconds at most: a longer wait is a slip of the pen.
Seconds = Annotated[float, Field(ge=0, le=31 * 86400)]
#: A hundred years at most.
Days = Annotated[int, Field(ge=1, le=36600)]


def _beside_the_file(value: Any, info: ValidationInfo) -> Path:
    """A path, relative to the folder of the configuration."""
    if not isinstance(value, str) or not value.strip() or "\0" in value:
        raise ValueError("must be the path of a file or folder, in quotes")
    folder: Path = (info.context or {})["folder"]
    try:
        return folder / Path(value).expanduser()
    except RuntimeError as error:
        raise ValueError("names a home folder that is not known") from error


def _mapping(value: Any, info: ValidationInfo) -> str:
    """A mapping that comes with the package by its name, else a file."""
    if isinstance(value, str) and value.removesuffix(".toml") in shipped_names() and "/" not in value:
        return value
    return str(_beside_the_file(value, info))


def _goal(value: Any, info: ValidationInfo) -> str | Path:
    """A folder, or the address of an object store."""
    if not isinstance(value, str) or not _ADDRESS.match(value):
        return _beside_the_file(value, info)
    try:
        parts = urlsplit(value)
    except ValueError as error:
        raise ValueError("is no address") from error
    if parts.scheme not in SCHEMES:
        raise ValueError(f"must be a folder or an address that begins with {', '.join(s + '://' for s in SCHEMES)}")
    if parts.password is not None or (parts.username and not parts.scheme.startswith("abfs")):
        raise ValueError("has a name or password in it: these come from the environment, see the manual")
    if has_secret(parts.query):
        raise ValueError("has a key or password among its options: these come from the environment, see the manual")
    if not (parts.path if parts.scheme == "file" else parts.netloc):
        raise ValueError("names no place after ://")
    return value


def _kept_for_good(value: Any) -> Any:
    """``"keep"`` as months is what the rules call None."""
    if not isinstance(value, dict):
        return value
    return {key: None if one == KEEP and key.endswith("_months") else one for key, one in value.items()}


def _recordings(value: Any, info: ValidationInfo) -> str | Path:
    """A folder or file, or an address that recordings are read from."""
    if not isinstance(value, str) or scheme_of(value) is None:
        return _beside_the_file(value, info)
    try:
        source = source_of(value)
    except InputError as error:
        raise ValueError("is no address of recordings: s3://bucket/path, gs://bucket/path, file:///folder") from error
    return source.place or source.address


def _scheduler(value: Any) -> str:
    """The address of a cluster's scheduler."""
    try:
        return Machines(str(value)).scheduler
    except InputError as error:
        raise ValueError("is written like tcp://host:8786") from error


def _handover(value: Any) -> str:
    """The address over which rows come."""
    try:
        return checked_handover(str(value))
    except InputError as error:
        raise ValueError("is no address for rows: s3://bucket/path, gs://bucket/path, file:///folder") from error


FilePath = Annotated[Path, BeforeValidator(_beside_the_file)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class StorePart(_Part):
    """Where the store is."""

    folder: FilePath


class RecordingsPart(_Part):
    """What comes in."""

    folders: list[Annotated[str | Path, BeforeValidator(_recordings)]] = Field(min_length=1)
    registers: FilePath | None = None
    mapping: Annotated[str, BeforeValidator(_mapping)] | None = None


class NightPart(_Part):
    """How the night is run. An hour of waiting is own choice: longer than any run by hand of a usual fleet."""

    wait_s: Seconds = 3600.0
    all_history: bool = False
    check_bytes: bool = False


class ClusterPart(_Part):
    """Other machines that read the recordings."""

    scheduler: Annotated[str, BeforeValidator(_scheduler)]
    handover: Annotated[str, BeforeValidator(_handover)] | None = None

    @property
    def machines(self) -> Machines:
        """The machines."""
        return Machines(self.scheduler, self.handover)


class MonthPart(_Part):
    """Where the month goes, and what is in it."""

    out: Annotated[str | Path, BeforeValidator(_goal)]
    units: Literal["metric", "us"] = "metric"
    with_driver_names: bool = False
    vehicle_sheets: bool = False
    wait_s: Seconds = 3600.0
    attempts: int = Field(3, ge=1, le=20)

    @property
    def measures(self) -> Measures:
        """The units in which the report is read."""
        return US if self.units == "us" else METRIC


class LogsPart(_Part):
    """Logs: a file a day. Three months are own choice: a fault that comes with the month shows three times."""

    folder: FilePath | None = None
    keep_days: Days = 90
    level: Literal["debug", "info", "warning", "error"] = "info"


class HeartbeatPart(_Part):
    """The file that says that a run lives. 5 s are own choice: seldom beside a fleet's work, soon for a person."""

    folder: FilePath | None = None
    every_s: Annotated[float, Field(ge=0.1, le=3600)] = 5.0


class HistoryPart(_Part):
    """The history of runs. 400 days are own choice: a year of nights and what is needed to compare with it."""

    keep_days: Days = 400


class Config(_Part):
    """The whole file."""

    store: StorePart
    recordings: RecordingsPart | None = None
    night: NightPart = NightPart()
    cluster: ClusterPart | None = None
    month: MonthPart | None = None
    retention: Annotated[RetentionPolicy | None, BeforeValidator(_kept_for_good)] = None
    logs: LogsPart = LogsPart()
    heartbeat: HeartbeatPart = HeartbeatPart()
    history: HistoryPart = HistoryPart()

    @property
    def log_folder(self) -> Path:
        """Where logs go."""
        return self.logs.folder or self.store.folder / "logs"

    @property
    def heartbeat_folder(self) -> Path:
        """Where the heartbeat files are."""
        return self.heartbeat.folder or self.store.folder


class ConfigError(InputError):
    """A configuration that cannot be used; ``problems`` has a sentence for each thing that is wrong."""

    def __init__(self, path: Path, problems: list[str]) -> None:
        super().__init__(f"{printable(str(path))}: this configuration cannot be used: {'; '.join(problems)}.")
        self.problems = problems


def read_config(path: Path, part: Literal["recordings", "month"]) -> Config:
    """The checked content of a configuration; ``part`` is what the job cannot do without.

    Raises
    ------
    ConfigError
        The file cannot be used; every problem is named by its key, and no value of the file is quoted.
    """
    try:
        told = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ConfigError(path, [f"it cannot be read ({error.strerror or error})"]) from error
    except UnicodeDecodeError as error:
        raise ConfigError(path, ["it is not UTF-8 text"]) from error
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(path, [f"it is no TOML ({error})"]) from error
    missing = [] if part in told else [f"[{part}] is missing"]
    try:
        config = Config.model_validate(told, context={"folder": path.resolve().parent})
    except ValidationError as error:
        raise ConfigError(path, missing + [_problem(item) for item in error.errors(include_input=False)]) from error
    if missing:
        raise ConfigError(path, missing)
    return config


def _problem(item: Any) -> str:
    """One problem by its key; pydantic's own words only where they quote nothing."""
    part, *keys = (str(one) for one in item["loc"])
    name = f"[{part}]" + (f" {'.'.join(keys)}" if keys else "")
    said = _WORDS.get(item["type"]) or str(item["msg"]).removeprefix("Value error, ").removeprefix("Input ")
    return printable(f"{name} {said[0].lower()}{said[1:]}")
