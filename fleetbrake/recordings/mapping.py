"""Mapping files (TOML): where each contract column comes from in a recording with other names or units.

::

    speed_source = "gnss"            # optional: gnss, wheel, driveline, tachograph
    reads_zero_below_mps = 0.5       # optional: wheel sensors read zero below this
    rolling_radius_m = 0.3459        # optional: for wheel speeds in rad/s

    [columns]
    vehicle_id = { constant = "car-1" }
    timestamp = { source = "t_s", unit = "s", start = "2026-01-05T08:00:00Z" }
    speed_mps = { source = ["v_kmh", "speed_kmh"], unit = "km/h" }   # the first present is used
    brake_switch = { source = "lamp", true_values = [1], null_values = [2, 3] }

A value is ``source * factor + offset`` in ``unit``, then converted. A column may have several entries
(``[[columns.NAME]]``): the first whose source is in the file is used. Columns not named are not read.

``null_values`` are codes that are no values, ``null_from`` the least of a whole range of them; ``take = "lowest"`` uses
the lowest of all sources present. A wheel speed given as a difference has ``relative_to`` (a source column, a contract
column, or ``{ source = ..., factor = ... }`` where it has a scale of its own) and, where it ends, ``saturates_at`` in
``unit``: at the low end the wheel's speed is then an upper bound, at the high end it is not known.
"""

import hashlib
import json
import tomllib
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, Field, ValidationError, field_validator, model_validator

from fleetbrake.core.errors import InputError
from fleetbrake.recordings import contract
from fleetbrake.recordings.entries import Entry, Signal, Strict, as_list, misfit
from fleetbrake.recordings.paths import text_path
from fleetbrake.recordings.story import printable

SpeedSource = Literal["gnss", "wheel", "driveline", "tachograph"]


def _as_entries(value: Any) -> Any:
    """``"v"`` is short for ``{source = "v"}``."""
    return [{"source": item} if isinstance(item, str) else item for item in as_list(value)]


class Mapping(Strict):
    """All entries of one mapping file. ``columns`` maps contract names to entries, best first."""

    columns: dict[str, Annotated[tuple[Entry, ...], BeforeValidator(_as_entries)]]
    speed_source: SpeedSource | None = None
    reads_zero_below_mps: float = Field(default=0.0, ge=0.0, lt=10.0)
    rolling_radius_m: float | None = Field(default=None, gt=0.0, lt=2.0)
    loose_names: bool = False  # source names match whatever their case, spaces and punctuation

    def fingerprint(self) -> str:
        """Sixteen hex digits that change when anything in the mapping changes."""
        text = json.dumps(self.model_dump(mode="json"), sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:16]

    def radius_of(self, entry: Entry) -> float | None:
        """Rolling radius for an angular wheel speed: the entry's own, else the common one."""
        return entry.rolling_radius_m or self.rolling_radius_m

    def _chained(self, entry: Entry) -> str | None:
        """Why a difference has no firm ground, or None."""
        for name in entry.relative_to.source if entry.relative_to else ():
            if any(other.relative_to is not None for other in self.columns.get(name, ())):
                return f"relative_to names {name}, which is a difference itself"
        return None

    @field_validator("columns")
    @classmethod
    def _known_columns(cls, columns: dict[str, Any]) -> dict[str, Any]:
        strange = sorted(set(columns) - set(contract.BY_NAME))
        if strange:
            raise ValueError(f"unknown column {', '.join(strange)} (allowed: {contract.short_list()})")
        if not columns:
            raise ValueError("no column is mapped")
        return columns

    @model_validator(mode="after")
    def _entries_fit_their_columns(self) -> "Mapping":
        for name, entries in self.columns.items():
            if not entries:
                raise ValueError(f"columns.{name}: give either source or constant")
            for entry in entries:
                problem = misfit(contract.BY_NAME[name], entry, self.radius_of(entry)) or self._chained(entry)
                if problem:
                    raise ValueError(f"columns.{name}: {problem}")
        return self


@cache
def identity() -> Mapping:
    """The mapping of a recording that already has the contract's names and units."""
    return Mapping(columns={name: (Entry(source=(name,)),) for name in contract.BY_NAME})


def shipped_names() -> tuple[str, ...]:
    """Names of the mappings that come with the package."""
    folder = resources.files("fleetbrake.recordings") / "mappings"
    return tuple(sorted(item.name.removesuffix(".toml") for item in folder.iterdir() if item.name.endswith(".toml")))


def load_mapping(path_or_shipped_name: str) -> Mapping:
    """Read a mapping file, or one that comes with the package by its name (``j1939``, ``j1939_raw``).

    Raises
    ------
    InputError
        One sentence that names the file, every wrong key and the reason.
    """
    path = Path(path_or_shipped_name)
    name = path_or_shipped_name.removesuffix(".toml")
    if _is_file(path):
        content = _read(path)
    elif name in shipped_names():
        content = (resources.files("fleetbrake.recordings") / "mappings" / f"{name}.toml").read_bytes()
    else:
        raise InputError(
            f"mapping {_shown(path_or_shipped_name)}: no such file; mappings that come with the package: "
            f"{', '.join(shipped_names())}"
        )
    return parse_mapping(content, path_or_shipped_name)


def _shown(name: str) -> str:
    return printable(text_path(name)) if len(name) <= 300 else f"{printable(text_path(name[:300]))}..."


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except OSError:  # a name that no file can have
        return False


#: A mapping file has a few kilobytes; whatever is larger is something else (own choice).
_MOST_BYTES = 2**20


def _read(path: Path) -> bytes:
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise InputError(f"mapping {_shown(str(path))}: is larger than a mapping can be (1 MiB)")
        return path.read_bytes()
    except OSError as error:
        raise InputError(f"mapping {_shown(str(path))}: cannot be read ({error.strerror})") from error


def parse_mapping(content: bytes, name: str) -> Mapping:
    """Mapping from the bytes of a TOML file; ``name`` is for the error's sentence."""
    shown = f"mapping {_shown(name)}"
    try:
        data = tomllib.loads(content.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:  # also a number of thousands of digits, brackets by the thousand
        deep, foreign = isinstance(error, RecursionError), isinstance(error, UnicodeDecodeError)
        reason = "brackets lie too deep in one another" if deep else "it is not UTF-8 text" if foreign else str(error)
        raise InputError(printable(f"{shown}: is not TOML ({reason})")) from error
    try:
        return Mapping.model_validate(data)
    except ValidationError as error:
        raise InputError(printable(f"{shown}: {_sentence(error)}")) from error
    except RecursionError as error:
        raise InputError(f"{shown}: brackets lie too deep in one another") from error


def _sentence(error: ValidationError) -> str:
    return "; ".join(dict.fromkeys(_clause(dict(item)) for item in error.errors()))


def _clause(item: dict[str, Any]) -> str:
    """One Pydantic error as ``key: reason``."""
    place = [str(part) for part in item["loc"] if not isinstance(part, int)]
    key = ".".join(place)
    if item["type"] == "extra_forbidden":
        allowed: type[BaseModel] = Mapping if len(place) == 1 else Signal if "relative_to" in place else Entry
        return f"{key}: unknown key (allowed: {', '.join(allowed.model_fields)})"
    reason = (
        str(item["ctx"]["error"])
        if item["type"] == "value_error"
        else f"{item['msg']}, found {str(item['input'])[:60]!r}"
    )
    return f"{key}: {reason}" if key and not reason.startswith("columns.") else reason
