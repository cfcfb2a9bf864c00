"""What commands load: help and refusals begin at once because nothing heavy is imported for them."""

import json
import subprocess
import sys

import pytest

#: Packages that take long to load, and that words alone do not need. Pydantic is not among them: the library that reads
#: the command line loads it by itself.
HEAVY = ("altair", "duckdb", "numba", "numpy", "pandas", "pyarrow", "scipy", "sklearn", "streamlit", "typst")
#: Not needed to read recordings: statistics, the solver, pages, typesetting, other machines.
NOT_FOR_READING = ("altair", "distributed", "scipy.optimize", "sklearn", "streamlit", "typst", "vl_convert")

HELP = """
import sys, json, contextlib, io
from {module} import {name}
sys.argv = {argv!r}
with contextlib.redirect_stdout(io.StringIO()) as said, contextlib.suppress(SystemExit):
    {name}()
print(json.dumps([len(said.getvalue()), sorted(sys.modules)]))
"""


def _run(program: str) -> list:
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    return json.loads(done.stdout.splitlines()[-1])


@pytest.mark.parametrize("argv", [["fleetbrake", "--help"], ["fleetbrake", "ingest", "--help"], ["fleetbrake"]])
def test_help_loads_nothing_heavy(argv: list[str]) -> None:
    said, modules = _run(HELP.format(module="fleetbrake.cli", name="main", argv=argv))
    if "--help" in argv:
        assert said > 200
    assert [name for name in HEAVY if name in modules] == []


def test_reading_loads_no_statistics_solver_or_pages() -> None:
    modules = _run("import sys, json, fleetbrake.pipeline\nprint(json.dumps(sorted(sys.modules)))")
    assert "numba" in modules  # so that the look at modules can find something
    assert [name for name in NOT_FOR_READING if name in modules] == []
