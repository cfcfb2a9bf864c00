"""The figures as Markdown, and as numbers for the arithmetic of larger fleets."""

import statistics
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from tests.benchmarks.throughput_parts.spent import Slope, Spent, ratio, slope

if TYPE_CHECKING:
    from tests.benchmarks.throughput import Measured


def row(*cells: object) -> str:
    """One line of a table."""
    return "| " + " | ".join(map(str, cells)) + " |"


def header(*cells: str) -> list[str]:
    """Head and rule of a table."""
    return [row(*cells), "|" + "---|" * len(cells)]


def middle(runs: Sequence[Spent], of: Callable[[Spent], float]) -> float:
    """Median over the repeats."""
    return statistics.median(of(spent) for spent in runs)


def clock(spent: Spent) -> float:
    """Seconds by the clock."""
    return spent.clock_s


def processor(spent: Spent) -> float:
    """Seconds of the processor."""
    return spent.processor_s


def slopes(found: "Measured", of: Callable[[Spent], float]) -> tuple[Slope, Slope, Slope]:
    """Of ingest, of the quicker way of decoding and of the plain one, between the two largest sizes."""
    small, large = (data.samples for data in found.data[-2:])
    ingest, *ways = (
        slope(small, [of(s) for s in runs[small]], large, [of(s) for s in runs[large]])
        for runs in (found.ingest, *found.decode.values())
    )
    plain = ways[list(found.decode).index("plain")]
    return ingest, min(ways, key=lambda line: line.each_ns), plain


def markdown(found: "Measured") -> str:
    """All tables, in the order in which they are read."""
    parts = (_sizes, _slopes, _start, _plain, _stages)
    return "\n\n".join("\n".join(lines) for part in parts if (lines := part(found))) + "\n"


def _sizes(found: "Measured") -> list[str]:
    lines = header("samples (millions)", "files", "columns", "MB",
                   *(f"decoding, {way}: clock, processor (s)" for way in found.decode),
                   "ingest: clock, processor (s)",
                   "peak of ingest (MiB)")  # fmt: skip
    for data in found.data:
        decoding, ingest = [runs[data.samples] for runs in found.decode.values()], found.ingest[data.samples]
        lines.append(
            row(
                f"{data.samples / 1e6:.1f}", f"{data.files:,}", f"{data.columns:.1f}", f"{data.megabytes:,.0f}",
                *(f"{middle(runs, clock):.2f}, {middle(runs, processor):.2f}" for runs in decoding),
                f"{middle(ingest, clock):.1f}, {middle(ingest, processor):.1f}",
                f"{max(s.peak_mib for s in ingest):.0f}",
            )
        )  # fmt: skip
    again, stored = found.again[0], found.kept
    each = [stored[name] / stored["events"] for name in ("lake_bytes", "database_bytes")]
    lines += [
        "",
        f"Ingest of the largest once more, nothing new: {again.clock_s:.1f} s by the clock, "
        f"{again.processor_s:.1f} s of the processor, {again.peak_mib:.0f} MiB. Its store: {each[0]:,.0f} bytes an "
        f"event in the lake, {each[1]:,.0f} published.",
    ]
    return lines


def _slopes(found: "Measured") -> list[str]:
    small, large = (data.samples / 1e6 for data in found.data[-2:])
    lines = [
        f"One more sample, between {small:.1f} and {large:.1f} million (least to most of the repeats):",
        "",
        *header(
            "",
            "ingest (ns)",
            "decoding, the quicker way (ns)",
            "decoding, plain (ns)",
            "ratio to the quicker way (at most 3.0, aim 2.0)",
            "ratio to the plain one",
            "start-up of ingest (s)",
        ),
    ]
    for name, of in (("clock, two threads", clock), ("processor", processor)):
        ingest, *ways = slopes(found, of)
        ratios = [f"{ratio(ingest, decode):.2f}" for decode in ways]
        lines.append(row(name, *map(_with_spread, (ingest, *ways)), *ratios, f"{ingest.fixed_s:.1f}"))
    return lines


def _with_spread(line: Slope) -> str:
    return f"{line.each_ns:.0f} ({line.least_ns:.0f} to {line.most_ns:.0f})"


def _start(found: "Measured") -> list[str]:
    if not found.start and not found.compiling:
        return []
    lines = header("start", "clock (s)", "processor (s)", "files of compiled code written")
    for name, runs in found.start.items():
        lines.append(row(f"`{name}`", f"{middle(runs, clock):.2f}", f"{middle(runs, processor):.2f}", ""))
    for name, (spent, files) in zip(
        ("first ingest, nothing compiled yet", "the same once more"), found.compiling, strict=False
    ):
        lines.append(row(name, f"{spent.clock_s:.1f}", f"{spent.processor_s:.1f}", files))
    if found.compiling:
        said = f"says: {found.compiling_said}" if found.compiling_said else "says nothing of it"
        lines += ["", f"The first one {said}"]
    return lines


def _plain(found: "Measured") -> list[str]:
    plain = found.plain
    if not plain:
        return []
    each = {way: 1e9 * plain[f"{way}_s"] / plain["samples"] for way in ("plain", "product")}
    return [
        f"Plain loop of pandas and SciPy over {plain['events']} events ({plain['samples']:,} samples), reading "
        f"included, one thread: {each['plain']:,.0f} ns a sample; the product on the same events "
        f"{each['product']:,.0f} ns: {each['plain'] / each['product']:.0f} times as fast (aim 20).",
    ]


def _stages(found: "Measured") -> list[str]:
    if not found.stages:
        return []
    stages: dict[str, float] = found.stages["stages"]
    whole = sum(stages.values())
    lines = header("stage", "processor (s)", "share")
    lines += [row(name, f"{seconds:.2f}", f"{seconds / whole:.0%}") for name, seconds in stages.items()]
    lines += ["", *header("function, within kinematics, detection, features", "share of it")]
    lines += [row(f"`{name}`", f"{share:.1%}") for name, share in found.stages["profile"]]
    lines += ["", *header("module", "share of the same")]
    return lines + [row(f"`{name}`", f"{share:.1%}") for name, share in found.stages["modules"]]


def figures(found: "Measured") -> dict[str, float]:
    """What the arithmetic of larger fleets rests on."""
    ingest, decode, plain = slopes(found, processor)
    largest, stored = found.data[-1], found.kept
    return {
        "ingest_ns_per_sample": ingest.each_ns,
        "decode_ns_per_sample": decode.each_ns,
        "decode_plain_ns_per_sample": plain.each_ns,
        "ingest_start_s": ingest.fixed_s,
        "ingest_peak_mib": max(s.peak_mib for runs in found.ingest.values() for s in runs),
        "recording_bytes_per_sample": 1e6 * largest.megabytes / largest.samples,
        "columns": largest.columns,
        "samples_per_event": largest.samples / stored["events"],
        "lake_bytes_per_event": stored["lake_bytes"] / stored["events"],
        "database_bytes_per_event": stored["database_bytes"] / stored["events"],
    }
