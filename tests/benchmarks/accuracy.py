"""How right the classes and figures are, against simulated truth. Prints a table; asserts nothing.

    python tests/benchmarks/accuracy.py                                  # seed 1, every nuisance, every rate
    python tests/benchmarks/accuracy.py --seed 7 --seed 8 --rate 50 --nuisance "GNSS late"
    python tests/benchmarks/accuracy.py --seed 7 --nuisance "sensor dropout" --rate 10 --wrong

A van, a bus and a truck, empty to laden, on dry, wet, snowy, icy and loose roads, gentle to full pedal, the control at
work, failed on one wheel or absent; several applications of a vehicle in one file. Recordings go through ``ingest``;
what is judged are the published tables. One block a quantity, one row a nuisance, one column a logger rate; beside
every figure the share answered, in %; ``!`` where the figure falls short of its target.
"""

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from benchmarks.truth.figures import QUANTITIES, Quantity, confusion
from benchmarks.truth.run import ROWS, Tallies, table
from benchmarks.truth.score import Tally

RATES = (10.0, 20.0, 25.0, 50.0, 100.0)


def cell(quantity: Quantity, tally: Tally | None) -> str:
    """Figure, mark, share answered: ``0.983! 97``."""
    value, answered = quantity.cell(tally) if tally is not None else (np.nan, np.nan)
    if np.isnan(value):
        return f"{'-':>8} {'':3}" if np.isnan(answered) else f"{'-':>8} {100 * answered:3.0f}"
    text = f"{value:.{quantity.digits}f}" + ("!" if quantity.short(value) else " ")
    return f"{text:>8} {'' if np.isnan(answered) else format(100 * answered, '.0f'):>3}"


def block(quantity: Quantity, names: list[str], rates: list[float], found: Tallies) -> str:
    """One quantity as text; rows in which nothing was asked are left out."""
    sign = ">=" if quantity.better == "high" else "<="
    target = "no target" if np.isnan(quantity.target) else f"target {sign} {quantity.target:g}"
    lines = [f"{quantity.title} ({target})", f"{'':28}" + "".join(f"{f'{rate:g} Hz':>8}   %" for rate in rates)]
    for name in names:
        cells = [cell(quantity, found.get((name, rate))) for rate in rates]
        if any(text.split()[0] != "-" for text in cells):
            lines.append(f"{name:28}" + "".join(cells))
    return "\n".join(lines)


def surfaces(names: list[str], rates: list[float], found: Tallies) -> str:
    """Which road was taken for which, all nuisances and rates together."""
    whole = Tally()
    for name in names:
        for rate in rates:
            if (name, rate) in found:
                whole.add(found[name, rate])
    pairs = confusion(whole)
    said = sorted({word for _, word in pairs})
    lines = [
        "surface, events of all rows: true (down) and said (across)",
        f"{'':28}" + "".join(f"{w:>13}" for w in said),
    ]
    for true in sorted({word for word, _ in pairs}):
        lines.append(f"{true:28}" + "".join(f"{pairs.get((true, word), 0):>13}" for word in said))
    return "\n".join(lines)


def wrong(names: list[str], rates: list[float], found: Tallies) -> str:
    """The single wrong answers."""
    lines = [
        f"{name:28}{rate:>5.0f} Hz  {what:20} {event} {where}"
        for name in names
        for rate in rates
        for what, event, where in (found[name, rate].said_wrong if (name, rate) in found else [])
    ]
    return "\n".join(["wrong answers", *lines])


def arguments() -> argparse.Namespace:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, action="append", help="any number of seeds (default 1)")
    parser.add_argument("--rate", type=float, action="append", choices=RATES, help="logger rates in Hz (default all)")
    parser.add_argument("--events", type=int, default=14, help="applications per vehicle, seed, nuisance and rate")
    told = "one of: " + "; ".join(ROWS).replace("%", "%%")
    parser.add_argument("--nuisance", action="append", choices=ROWS, metavar="NAME", help=told)
    parser.add_argument("--only", default="", help="only quantities whose title holds this text")
    parser.add_argument("--wrong", action="store_true", help="list the single wrong answers")
    parser.add_argument("--workers", type=int, default=2, help="processes")
    return parser.parse_args()


def main() -> None:
    """Arguments in, table out."""
    given = arguments()
    names, seeds = given.nuisance or list(ROWS), given.seed or [1]
    rates = sorted(given.rate or RATES)
    begun = time.monotonic()
    found = table(
        names, seeds, given.events, rates, given.workers,
        progress=lambda name, seed: print(f"  {time.monotonic() - begun:4.0f} s  {name}, seed {seed}", file=sys.stderr),
    )  # fmt: skip
    print(f"seeds {', '.join(map(str, seeds))}; {given.events} applications of a vehicle, three vehicles\n")
    for quantity in QUANTITIES:
        if given.only in quantity.title:
            print(block(quantity, names, rates, found) + "\n")
    if given.only in "surface":
        print(surfaces(names, rates, found) + "\n")
    if given.wrong:
        print(wrong(names, rates, found))


if __name__ == "__main__":
    main()
