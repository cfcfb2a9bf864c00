"""From the rows of whole events to an :class:`EventBatch`: identifiers, times, channels, checks."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from fleetbrake.core.errors import InputError
from fleetbrake.core.vocabulary import BRAKE_SOURCES, WHEELS
from fleetbrake.recordings import validation
from fleetbrake.recordings.batch import CHANNELS, EventBatch, Floats, Ints
from fleetbrake.recordings.columns import Bools, floats, microseconds, text_codes, truths
from fleetbrake.recordings.contract import BY_NAME, WHEEL_PRESSURES, WHEEL_SPEEDS
from fleetbrake.recordings.impossible_ids import impossible, reject_impossible
from fleetbrake.recordings.layout import Layout
from fleetbrake.recordings.long_drives import LongDrive
from fleetbrake.recordings.plan import Group
from fleetbrake.recordings.story import FileStory, printable, shown_id

Words = npt.NDArray[np.object_]

#: Sentences about single events that one file's story keeps; the rest is counted.
MOST_REASONS = 20
_FRACTIONS = "never exceeds 1: are these fractions, not %? Use a mapping with factor 100"


@dataclass(frozen=True)
class _Kept:
    """The samples and events of one group that stand."""

    keep: Bools | None  # (rows,); None for all
    good: Bools  # (events,)
    offsets: Ints  # of the good events, in the kept samples
    time_us: Ints

    def of(self, rows: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """Of an array over all rows, the last axis, those that are kept."""
        return rows if self.keep is None else rows[..., self.keep]


@dataclass
class Assembler:
    """Turns the groups of one file into batches and keeps count for the file's story."""

    layout: Layout
    story: FileStory
    vehicle_id: str | None
    continuous: bool
    speed_source: str | None
    wheel_floor_mps: float
    _untold: int = 0
    _implausible: dict[str, int] = field(default_factory=dict)
    _plausible: set[str] = field(default_factory=set)
    _ratios: dict[str, float] = field(default_factory=dict)
    _in_percent: bool = False
    _strange_words: dict[str, set[str]] = field(default_factory=dict)

    def batch(self, group: Group, table: pa.Table, drive: LongDrive | None = None) -> EventBatch | None:
        """The batch of one group's rows, or None if no event of it stands; ``drive`` if it is a portion of one."""
        findings = validation.Findings(len(group.keys))
        self._check_keys(group, findings)
        vehicles = self._vehicles(group, table, findings)
        time_us, valid = microseconds(self.layout.filled["timestamp"], table)
        if drive is not None:
            kept = self._kept_of(drive, group, time_us, valid, findings)
            return None if kept is None else self._assemble(group, table, kept, vehicles, findings, drive)
        kept = None if findings.rejected else _all_kept(group, time_us, valid)
        if kept is None:
            kept = _some_kept(group, time_us, valid, findings)
            self._tell_rejected(group, vehicles, findings)
        return self._assemble(group, table, kept, vehicles, findings) if kept.good.any() else None

    def reject(self, group: Group, reason: str) -> None:
        """Tell of a group whose rows are not even read."""
        findings = validation.Findings(len(group.keys))
        findings.reject(np.arange(len(group.keys)), reason)
        self._tell_rejected(group, self._drives(group), findings)

    def wrong_key(self, group: Group) -> str | None:
        """What is wrong with the vehicle of a drive, before its rows are read."""
        findings = validation.Findings(len(group.keys))
        self._check_keys(group, findings)
        drives = self._drives(group)
        findings.reject(np.flatnonzero(pd.isna(drives)), "no vehicle_id")
        reject_impossible("vehicle_id", drives, findings)
        return findings.rejected.get(0)

    def begin_drive(self, drive: LongDrive) -> None:
        """Take over what only all rows of a long drive show, before its first portion."""
        if drive.pedal.highest > 1.0:
            self._in_percent = True
        elif not self._in_percent and drive.pedal.fractions():
            self.story.channels_left_out.append("brake_pedal_pct")
            self.story.tell(f"brake_pedal_pct {_FRACTIONS}; left out")

    def _kept_of(
        self, drive: LongDrive, group: Group, time_us: Ints, valid: Bools, findings: validation.Findings
    ) -> _Kept | None:
        """What is kept of a portion of a drive whose times stand; None if nothing. The notes are the drive's."""
        if drive.last_us is not None:
            valid = valid & (time_us > drive.last_us)  # the stamp at which the portion before ended may come again
        kept = _all_kept(group, time_us, valid) or _some_kept(group, time_us, valid, findings)
        if not kept.good.any():
            return None
        drive.last_us = int(kept.time_us[-1])
        findings.mended = {0: drive.times.notes()} if drive.times.notes() else {}
        findings.where = f" in rows {group.start} to {group.stop - 1}"
        return kept

    def finish(self) -> None:
        """Add to the story what only the whole file shows."""
        tell = self.story.tell
        if self._untold:
            tell(f"and {self._untold} more rejected")
        for name, count in self._implausible.items():
            if name in self.story.channels_left_out:
                continue
            span = validation.outside_text(BY_NAME[name])
            if name in self._plausible:
                tell(f"{name}: {count} values {span} left out")
            else:
                self.story.channels_left_out.append(name)
                tell(f"{name}: every value is {span}: is the unit right? Use a mapping file with unit")
        for name, words in self._strange_words.items():
            shown = ", ".join(shown_id(word) for word in sorted(words)[:5])
            tell(f"{name}: unknown words taken as not known: {shown}")

    # --- identifiers and rejections

    def _check_keys(self, group: Group, findings: validation.Findings) -> None:
        what = "vehicle" if self.continuous else "event"
        findings.reject(np.flatnonzero(group.apart), f"rows of this {what} do not stand together; sort the file by it")
        if not self.continuous:
            findings.reject(np.flatnonzero(pd.isna(group.keys)), "no event_id")
            reject_impossible("event_id", group.keys, findings)

    def _drives(self, group: Group) -> Words:
        """Vehicle of each drive, as far as it is known without reading its rows ``(E,)``; of events their ids."""
        keys = group.keys.copy()
        if self.continuous and self.vehicle_id is not None:
            keys[pd.isna(keys)] = self.vehicle_id
        return keys

    def _vehicles(self, group: Group, table: pa.Table, findings: validation.Findings) -> Words:
        """Vehicle of each event ``(E,)``; events without one or with several are rejected."""
        starts = group.starts - group.start
        if self.continuous and group.keyed:
            vehicles = group.keys.copy()
        elif "vehicle_id" in self.layout.filled:
            vehicles, several = _text_of_events(text_codes(self.layout.filled["vehicle_id"], table), starts)
            findings.reject(np.flatnonzero(several), "more than one vehicle_id")
        else:
            vehicles = np.full(len(starts), None, dtype=object)
        if self.vehicle_id is not None:
            vehicles[pd.isna(vehicles)] = self.vehicle_id
        findings.reject(np.flatnonzero(pd.isna(vehicles)), "no vehicle_id")
        reject_impossible("vehicle_id", vehicles, findings)
        return vehicles

    def _tell_rejected(self, group: Group, vehicles: Words, findings: validation.Findings) -> None:
        self.story.events_rejected += len(findings.rejected)
        for event, reason in sorted(findings.rejected.items()):
            if len(self.story.reasons) >= MOST_REASONS:
                self._untold += 1
                continue
            first, last = int(group.starts[event]), int(group.stops[event]) - 1
            name = _name(vehicles[event] if self.continuous else group.keys[event], self.continuous)
            self.story.tell(f"{name} (rows {first} to {last}) rejected: {reason}")

    # --- values

    def _assemble(
        self,
        group: Group,
        table: pa.Table,
        kept: _Kept,
        vehicles: Words,
        findings: validation.Findings,
        drive: LongDrive | None = None,
    ) -> EventBatch:
        values, saturated, wheels, speeds, pressures = self._values(table, kept)
        self._check_units(values)
        good_findings = _only_good(findings, kept.good)
        for name, array in values.items():
            self._blank(name, array, kept.offsets, good_findings)
        first_us = kept.time_us[kept.offsets[:-1]]
        drivers = self._drivers(table, kept, good_findings, drive)
        batch = EventBatch(
            offsets=kept.offsets,
            time_s=(kept.time_us - np.repeat(first_us, np.diff(kept.offsets))) / 1e6,
            start_us=first_us,
            event_id=np.full(len(first_us), None, dtype=object) if self.continuous else group.keys[kept.good],
            vehicle_id=vehicles[kept.good],
            driver_id=drivers,
            row_start=group.starts[kept.good],
            row_stop=group.stops[kept.good],
            channels={name: values[name] for name in CHANNELS if name in values},
            wheels=wheels,
            wheel_speed_mps=speeds,
            wheel_pressure_kpa=pressures,
            wheel_saturated=_stack_saturated(saturated, values, wheels),
            brake_source=self._brake_source(table, kept),
            road_unpaved=self._road_unpaved(table, kept),
            continuous=self.continuous,
            speed_source=self.speed_source,
            wheel_floor_mps=self.wheel_floor_mps,
            path=self.story.path,
            notes=good_findings.notes(),
            file_row=None if kept.keep is None else group.start + np.flatnonzero(kept.keep),
        )
        self._remember(batch, kept.time_us)
        return batch

    def _values(
        self, table: pa.Table, kept: _Kept
    ) -> tuple[dict[str, Floats], dict[str, Bools], tuple[str, ...], Floats, Floats]:
        """Numbers of every recorded float and yes/no column, kept samples only, and where they are upper bounds.

        Besides the wheels that have any, and their speeds and pressures ``(W, N)``, of which the wheels' values are
        the rows.
        """
        fillable = [item for item in self.layout.filled.values() if item.column.kind in ("float", "bool")]
        fillable = [item for item in fillable if item.column.name not in self.story.channels_left_out]
        names = {item.column.name for item in fillable}
        wheels = tuple(w for w in WHEELS if WHEEL_SPEEDS[w] in names or WHEEL_PRESSURES[w] in names)
        speeds, pressures = (np.full((len(wheels), len(kept.time_us)), np.nan) for _ in range(2))
        rows = {WHEEL_SPEEDS[wheel]: speeds[place] for place, wheel in enumerate(wheels)}
        rows |= {WHEEL_PRESSURES[wheel]: pressures[place] for place, wheel in enumerate(wheels)}
        whole: dict[str, Floats] = {}  # references of relative wheel speeds come first
        values: dict[str, Floats] = {}
        saturated: dict[str, Bools] = {}
        for item in sorted(fillable, key=lambda one: one.reference_column is not None and one.reference is None):
            name = item.column.name
            row = rows.get(name)
            if item.column.kind == "bool":
                whole[name], low = truths(item, table), None
            else:
                whole[name], low = floats(item, table, whole, row if kept.keep is None else None)
            if low is not None:
                saturated[name] = kept.of(low)
            values[name] = kept.of(whole[name])
            if row is not None and values[name] is not row:
                row[:] = values[name]
                values[name] = row
        return values, saturated, wheels, speeds, pressures

    def _blank(self, name: str, array: Floats, offsets: Ints, findings: validation.Findings) -> None:
        wrong, any_left = validation.blank_implausible(BY_NAME[name], array, offsets, findings)
        if wrong or name in self._implausible:
            self._implausible[name] = self._implausible.get(name, 0) + wrong
        if any_left:
            self._plausible.add(name)

    def _drivers(self, table: pa.Table, kept: _Kept, findings: validation.Findings, drive: LongDrive | None) -> Words:
        """Driver of each good event; None where several drove, so that the trips decide."""
        if "driver_id" not in self.layout.filled:
            return np.full(len(kept.offsets) - 1, None, dtype=object)
        codes, words = text_codes(self.layout.filled["driver_id"], table)
        drivers, several = _text_of_events((kept.of(codes), words), kept.offsets[:-1])
        if drive is not None:
            drivers[:], several[:] = min(drive.drivers, default=None), len(drive.drivers) > 1
        drivers[several] = None
        for event in np.flatnonzero(several):
            findings.mend(int(event), "more than one driver_id, none taken")
        for place, problem in impossible(drivers):  # who drove says nothing of the brakes: the event stays
            drivers[place] = None
            findings.mend(place, f"driver_id left out: it {problem}")
        return drivers

    def _brake_source(self, table: pa.Table, kept: _Kept) -> npt.NDArray[np.int8] | None:
        codes = self._coded_words(table, "brake_source", {word: i for i, word in enumerate(BRAKE_SOURCES)}, kept)
        if codes is None:
            return None
        return np.where(codes == -2, BRAKE_SOURCES.index("unknown"), codes).astype(np.int8)

    def _road_unpaved(self, table: pa.Table, kept: _Kept) -> Floats | None:
        codes = self._coded_words(table, "road_surface", {"paved": 0, "unpaved": 1}, kept)
        return None if codes is None else np.where(codes < 0, np.nan, codes.astype(np.float64))

    def _coded_words(self, table: pa.Table, name: str, known: dict[str, int], kept: _Kept) -> Ints | None:
        """A word column as the codes of ``known``; -1 nothing given, -2 an unknown word."""
        if name not in self.layout.filled:
            return None
        codes, words = text_codes(self.layout.filled[name], table)
        strange = {word for word in words if word.strip() and word.strip().lower() not in known}
        if strange:
            self._strange_words.setdefault(name, set()).update(strange)
        meaning = np.array([known.get(word.strip().lower(), -2) for word in words] + [-1], dtype=np.int64)
        return meaning[kept.of(codes)]

    # --- units

    def _check_units(self, values: dict[str, Floats]) -> None:
        pedal = values.get("brake_pedal_pct")
        if pedal is not None and not self._in_percent:
            self._check_pedal(pedal, values)
        speed = values.get("speed_mps")
        fresh = [w for w, name in WHEEL_SPEEDS.items() if name in values and w not in self._ratios]
        if speed is None or not fresh:
            return
        ratios = {wheel: validation.steady_ratio(values[WHEEL_SPEEDS[wheel]], speed) for wheel in fresh}
        whole, single = validation.wrong_unit_wheels(ratios)
        if whole:
            ratio = next(value for value in ratios.values() if value is not None)
            raise InputError(
                f"{printable(self.story.path)}: the wheel speeds are {ratio:.2f} times speed_mps throughout: "
                "one of them is not in m/s; give its unit in a mapping file (km/h, or rad/s with rolling_radius_m)"
            )
        self._ratios.update({wheel: ratio for wheel, ratio in ratios.items() if ratio is not None})
        for wheel in single:
            self._leave_out(
                values, WHEEL_SPEEDS[wheel], f"is {ratios[wheel]:.2f} times speed_mps throughout: wrong unit?"
            )

    def _check_pedal(self, pedal: Floats, values: dict[str, Floats]) -> None:
        if np.fmax.reduce(pedal, initial=0.0) > 1.0:
            self._in_percent = True
        elif validation.fractions_not_percent(pedal):
            self._leave_out(values, "brake_pedal_pct", _FRACTIONS)

    def _leave_out(self, values: dict[str, Floats], name: str, reason: str) -> None:
        values[name][:] = np.nan
        self.story.channels_left_out.append(name)
        self.story.tell(f"{name} {reason}; left out")

    def _remember(self, batch: EventBatch, time_us: Ints) -> None:
        story = self.story
        story.vehicles.update(set(batch.vehicle_id))
        first, last = int(time_us.min()), int(time_us.max())
        story.first_us = first if story.first_us is None else min(first, story.first_us)
        story.last_us = last if story.last_us is None else max(last, story.last_us)


