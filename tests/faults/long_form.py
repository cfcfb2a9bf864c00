"""All counted trials in their long form: ``python tests/faults/long_form.py`` (``--help``).

The short forms of the same trials are tests beside this file. Prints a table; ends with 1 where a trial went against
what must hold.
"""

import argparse
import importlib
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE.parent)]

from faults.tally import LongForm, Tally  # noqa: E402


def _forms() -> dict[str, LongForm]:
    """``LONG`` of each ``*_trials.py``, by the file's name."""
    found = {}
    for path in sorted(HERE.glob("*_trials.py")):
        found[path.stem.removesuffix("_trials")] = importlib.import_module(f"faults.{path.stem}").LONG
    return found


def main() -> int:
    forms = _forms()
    told = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    told.add_argument("names", nargs="*", metavar="NAME", help=f"of {', '.join(forms)}; all by default")
    told.add_argument("--seed", type=int, default=1)
    told.add_argument("--minutes", type=float, default=60.0, help="for what goes on until the time is over")
    chosen = told.parse_args()
    unknown = set(chosen.names) - set(forms)
    if unknown:
        told.error(f"there is no {', '.join(sorted(unknown))}")
    print("| trials | number | of them | failed | time |\n|---|---|---|---|---|", flush=True)
    tallies: list[Tally] = []
    for name in chosen.names or forms:
        made = forms[name](chosen.seed, chosen.minutes)
        for tally in made:
            print(tally.line(), flush=True)
            for failure in tally.failures:
                print(f"    {failure}", file=sys.stderr, flush=True)
        tallies += made
    return int(any(tally.failures for tally in tallies))


if __name__ == "__main__":
    sys.exit(main())
