"""Numbers by which recordings are summed up: when a vehicle counts as silent, a channel as lost, a distance as true.

They decide no event, so they are no part of a file's identity: changing one makes no file be read again.
"""

from dataclasses import dataclass

from fleetbrake.core.work_criteria import criterion


@dataclass(frozen=True)
class RecordCriteria:
    """Thresholds with unit and source; the status words are those of ``core.criteria``."""

    rhythm_gaps: float = criterion(
        60, "1", "own choice: a quarter of working days; older gaps tell of another time's work"
    )
    rhythm_least_gaps: float = criterion(
        5, "1", "own choice: under a week of recorded days there is no rhythm to speak of"
    )
    rhythm_share: float = criterion(
        0.9, "1", "own choice: the weekend of who drives on five days is in it, one holiday is not"
    )
    silent_usual_gaps: float = criterion(
        2.0, "1", "own choice: a holiday beside a weekend is twice the weekend; longer is a reason to ask"
    )
    silent_least_days: float = criterion(4, "day", "own choice: a long weekend of who drives every day")
    silent_no_rhythm_days: float = criterion(
        14, "day", "own choice: two weeks, as long as a plan of inspections, where no rhythm is known"
    )
    newest_files: float = criterion(
        5, "1", "own choice: five in a row without a channel that four in five had is chance once in 3,000"
    )
    lost_earlier_share: float = criterion(0.8, "1", "own choice: see newest_files")
    rejects_newest_days: float = criterion(
        7, "day", "own choice: a week of nights, so that a fault stays told until somebody is back from a holiday"
    )
    rejects_least: float = criterion(3, "1", "own choice: one or two bad files are no pattern, and are told by name")
    rejects_chance: float = criterion(
        0.001, "1", "own choice: a false alarm in three years of nights, over all folders together"
    )
    rejects_prior_files: float = criterion(
        20, "1", "own choice: a folder counts as usual as the whole until it has some weeks of files of its own"
    )
    gone_newest_days: float = criterion(3, "day", "own choice: an update is told after a weekend, not after a month")
    gone_before_days: float = criterion(60, "day", "own choice: two months tell what a category usually records")
    gone_least_vehicles: float = criterion(3, "1", "own choice: fewer are told one by one, see newest_files")
    gone_still_share: float = criterion(0.1, "1", "own choice: a tenth of the vehicles may not have the update yet")
    trip_most_km: float = criterion(
        5000.0, "km", "own choice: days of driving without a stop; longer is a slip of the register"
    )


DEFAULT_RECORDS = RecordCriteria()