def _name(key: str | None, continuous: bool) -> str:
    """What a sentence calls an event or a drive."""
    if pd.isna(key):
        return "a drive without a vehicle" if continuous else "an event without an id"
    return f"{'drive of' if continuous else 'event'} {shown_id(str(key))}"


def _all_kept(group: Group, time_us: Ints, valid: Bools) -> _Kept | None:
    """Everything, if nothing is wrong with the times of any event; else None."""
    if not valid.all() or not validation.times_stand(time_us, group.starts - group.start, group.stops - group.start):
        return None
    offsets = np.append(group.starts, group.stop) - group.start
    return _Kept(None, np.ones(len(group.keys), dtype=bool), offsets, time_us)


def _some_kept(group: Group, time_us: Ints, valid: Bools, findings: validation.Findings) -> _Kept:
    """What stands once each event's times were looked at."""
    event_of = np.repeat(np.arange(len(group.keys)), group.stops - group.starts)
    rows = group.start + np.arange(len(time_us))
    keep = validation.check_times(time_us, valid, event_of, rows, findings)
    good = findings.good()
    keep &= good[event_of]
    counts = np.bincount(event_of[keep], minlength=len(good))[good]
    offsets = np.concatenate(([0], np.cumsum(counts))).astype(np.int64)
    return _Kept(None if keep.all() else keep, good, offsets, time_us[keep])


