"""The page of arithmetic on large fleets, drawn up from measured figures; prints Markdown.

    python tests/benchmarks/arithmetic.py FIGURES.json [NAME=VALUE ...]

``FIGURES.json`` is what ``throughput.py --json`` wrote; what other benchmarks measure is added by name. A figure that
nobody gave stands in the page as ``{its_name}``, and so does what rests on it.
"""

import json
import math
import sys
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path

Figures = Mapping[str, float]

FLEETS = (10_000, 100_000, 1_000_000)

#: Taken as given: what a fleet records, how long it is kept, and the machine that a store has (own choices).
EVENTS_A_DAY, DAYS_KEPT, LOOKBACK_DAYS, WINDOW_H = 20, 395, 365, 2.0
NODE_CORES, STORE_CORES, STORE_DISK_GB = 8, 8, 2000.0

#: What has to be measured: name, unit, where the figure comes from.
MEASURED = (
    ("samples_per_event", "samples", "`throughput.py`: the simulated fleet's events at 50 Hz"),
    ("recording_bytes_per_sample", "bytes", "`throughput.py`: zstd Parquet, one file a vehicle"),
    ("ingest_ns_per_sample", "ns of processor", "`throughput.py`: slope between its two largest sizes"),
    ("ingest_peak_mib", "MiB", "`throughput.py`: greatest of all runs"),
    ("lake_bytes_per_event", "bytes", "`throughput.py`: lake and log after its largest ingest"),
    ("database_bytes_per_event", "bytes", "`throughput.py`: published file after its largest ingest"),
    ("wheels", "rows", "rows of wheels an event of the measured vehicles"),
    ("publish_s_per_1000_new_files", "s", "`publish.py`: new files, 50 against 1 000"),
    ("publish_s_per_100000_standing_files", "s", "`publish.py`: nothing new, 10 000 against 100 000 files standing"),
    ("score_s_per_million_rows", "s of processor", "`scoring.py`: ten million feature rows, everything anew"),
    ("score_night_s_per_million_standing", "s of processor", "`scoring.py`: one new day at 1 to 4 times the history"),
    ("score_night_s_per_million_new", "s of processor", "`scoring.py`: the same, with the size of the new day"),
    ("score_peak_gib", "GiB", "`scoring.py`: ten million feature rows; above the limit DuckDB spills"),
    ("page_s_at_million_events", "s", "`pages.py`: slowest page opened again, a million events"),
)  # fmt: skip


class Missing(Exception):
    """A figure that nobody gave."""


class Given(dict[str, float]):
    """Figures by name; asking for one that is not there names it."""

    def __missing__(self, name: str) -> float:
        raise Missing(name)


def shown(of: Callable[[], float], form: Callable[[float], str]) -> str:
    """The value as text, or the name of the first figure that is missing for it."""
    try:
        return form(of())
    except Missing as missing:
        return "{" + str(missing) + "}"


def rounded(value: float) -> str:
    """Two digits that count: 0.031, 4.7, 120, 12,000; small whole numbers as they are."""
    if not math.isfinite(value) or (abs(value) < 100.0 and value == int(value)):
        return f"{value:g}"
    digits = 1 - math.floor(math.log10(abs(value)))
    return f"{round(value, digits):,.{max(digits, 0)}f}"


def events(vehicles: int) -> float:
    """Events a day."""
    return float(vehicles * EVENTS_A_DAY)


def ingest_hours(g: Figures, vehicles: int) -> float:
    """Hours of processor a night."""
    return events(vehicles) * g["samples_per_event"] * g["ingest_ns_per_sample"] / 3.6e12


def lookback_rows(g: Figures, vehicles: int) -> float:
    """Millions of feature rows that scoring looks back over: an event and its wheels."""
    return events(vehicles) * LOOKBACK_DAYS * (1.0 + g["wheels"]) / 1e6


def publish_s(g: Figures, vehicles: int) -> float:
    """Seconds a night, one file a vehicle and day, all of them in one store."""
    new = g["publish_s_per_1000_new_files"] * vehicles / 1e3
    return new + g["publish_s_per_100000_standing_files"] * vehicles * DAYS_KEPT / 1e5


def score_night_hours(g: Figures, vehicles: int) -> float:
    """Hours of processor for one new day, in one store."""
    standing = g["score_night_s_per_million_standing"] * lookback_rows(g, vehicles)
    new = g["score_night_s_per_million_new"] * lookback_rows(g, vehicles) / LOOKBACK_DAYS
    return (standing + new) / 3600.0


def database_gb(g: Figures, vehicles: int) -> float:
    """Published file with all that is kept."""
    return events(vehicles) * DAYS_KEPT * g["database_bytes_per_event"] / 1e9


