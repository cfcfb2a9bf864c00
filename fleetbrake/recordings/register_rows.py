"""What one row of each register may hold (Pydantic models; field names are those of ``core.tables.REGISTERS``)."""

from collections.abc import Callable
from datetime import UTC, date, datetime
from typing import Annotated, Any, TypeVar

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from fleetbrake.core import vocabulary

#: A day outside these is a slip of the pen or a filler, and no arithmetic of days may leave the calendar.
YEARS = (1900, 2200)

AnyDay = TypeVar("AnyDay", bound=date)

WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_LONG_WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")


def _one_of(allowed: tuple[str, ...]) -> AfterValidator:
    def check(value: str) -> str:
        if value not in allowed:
            raise ValueError(f"must be one of {', '.join(allowed)}")
        return value

    return AfterValidator(check)


def _several_of(allowed: tuple[str, ...]) -> AfterValidator:
    """Words with ``+`` between, each one of ``allowed``."""

    def check(value: str) -> str:
        words = [word.strip() for word in value.split("+")]
        if any(word not in allowed for word in words):
            raise ValueError(f"must be {', '.join(allowed)}, several with + between")
        return "+".join(words)

    return AfterValidator(check)


def _text(value: Any) -> Any:
    """Identifiers may be whole numbers in a file; inside they are text."""
    return str(value) if isinstance(value, int) and not isinstance(value, bool) else value


def _weekday(value: Any) -> Any:
    """Mon to Sun, Monday to Sunday or 1 to 7 (1 is Monday), as ``Mon`` ... ``Sun``."""
    if value is None:
        return None
    word = str(value).strip().lower().removesuffix(".0")
    if word.isdecimal() and 1 <= int(word) <= 7:
        return WEEKDAYS[int(word) - 1]
    for short, long in zip(WEEKDAYS, _LONG_WEEKDAYS, strict=True):
        if word in (short.lower(), long):
            return short
    raise ValueError("must be a weekday (Mon to Sun) or 1 to 7, 1 for Monday")


def _flag(value: Any) -> Any:
    """Yes and no as people write them in a table."""
    return value.lower() if isinstance(value, str) else value


def _in_our_time(day: AnyDay) -> AnyDay:
    if not YEARS[0] <= day.year < YEARS[1]:
        raise ValueError(f"must lie between the years {YEARS[0]} and {YEARS[1]}")
    return day


def _iso_day(value: Any) -> date:
    """A date in ISO form, or a moment at midnight; numbers are no dates here."""
    moment = value
    if isinstance(value, str):
        try:
            moment = datetime.fromisoformat(value)
        except ValueError:
            moment = None
    if isinstance(moment, datetime):
        moment = moment.date()
    if isinstance(moment, date):
        return _in_our_time(moment)
    raise ValueError("must be a date such as 2026-01-31")


def _utc(value: Any) -> datetime:
    """A moment in ISO form as UTC; without a zone it is UTC."""
    moment = value
    if isinstance(value, str):
        try:
            moment = datetime.fromisoformat(value)
        except ValueError:
            moment = None
    if not isinstance(moment, datetime):
        raise ValueError("must be a time such as 2026-01-31T08:00:00Z")
    _in_our_time(moment)  # before any zone is reckoned with, which would leave the calendar at its ends
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


def _optional(parse: Callable[[Any], Any]) -> BeforeValidator:
    """The parser for a cell that may be empty."""
    return BeforeValidator(lambda value: None if value is None else parse(value))


Text = Annotated[str, BeforeValidator(_text)]
Flag = Annotated[bool, BeforeValidator(_flag)]
Day = Annotated[date, _optional(_iso_day)]
Moment = Annotated[datetime, _optional(_utc)]
#: Upper ends are far beyond any road vehicle; they catch a wrong unit or a filler such as 1e308.
Kilometres = Annotated[float, Field(ge=0.0, le=1e7, allow_inf_nan=False)]
Kilograms = Annotated[float, Field(ge=0.0, le=1e6, allow_inf_nan=False)]
Newtons = Annotated[float, Field(ge=0.0, le=1e7, allow_inf_nan=False)]
Speed = Annotated[float, Field(ge=0.0, le=120.0, allow_inf_nan=False)]
Wheel = Annotated[str, BeforeValidator(lambda value: value.upper() if isinstance(value, str) else value)]
OneWheel = Annotated[Wheel, _one_of(vocabulary.WHEELS)]
Hours = Annotated[float, Field(ge=0.0, le=10_000.0, allow_inf_nan=False)]
Severity = Annotated[int, Field(ge=0, le=3)]


