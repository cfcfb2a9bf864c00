"""How well scoring tells vehicle, driver and road apart on a simulated fleet of known truth. Prints; asserts nothing.

    python tests/benchmarks/fleet.py --seed 1                      # 240 vehicles, 300 drivers, 60 days
    python tests/benchmarks/fleet.py --seed 1 --keep fleet1   # and leave recordings and store there
    python tests/benchmarks/fleet.py --reuse fleet1 --detail  # score it again, list what went wrong
    python tests/benchmarks/fleet.py --reuse fleet1 --ingest  # read its recordings again first

Seeds 1 to 99 are for tuning, 9001 and above for reporting: a figure counts only on seeds that nobody tuned on.
A fleet takes some minutes on two cores. Recordings go through ``ingest`` and ``score``; the truth stays outside.

Ranking: a vehicle is positive if one of its faults is there on the day scored and showed in three recorded events or
more; those whose fault showed in fewer, or of whose fault the recordings hold no channel (mass, pressure, share of a
retarder), are left out of the ranking's figures (not of the calibration, where any fault counts). In which events a
fault showed is told by simulating them without it (``fleetbrake.simulation.proving.showing``). Found: priority
``watch`` or sooner. Towed units are not ranked here.
``!`` marks a figure that misses its target.
"""

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from benchmarks.proving.figures import (
    Figure,
    Scored,
    calibration,
    calibration_figures,
    driver_figures,
    health_figures,
    vehicles,
)
from benchmarks.proving.run import fresh, make, scored, take_in

from fleetbrake.simulation.proving.setting import Size

BLOCKS: dict[str, Callable[[Scored], list[Figure]]] = {
    "vehicles": health_figures,
    "drivers": driver_figures,
    "health score": calibration_figures,
}


def target(figure: Figure) -> str:
    """The target as text."""
    if np.isnan(figure.target):
        return ""
    if figure.better == "within":
        return f"{figure.target:g} to {figure.upper:g}"
    return f"{'>=' if figure.better == 'high' else '<='} {figure.target:.{2}f}"


def cell(figure: Figure) -> str:
    """The figure, with its mark."""
    return f"{figure.value:.{figure.digits}f}{'!' if figure.short else ' '}"


def table(found: dict[str, Scored]) -> str:
    """All figures, a column a fleet; with several a mean."""
    lines = [f"{'':52}{'target':>14}" + "".join(f"{name:>12}" for name in found) + f"{'mean':>12}"]
    for title, block in BLOCKS.items():
        columns = [block(scored) for scored in found.values()]
        lines.append(title)
        for row in zip(*columns, strict=True):
            mean = float(np.mean([f.value for f in row]))
            line = f"  {row[0].title:50}{target(row[0]):>14}" + "".join(f"{cell(f):>12}" for f in row)
            lines.append(line + f"{mean:>11.{row[0].digits}f} ")
    return "\n".join(lines)


def curve(found: dict[str, Scored]) -> str:
    """Calibration of the health score over all fleets together."""
    whole = calibration(pd.concat([vehicles(scored) for scored in found.values()], ignore_index=True))
    lines = ["probability of a defect, 1 - health_score / 100", f"  {'bin':18}{'vehicles':>10}{'said':>8}{'faulty':>8}"]
    lines += [f"  {r.bin!s:18}{r.vehicles:>10}{r.said:>8.3f}{r.faulty:>8.3f}" for r in whole.itertuples()]
    return "\n".join(lines)


