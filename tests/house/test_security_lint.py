"""What could be misused in our own code and in what it stands on; each exception has a reason beside it."""

import datetime
import fnmatch
import json
import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
OURS = ("fleetbrake", "dashboards", "jobs")
EXCEPTIONS: dict[str, list[dict[str, Any]]] = tomllib.loads(
    (Path(__file__).parent / "exceptions.toml").read_text(encoding="utf-8")
)
#: Set where the advisories have to be asked, and not being able to is a failure.
DEMANDED = "FLEETBRAKE_ADVISORIES"
#: A release of a package with an advisory of long standing (CVE-2019-10906; from memory): whoever does not know of it
#: is no source of advisories.
_KNOWN_BAD = "jinja2==2.10"


def _lint(*paths: str) -> list[dict[str, Any]]:
    command = [sys.executable, "-m", "bandit", "-q", "-r", *paths, "-f", "json", "--ignore-nosec"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    told = json.loads(done.stdout)
    assert not told["errors"], told["errors"]
    return list(told["results"])


def _passed_over(finding: dict[str, Any]) -> bool:
    """The same rule with a reason at the finding's own lines, or in the list."""
    path = Path(finding["filename"]).as_posix()
    if any(one["rule"] == finding["test_id"] and fnmatch.fnmatch(path, one["files"]) for one in EXCEPTIONS["lint"]):
        return True
    lines = (ROOT / path).read_text(encoding="utf-8").splitlines()
    text = "\n".join(lines[min(finding["line_range"]) - 1 : max(finding["line_range"])])
    return re.search(rf"# noqa:[ \w,]*\bS{finding['test_id'][1:]}\b[ \w,]* - \S", text) is not None


def test_every_finding_of_the_security_lint_has_a_reason() -> None:
    found = _lint(*OURS)
    assert len(found) > 50, "it looks at our code: queries are put together of our own names"
    left = [f"{one['filename']}:{one['line_number']} {one['test_id']} {one['issue_text']}" for one in found
            if not _passed_over(one)]  # fmt: skip
    assert not left, "\n".join(left)


def test_the_lint_finds_what_has_no_reason(tmp_path: Path) -> None:
    bad = tmp_path / "bad.py"
    bad.write_text("import os\nos.system(input())\neval(input())  # nosec\n", encoding="utf-8")
    found = _lint(str(bad))
    assert {one["test_id"] for one in found} == {"B605", "B307"} and not any(_passed_over(one) for one in found)


def test_every_exception_has_a_reason() -> None:
    bare = []
    for path in (path for name in OURS for path in (ROOT / name).rglob("*.py")):
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            silenced = re.search(r"#\s*(noqa:[ \w,]*\bS\d+|nosec)", line)
            if silenced and not re.search(r"#\s*noqa:[ \w,]* - \S", line):
                bare.append(f"{path.relative_to(ROOT)}:{number} {line.strip()}")
    assert not bare, "\n".join(bare)
    assert all(len(str(one["reason"]).split()) > 4 for one in EXCEPTIONS["lint"])


def _audited(*what: str) -> list[dict[str, Any]] | str:
    """What the advisories say of each package, or why they cannot be asked."""
    command = [sys.executable, "-m", "pip_audit", "--progress-spinner=off", "--format=json", "--timeout=15", *what]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=240)
    try:
        return list(json.loads(done.stdout)["dependencies"])
    except (json.JSONDecodeError, KeyError):
        return (done.stderr.strip().splitlines() or ["no answer"])[-1]


def _wrong(told: list[dict[str, Any]]) -> list[str]:
    """Advisories that nobody passed over with a reason, and packages that could not be asked for."""
    over = {(one["package"], one["id"]) for one in EXCEPTIONS.get("advisory", [])}
    wrong = [f"{one['name']}: {one['skip_reason']}" for one in told if one.get("skip_reason")]
    return wrong + [
        f"{one['name']} {one['version']}: {danger['id']}, mended in {', '.join(danger['fix_versions']) or 'no release'}"
        for one in told
        for danger in one.get("vulns", [])
        if (one["name"], danger["id"]) not in over
    ]


@pytest.mark.timeout(300)
def test_nothing_that_is_installed_has_an_advisory(tmp_path: Path) -> None:
    """Asked only where somebody answers: a service that does not know an old danger would call everything safe."""
    known = tmp_path / "known.txt"
    known.write_text(f"{_KNOWN_BAD}\n", encoding="utf-8")
    answer = _audited("--requirement", str(known), "--no-deps", "--disable-pip")
    if isinstance(answer, str) or not any(one.get("vulns") for one in answer):
        reason = f"no source of advisories can be reached from here: {answer}"
        pytest.fail(reason) if os.environ.get(DEMANDED) else pytest.skip(reason)
    told = _audited("--local", "--skip-editable")
    assert not isinstance(told, str), told
    wrong = [line for line in _wrong(told) if not line.startswith("fleetbrake:")]
    assert not wrong, "\n".join(wrong)


def test_what_advisories_say_is_told_unless_passed_over() -> None:
    danger = {"id": "X-1", "fix_versions": ["2"]}
    told = [{"name": "a", "version": "1", "vulns": [danger]}, {"name": "b", "skip_reason": "not found"}]
    assert _wrong(told) == ["b: not found", "a 1: X-1, mended in 2"]


def test_advisories_are_passed_over_for_a_time_only() -> None:
    for one in EXCEPTIONS.get("advisory", []):
        assert len(str(one["reason"]).split()) > 4 and one["until"] >= datetime.date.today(), one