class RegisterRow(BaseModel):
    """Base of all rows: unknown columns are ignored."""

    model_config = ConfigDict(extra="ignore")


class Vehicle(RegisterRow):
    """One vehicle or trailer."""

    vehicle_id: Text
    category: Annotated[str, _one_of(vocabulary.CATEGORIES)] | None = None
    axles: Annotated[int, Field(ge=1, le=20)] | None = None
    actuation: Annotated[str, _one_of(vocabulary.ACTUATIONS)] | None = None
    max_mass_kg: Annotated[float, Field(gt=0.0, le=1e6, allow_inf_nan=False)] | None = None
    depot: Text | None = None
    in_service_on: Day | None = None
    odometer_km: Kilometres | None = None
    last_inspection_on: Day | None = None
    inspection_due_on: Day | None = None
    abs_fitted: Flag | None = None
    abs_cutoff_speed_mps: Speed | None = None
    brake_control: Annotated[str, _one_of(vocabulary.BRAKE_CONTROLS)] | None = None
    endurance_brake: Annotated[str, _several_of(vocabulary.ENDURANCE_BRAKES)] | None = None
    sensed_wheels: Annotated[Wheel, _several_of(vocabulary.WHEELS)] | None = None
    lift_axles: Text | None = None
    twin_tyres: Text | None = None
    roller_tested_on: Day | None = None


class Driver(RegisterRow):
    """One driver."""

    driver_id: Text
    depot: Text | None = None


class Trip(RegisterRow):
    """One trip of a vehicle with a driver."""

    trip_id: Text
    vehicle_id: Text
    driver_id: Text | None = None
    started_at: Moment
    ended_at: Moment
    distance_km: Kilometres | None = None
    brake_applications: Annotated[int, Field(ge=0, le=10**9)] | None = None
    trailer_ids: Text | None = None

    @model_validator(mode="after")
    def _ends_after_start(self) -> "Trip":
        if self.ended_at < self.started_at:
            raise ValueError("ended_at is before started_at")
        return self


class Capacity(RegisterRow):
    """Bay hours of a depot on a date, or on every such weekday."""

    depot: Text
    date: Day | None = None
    weekday: Annotated[str | None, BeforeValidator(_weekday)] = None
    bay_hours: Hours
    roller_hours: Hours | None = None
    inspector_hours: Hours | None = None
    min_on_road: Annotated[int, Field(ge=0, le=10**6)] | None = None

    @model_validator(mode="after")
    def _one_day(self) -> "Capacity":
        if (self.date is None) == (self.weekday is None):
            raise ValueError("give either date or weekday")
        return self


class DueDate(RegisterRow):
    """One statutory date of a vehicle; a vehicle may have several kinds of inspection."""

    vehicle_id: Text
    kind: Text
    due_on: Day
    bay_hours: Annotated[float, Field(gt=0.0, le=100.0, allow_inf_nan=False)] | None = None


class Inspection(RegisterRow):
    """One finding of an inspection."""

    inspection_id: Text
    vehicle_id: Text
    inspected_on: Day
    wheel: OneWheel | None = None
    finding: Annotated[str, _one_of(vocabulary.FINDINGS)]
    severity: Severity | None = None
    note: Text | None = None


class BrakeTest(RegisterRow):
    """One wheel on a brake tester."""

    vehicle_id: Text
    tested_on: Day
    method: Annotated[str, _one_of(vocabulary.TEST_METHODS)]
    wheel: OneWheel | None = None
    axle_load_kg: Kilograms | None = None
    max_force_n: Newtons | None = None
    locked: Flag | None = None
    residual_drag_n: Newtons | None = None


class Repair(RegisterRow):
    """One repair."""

    vehicle_id: Text
    repaired_on: Day
    wheel: OneWheel | None = None
    work: Annotated[str, _one_of(vocabulary.REPAIR_WORK)]
    note: Text | None = None


class DefectReport(RegisterRow):
    """What a driver reported."""

    vehicle_id: Text
    reported_at: Moment
    text: Text | None = None
    severity: Severity | None = None
    cleared_at: Moment | None = None


MODELS: dict[str, type[RegisterRow]] = {
    "vehicles": Vehicle,
    "drivers": Driver,
    "trips": Trip,
    "capacity": Capacity,
    "due_dates": DueDate,
    "inspections": Inspection,
    "brake_tests": BrakeTest,
    "repairs": Repair,
    "defect_reports": DefectReport,
}
