"""The parts of a mapping file: where the values of one contract column come from, and what cannot be one."""

import math
from collections.abc import Iterable
from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, field_validator, model_validator

from fleetbrake.recordings import contract
from fleetbrake.recordings.conversion import UnitProblem, linear

Scalar = bool | int | float | str

#: Years in which a count of time may begin: those of the common epochs.
START_YEARS = (1600, 2200)

#: Longest name of a source column; own choice, so that sentences that name it can be read.
LONGEST_NAME = 300

_TRUTHS = {"true": True, "yes": True, "1": True, "false": False, "no": False, "0": False}


def truth(value: Scalar | None) -> bool | None:
    """The meaning of true, false, 1, 0, yes or no, whatever its case; None for anything else."""
    word = str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)
    return _TRUTHS.get(word.strip().lower())


def as_list(value: Any) -> Any:
    """``"v"``, ``{...}`` or a list of either -> a list."""
    return value if isinstance(value, list | tuple) else [value]


Names = Annotated[tuple[str, ...], BeforeValidator(as_list)]


class Strict(BaseModel):
    """A table of a mapping file: no other keys, never changed."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Signal(Strict):
    """Numbers out of one source column: names, codes to leave out, scale and unit."""

    source: Names = ()
    unit: str | None = None
    factor: float = 1.0
    offset: float = 0.0
    null_values: tuple[Scalar, ...] = ()
    null_from: float | None = None  # raw values from here up are codes, not measurements

    @field_validator("source")
    @classmethod
    def _has_a_name(cls, names: tuple[str, ...]) -> tuple[str, ...]:
        if any(not name.strip() for name in names):
            raise ValueError("a source without a name")
        if any(len(name) > LONGEST_NAME for name in names):
            raise ValueError(f"a source's name of more than {LONGEST_NAME} letters")
        return names

    @model_validator(mode="after")
    def _numbers_can_be_reckoned_with(self) -> "Signal":
        if not math.isfinite(self.factor) or self.factor == 0.0:
            raise ValueError(f"factor {self.factor:g} must be a finite number other than 0")
        if not math.isfinite(self.offset):
            raise ValueError(f"offset {self.offset:g} must be a finite number")
        if _too_long(self.null_values):
            raise ValueError("null_values holds a number that is too long")
        return self


class Entry(Signal):
    """One way to fill one contract column."""

    constant: Scalar | None = None
    start: datetime | None = None
    rolling_radius_m: float | None = Field(default=None, gt=0.0, lt=2.0)
    relative_to: Signal | None = None
    saturates_at: float | None = Field(default=None, gt=0.0)
    true_values: tuple[Scalar, ...] = ()
    take: Literal["first", "lowest"] = "first"  # of the sources present

    @field_validator("relative_to", mode="before")
    @classmethod
    def _name_is_signal(cls, value: Any) -> Any:
        return {"source": value} if isinstance(value, str | list) else value

    @field_validator("start")
    @classmethod
    def _start_is_near(cls, value: datetime | None) -> datetime | None:
        # before any zone is reckoned with, which would leave the calendar at its ends
        if value is not None and not START_YEARS[0] <= value.year < START_YEARS[1]:
            raise ValueError(f"start must lie between the years {START_YEARS[0]} and {START_YEARS[1]}")
        return value

    @model_validator(mode="after")
    def _one_origin(self) -> "Entry":
        if bool(self.source) == (self.constant is not None):
            raise ValueError("give either source or constant")
        if self.saturates_at is not None and self.relative_to is None:
            raise ValueError("saturates_at needs relative_to")
        if self.relative_to is not None and not self.relative_to.source:
            raise ValueError("relative_to needs a source")
        if _too_long(self.true_values):
            raise ValueError("true_values holds a number that is too long")
        return self


def _too_long(values: Iterable[Scalar | None]) -> bool:
    """Whether there is a whole number that no float can hold."""
    return any(isinstance(value, int) and abs(value) > 10**300 for value in values)


def misfit(column: contract.ContractColumn, entry: Entry, radius: float | None) -> str | None:
    """Why this entry cannot fill this column, as a clause, or None. ``radius`` is for angular wheel speeds, in m."""
    if column.kind == "time":
        return _time_misfit(entry)
    rules = (
        (
            column.name == "event_id" and entry.constant is not None,
            "an event id cannot be the same for every recording; leave the column out for a continuous drive",
        ),
        (entry.start is not None, "start is for timestamp only"),
        (
            entry.relative_to is not None and column.name not in contract.WHEEL_SPEED_NAMES,
            "relative_to is for wheel speeds only",
        ),
        (bool(entry.true_values) and column.kind != "bool", "true_values is for yes/no columns only"),
        (
            column.kind == "text" and (entry.unit is not None or entry.factor != 1.0 or entry.offset != 0.0),
            "a text column has no unit, factor or offset",
        ),
        (
            column.kind == "text" and entry.constant is not None and not str(entry.constant).strip(),
            "the constant is empty",
        ),
        (
            column.kind == "bool" and entry.constant is not None and truth(entry.constant) is None,
            f"constant {str(entry.constant)[:40]!r} must be true or false",
        ),
    )
    broken = next((text for breaks, text in rules if breaks), None)
    return _float_misfit(column, entry, radius) if broken is None and column.kind == "float" else broken


def _time_misfit(entry: Entry) -> str | None:
    if entry.constant is not None:
        return "a time cannot be a constant; give source and start"
    if entry.start is None and (entry.factor != 1.0 or entry.offset != 0.0):
        return "factor and offset are for seconds from a start; give start too"
    if entry.unit is None:
        return None
    try:
        linear(entry.unit, "s")
    except UnitProblem as problem:
        return str(problem)
    return None


def _float_misfit(column: contract.ContractColumn, entry: Entry, radius: float | None) -> str | None:
    if isinstance(entry.constant, str | bool):
        return f"constant {str(entry.constant)[:40]!r} must be a number"
    if entry.constant is not None and (_too_long([entry.constant]) or not math.isfinite(entry.constant)):
        return "the constant must be a finite number"
    try:
        if entry.unit is not None:
            linear(entry.unit, column.unit, radius)
        if entry.relative_to is not None and entry.relative_to.unit is not None:
            linear(entry.relative_to.unit, column.unit, radius)
    except UnitProblem as problem:
        return str(problem)
    return None
