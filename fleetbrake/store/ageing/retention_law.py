"""Periods that rules of law ask for at least, as far as this project knows them: a shorter one is warned of."""

from dataclasses import dataclass
from typing import Final

from fleetbrake.store.ageing.retention import RetentionPolicy


@dataclass(frozen=True)
class LeastPeriod:
    """The least period of a register in months, and where it comes from."""

    register: str
    months: int
    source: str


#: 49 CFR 396.3(c): a year where the vehicle is housed, and six months after it leaves the carrier's control; 396.11:
#: three months; 396.21: 14 months. All verified (secondary): csa.fmcsa.dot.gov safety planner on 396.3 and the record
#: keeping page of the Oregon Department of Transportation on all three.
LEAST_PERIODS: Final = (
    LeastPeriod("inspections", 14, "49 CFR 396.21 asks for 14 months of periodic inspections"),
    LeastPeriod("brake_tests", 12, "49 CFR 396.3 asks for a year of maintenance records"),
    LeastPeriod("repairs", 12, "49 CFR 396.3 asks for a year of maintenance records"),
    LeastPeriod("defect_reports", 3, "49 CFR 396.11 asks for three months of drivers' reports"),
)


def law_warnings(rules: RetentionPolicy) -> list[str]:
    """A sentence for each period that is shorter than those; local law may ask for more, or less."""
    told = []
    for least in LEAST_PERIODS:
        months = rules.months_of(least.register)
        if months is not None and months < least.months:
            what = least.register.replace("_", " ").capitalize()
            kept = "1 month" if months == 1 else f"{months} months"
            told.append(f"{what} are kept for {kept} only: {least.source}; other law may differ.")
    return told