def detail(scored: Scored) -> str:
    """Vehicles that stand in the wrong place, with what was found on them; the weak trailers."""
    ranked = vehicles(scored).sort_values("rank")
    positives = int((ranked["faulty"] & ranked["judged"]).sum())
    judged = ranked[ranked["judged"]]
    missed = judged[judged["faulty"]].iloc[0:]
    intruders = judged.iloc[:positives]
    lines = [f"faulty vehicles by rank ({positives} judged; the first {positives} ranks would be right)"]
    lines += [_line(row, scored) for row in missed.itertuples()]
    lines += ["sound vehicles among the first", *(_line(r, scored) for r in intruders.itertuples() if not r.faulty)]
    lines += ["faulty, shown in too few events", *(_line(r, scored) for r in ranked[~ranked["judged"]].itertuples())]
    weak = scored.health[scored.health["vehicle_id"].isin(scored.truth["weak_trailers"])]
    lines += [f"weak trailer {r.vehicle_id}: rank {r.rank}, {r.priority}, {r.reason}" for r in weak.itertuples()]
    return "\n".join(lines)


def _line(row: "pd.core.frame.Series", scored: Scored) -> str:
    told = "; ".join(
        f"{f['indicator']} {f['wheel'] or ''} size {f['size']:.4g} from {f['begin']}"
        f"{'' if f['end'] is None else ' to ' + f['end']} showed {f['showed']}"
        f"{'' if f['recordable'] else ' (no channel)'}"
        for f in row.faults
    )
    left = " [harsh or slippery]" if row.left_alone else ""
    own = scored.indicators[scored.indicators["vehicle_id"] == row.vehicle_id].dropna(subset=["deviation"])
    worst = own.sort_values("deviation", ascending=False).head(4)
    seen = ", ".join(
        f"{r.indicator} {r.wheel if isinstance(r.wheel, str) else ''} {r.deviation:+.1f}" for r in worst.itertuples()
    )
    return (
        f"  {row.vehicle_id:8} rank {row.rank:4} {row.priority:18} p {row.p:.3f} {row.leading_indicator} "
        f"{row.suspect_wheel if isinstance(row.suspect_wheel, str) else ''} ({row.category}){left}\n"
        f"           truth: {told or 'sound'}\n           said: {seen}"
    )


def arguments() -> argparse.Namespace:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, action="append", help="any number of seeds (default 1)")
    parser.add_argument("--vehicles", type=int, default=240)
    parser.add_argument("--drivers", type=int, default=300)
    parser.add_argument("--days", type=int, default=60)
    parser.add_argument("--keep", type=Path, help="leave recordings and store here (of several seeds: in seed-N)")
    parser.add_argument("--reuse", type=Path, action="append", help="score a kept fleet again; any number")
    parser.add_argument("--ingest", action="store_true", help="with --reuse: read its recordings again first")
    parser.add_argument("--detail", action="store_true", help="list the vehicles in the wrong place")
    return parser.parse_args()


def fleets(given: argparse.Namespace) -> dict[str, Scored]:
    """Make or reuse what was asked for; name of the column -> figures' input."""
    begun = time.monotonic()

    def tell(stage: str, done: int, of: int) -> None:
        if done == of or done % 60 == 0:
            print(f"  {time.monotonic() - begun:4.0f} s  {stage} {done} of {of}", file=sys.stderr)

    found: dict[str, Scored] = {}
    for folder in given.reuse or []:
        if given.ingest:
            take_in(folder, tell)
        found[folder.name] = scored(folder)
    seeds = given.seed or ([] if given.reuse else [1])
    size = Size(given.vehicles, given.drivers, given.days)
    for seed in seeds:
        if given.keep is None:
            found[f"seed {seed}"] = fresh(seed, size, tell)
            continue
        folder = given.keep / f"seed-{seed}" if len(seeds) > 1 else given.keep
        make(folder, seed, size, tell)
        found[f"seed {seed}"] = scored(folder)
    print(f"  {time.monotonic() - begun:4.0f} s  scored", file=sys.stderr)
    return found


def main() -> None:
    """Arguments in, table out."""
    given = arguments()
    found = fleets(given)
    print(table(found) + "\n\n" + curve(found))
    if given.detail:
        for name, one in found.items():
            print(f"\n{name}\n{detail(one)}")


if __name__ == "__main__":
    main()
