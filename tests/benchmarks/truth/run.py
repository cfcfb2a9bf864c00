"""All nuisances, rates and seeds: some nuisances a process, tallies added up."""

from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor, as_completed

from benchmarks.truth.cases import make_cases
from benchmarks.truth.judged import judged
from benchmarks.truth.score import Tally, score

from fleetbrake.simulation.nuisances import NUISANCES

#: Rows of the table.
ROWS = (*NUISANCES, "multi-body model")

#: Nuisances read into one store: opening and publishing one costs a second.
AT_ONCE = 4

#: (nuisance, rate) -> tally.
Tallies = dict[tuple[str, float], Tally]


def several(names: Iterable[str], seed: int, events: int, rates: list[float]) -> Tallies:
    """Tallies of some nuisances with one seed, their recordings read into one store."""
    cases = [case for name in names for case in make_cases(name, seed, events)]
    said, least = judged(cases, rates)
    out: Tallies = {}
    for case in cases:
        for rate in rates:
            found = score(case, said[case.vehicle_id(rate)], rate, least)
            out.setdefault((case.name, rate), Tally()).add(found)
    return out


def table(
    names: Iterable[str],
    seeds: list[int],
    events: int,
    rates: list[float],
    workers: int = 2,
    progress: Callable[[str, int], None] | None = None,
) -> Tallies:
    """Tallies of everything asked for."""
    ordered = sorted(names, key=lambda n: n != "multi-body model")  # the slowest first
    groups = [ordered[k : k + AT_ONCE] for k in range(0, len(ordered), AT_ONCE)]
    jobs = [(group, seed) for seed in seeds for group in groups]
    out: Tallies = {}

    def take(job: tuple[list[str], int], found: Tallies) -> None:
        for key, tally in found.items():
            out.setdefault(key, Tally()).add(tally)
        if progress is not None:
            progress(", ".join(job[0]), job[1])

    if workers <= 1:
        for job in jobs:
            take(job, several(*job, events, rates))
        return out
    with ProcessPoolExecutor(workers) as pool:
        waiting = {pool.submit(several, *job, events, rates): job for job in jobs}
        for done in as_completed(waiting):
            take(waiting[done], done.result())
    return out