#: One line of the table for each: what, unit, how it follows from the figures.
LINES: tuple[tuple[str, Callable[[Figures, int], float]], ...] = (
    ("events a day", lambda g, v: events(v)),
    ("samples a day (millions)", lambda g, v: events(v) * g["samples_per_event"] / 1e6),
    ("recordings a day (GB)",
     lambda g, v: events(v) * g["samples_per_event"] * g["recording_bytes_per_sample"] / 1e9),
    ("recordings a year (TB)",
     lambda g, v: 365 * events(v) * g["samples_per_event"] * g["recording_bytes_per_sample"] / 1e12),
    ("lake a day (GB)", lambda g, v: events(v) * g["lake_bytes_per_event"] / 1e9),
    ("lake, 13 months (TB)", lambda g, v: DAYS_KEPT * events(v) * g["lake_bytes_per_event"] / 1e12),
    ("published, 13 months (GB)", database_gb),
    ("files in the log (millions)", lambda g, v: v * DAYS_KEPT / 1e6),
    ("ingest a night (hours of processor)", ingest_hours),
    (f"cores for it in {WINDOW_H:g} hours", lambda g, v: math.ceil(ingest_hours(g, v) / WINDOW_H)),
    (f"nodes of {NODE_CORES} cores for it", lambda g, v: math.ceil(ingest_hours(g, v) / WINDOW_H / NODE_CORES)),
    ("log and publishing a night (minutes), one store", lambda g, v: publish_s(g, v) / 60.0),
    ("feature rows looked back over (millions)", lookback_rows),
    ("scoring all anew (hours of processor)",
     lambda g, v: g["score_s_per_million_rows"] * lookback_rows(g, v) / 3600.0),
    ("scoring a new day (hours of processor), one store", score_night_hours),
    ("stores of the size below", lambda g, v: math.ceil(v / largest_store(g))),
)  # fmt: skip

#: Where one store ends: what, its limit, the load of a vehicle, and what is done then.
LIMITS: tuple[tuple[str, float, Callable[[Figures], float], str], ...] = (
    ("publishing and the log", WINDOW_H * 3600.0, lambda g: publish_s(g, 10**6) / 1e6,
     "a store for each depot or region: what is new costs the same, what stands is divided; longer files help"),
    ("scoring a new day", WINDOW_H * STORE_CORES, lambda g: score_night_hours(g, 10**6) / 1e6,
     "a store for each depot or region; peers and seasons are then learned within it: some hundred vehicles"),
    ("the published file on the disk, three times while it is replaced", STORE_DISK_GB,
     lambda g: 3.0 * database_gb(g, 10**6) / 1e6,
     "a store for each depot or region, or a shorter retention: scores look back over a year"),
    ("reading recordings on the store's own machine", WINDOW_H * STORE_CORES, lambda g: ingest_hours(g, 10**6) / 1e6,
     "`ingest --scheduler`: files are independent of each other, so that nodes add up"),
)  # fmt: skip


def reach(g: Figures, limit: float, load: Callable[[Figures], float]) -> float:
    """Vehicles at which a limit is reached."""
    each = load(g)
    return limit / each if each > 0.0 else math.inf


def largest_store(g: Figures) -> float:
    """Vehicles that one store holds: the first limit that cannot be moved to other machines."""
    return min(reach(g, limit, load) for _, limit, load, _ in LIMITS[:3])


def page(g: Given) -> str:
    """The page."""
    parts = (_given(g), _table(g), _limits(g), _memory(g))
    return "\n\n".join("\n".join(part) for part in parts) + "\n"


def _given(g: Given) -> list[str]:
    lines = ["| figure | value | how measured |", "|---|---|---|"]
    for name, unit, how in MEASURED:
        lines.append(f"| {name.replace('_', ' ')} | {shown(partial(g.__getitem__, name), rounded)} {unit} | {how} |")
    return lines


def _table(g: Given) -> list[str]:
    lines = [
        f"{EVENTS_A_DAY} events a vehicle and day, one file a vehicle and day, 13 months kept:",
        "",
        "| | " + " | ".join(f"{fleet:,} vehicles" for fleet in FLEETS) + " |",
        "|---|" + "---|" * len(FLEETS),
    ]
    for name, of in LINES:
        cells = [shown(partial(of, g, fleet), rounded) for fleet in FLEETS]
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    return lines


def _limits(g: Given) -> list[str]:
    known: list[tuple[float, str, str]] = []
    for name, limit, load, then in LIMITS:
        text = shown(partial(reach, g, limit, load), rounded)
        size = math.nan if text.startswith("{") else reach(g, limit, load)
        known.append((size, f"| {name} | {text} | {then} |", text))
    known.sort(key=lambda line: math.inf if math.isnan(line[0]) else line[0])
    return [
        f"What breaks first, with a machine of {STORE_CORES} cores and {STORE_DISK_GB / 1000:g} TB for a store and "
        f"{WINDOW_H:g} hours for each step:",
        "",
        "| step | vehicles in one store | what then |",
        "|---|---|---|",
        *(line for _, line, _ in known),
    ]


def _memory(g: Given) -> list[str]:
    return [
        "All of it is drawn out in proportion from the sizes that were measured (100 million samples, 100,000 files, "
        "ten million feature rows). "
        "Memory does not grow with the fleet: ingest stays at "
        f"{shown(lambda: g['ingest_peak_mib'], rounded)} MiB (files stream), scoring at "
        f"{shown(lambda: g['score_peak_gib'], rounded)} GiB (what does not fit is spilled beside the store; the disk "
        "takes it). Pages read single vehicles, days and the newest scores: "
        f"{shown(lambda: g['page_s_at_million_events'], rounded)} s at a million events of one store; beyond some ten "
        "million events a page over the whole store is the next thing to sum up ahead, as the monthly figures are. "
        "Questions over several stores are for DuckDB with their published files attached side by side, read-only.",
    ]


def figures(arguments: list[str]) -> Given:
    """Figures of the files and of ``NAME=VALUE`` words, later ones first."""
    given = Given(wheels=4.0)
    for word in arguments:
        name, sign, value = word.partition("=")
        if sign:
            given[name] = float(value)
        else:
            given.update(json.loads(Path(word).read_text(encoding="utf-8")))
    return given


def main() -> None:
    """Print the page."""
    print(page(figures(sys.argv[1:])), end="")


if __name__ == "__main__":
    main()