def _only_good(findings: validation.Findings, good: Bools) -> validation.Findings:
    """The findings of the events that stand, renumbered."""
    number = np.cumsum(good) - 1
    mended = {int(number[event]): words for event, words in findings.mended.items() if good[event]}
    return validation.Findings(int(good.sum()), {}, mended, findings.where)


def _text_of_events(coded: tuple[Ints, list[str]], starts: Ints) -> tuple[Words, Bools]:
    """Word of each event ``(E,)``, None if none, and where there are several different ones."""
    codes, words = coded
    most = np.maximum.reduceat(codes, starts)
    least = np.minimum.reduceat(np.where(codes < 0, len(words), codes), starts)
    table = np.array([*words, None], dtype=object)
    return table[most], (most >= 0) & (most != least)


def _stack_saturated(saturated: dict[str, Bools], values: dict[str, Floats], wheels: tuple[str, ...]) -> Bools | None:
    if not saturated:
        return None
    stacked = []
    for name in (WHEEL_SPEEDS[wheel] for wheel in wheels):
        nothing = np.zeros(len(next(iter(saturated.values()))), dtype=bool)
        # a value that was left out since is no bound of anything
        stacked.append(saturated[name] & np.isfinite(values[name]) if name in saturated else nothing)
    return np.stack(stacked)
