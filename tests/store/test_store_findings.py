"""Findings that people enter: what is refused and why, what a file brings in, and how it joins the registers."""

import shutil
from datetime import UTC, date, datetime, timedelta
from itertools import product
from pathlib import Path
from typing import Any

import pytest
from a_few import a_few
from store_rows import event, ingest, publish, published, register, rows

from fleetbrake.core.errors import InputError, RuleError, StoreError
from fleetbrake.core.spreadsheet import protected
from fleetbrake.recordings.register_rows import Inspection, Repair
from fleetbrake.store.database import rebuilding
from fleetbrake.store.entered import ENTERED_NAME, entries, stamp
from fleetbrake.store.entered_rows import DateMet, FindingEntered, ReportAnswered
from fleetbrake.store.finding_sheet import MOST_BYTES
from fleetbrake.store.findings import Taken, enter_finding, import_findings, merged_registers, today

DAY = date(2026, 1, 10)
REPORTED = datetime(2026, 1, 11, 7, 30, tzinfo=UTC)
HEADER = "inspection_id,vehicle_id,inspected_on,wheel,finding,severity,note\n"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A published store: two vehicles, one of them without a number of axles, a report, a finding, a repair."""
    folder = tmp_path_factory.mktemp("made")
    ingest(folder, "a.parquet", [event("e")])
    finding = {"inspected_on": DAY, "wheel": None, "finding": "brake_drag", "severity": 2, "note": "as registered"}
    register(
        folder,
        vehicles=[{"vehicle_id": "van-1", "axles": 2}, {"vehicle_id": "=van", "axles": None}],
        inspections=[{"inspection_id": "r1", "vehicle_id": "van-1", **finding}],
        repairs=[{"vehicle_id": "van-1", "repaired_on": DAY, "wheel": None, "work": "other", "note": "as registered"}],
        defect_reports=[
            {"vehicle_id": "van-1", "reported_at": REPORTED, "text": text, "severity": 2, "cleared_at": None}
            for text in ("pulls left", None)
        ],
    )
    publish(folder)
    return folder


@pytest.fixture
def store(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "store"))


def finding(**values: Any) -> Inspection:
    given = {"inspection_id": "", "vehicle_id": "van-1", "inspected_on": DAY, "wheel": "1L", "finding": "brake_drag"}
    return Inspection(**given | {"severity": 2} | values)


def merge(store: Path) -> None:
    with rebuilding(store) as con:
        merged_registers(con, store)


def inspections(store: Path) -> list[tuple[Any, ...]]:
    return rows(store, "SELECT vehicle_id, inspected_on, wheel, finding, severity, note FROM inspections ORDER BY ALL")


# --- what is refused

TOMORROW = timedelta(days=1)


@pytest.mark.parametrize(
    ("values", "told"),
    [
        ({"vehicle_id": "van-9"}, "is not known"),
        ({"inspected_on": "tomorrow"}, "lies in the future"),
        ({"wheel": "3L"}, "it has 2 axles"),
        ({"severity": None}, "severity of what was found is missing"),
        ({"severity": 0}, "severity of what was found is missing"),
        ({"finding": "none", "severity": 1}, "Nothing was found, but a severity is given"),
        ({"wheel": None}, "needs the wheel or a note"),
        ({"wheel": None, "severity": 3, "note": "  "}, "needs the wheel or a note"),
        ({"note": "x" * 2001}, "longer than 2000"),
        ({"inspection_id": "r1", "vehicle_id": "=van"}, "finding of another vehicle"),
    ],
)
def test_a_finding_that_cannot_be_is_refused(store: Path, values: dict[str, Any], told: str) -> None:
    if values.get("inspected_on") == "tomorrow":
        values = {"inspected_on": today() + TOMORROW}
    with pytest.raises(RuleError, match=told):
        enter_finding(store, "p", [finding(**values)])
    assert not (store / ENTERED_NAME).exists()


@pytest.mark.parametrize(
    "values",
    [
        {},
        {"inspected_on": None},  # today
        {"wheel": None, "severity": 1},
        {"wheel": None, "note": "hose by the tank"},
        {"finding": "none", "severity": None, "wheel": None},
        {"finding": "none", "severity": 0},
        {"vehicle_id": "=van", "wheel": "6R"},  # how many axles it has is not known
        {"inspection_id": "r1"},  # a correction of the same vehicle's finding
    ],
)
def test_a_finding_that_can_be_is_kept(store: Path, values: dict[str, Any]) -> None:
    if "inspected_on" in values:
        values = {"inspected_on": today()}
    enter_finding(store, "p", [finding(**values)])
    (entry,) = entries(store)
    assert isinstance(entry.body, FindingEntered)
    assert entry.made_by == "p" and entry.body.row.inspection_id


def test_all_is_kept_or_nothing(store: Path) -> None:
    work = Repair(vehicle_id="van-1", repaired_on=DAY, wheel="1L", work="adjustment")
    with pytest.raises(RuleError, match="2 axles"):
        enter_finding(store, "p", [finding(), finding(wheel="3R")], [work])
    with pytest.raises(RuleError, match="2 axles"):
        enter_finding(store, "p", [finding()], [work.model_copy(update={"wheel": "4L"})])
    with pytest.raises(RuleError, match="no such report"):
        enter_finding(store, "p", [finding()], [work], answer(text="another"))
    with pytest.raises(RuleError, match="nothing to enter"):
        enter_finding(store, "p")
    assert not (store / ENTERED_NAME).exists()
    enter_finding(store, "p", [finding(), finding(wheel="1R")], [work], answer())
    assert [entry.kind for entry in entries(store)] == ["finding", "finding", "work", "report_answered"]


def test_every_problem_is_told_once(store: Path) -> None:
    with pytest.raises(RuleError) as refused:
        enter_finding(store, "p", [finding(wheel="3L"), finding(wheel="3L"), finding(severity=None)])
    assert str(refused.value).count("axles") == 1 and "severity" in str(refused.value)


def test_without_a_published_store_nothing_is_known(tmp_path: Path) -> None:
    with pytest.raises(StoreError):
        enter_finding(tmp_path, "p", [finding()])


# --- reports


def answer(text: str | None = "pulls left", after: timedelta = timedelta(hours=1)) -> ReportAnswered:
    return ReportAnswered(reported_at=REPORTED, text=text, cleared_at=REPORTED + after)


@pytest.mark.parametrize(
    ("answered", "told"),
    [
        (answer("another"), "no such report"),
        (answer(after=timedelta(hours=-1)), "before it was made"),
        (answer(after=timedelta(days=100_00)), "lies in the future"),
    ],
)
def test_an_answer_that_cannot_be_is_refused(store: Path, answered: ReportAnswered, told: str) -> None:
    with pytest.raises(RuleError, match=told):
        enter_finding(store, "p", answered=answered, vehicle_id="van-1")


@pytest.mark.parametrize("text", ["pulls left", None])
def test_an_answered_report_is_cleared(store: Path, text: str | None) -> None:
    enter_finding(store, "p", answered=answer(text), vehicle_id="van-1")
    merge(store)
    found = dict(rows(store, "SELECT text, cleared_at FROM defect_reports"))
    other = ({"pulls left", None} - {text}).pop()
    assert found == {text: REPORTED + timedelta(hours=1), other: None}


def test_a_report_is_answered_for_one_vehicle(store: Path) -> None:
    with pytest.raises(RuleError, match="one vehicle"):
        enter_finding(store, "p", answered=answer())
    with pytest.raises(RuleError, match="one vehicle"):
        enter_finding(store, "p", [finding(vehicle_id="=van")], answered=answer(), vehicle_id="van-1")


# --- joining the registers


def test_without_entries_nothing_is_touched(store: Path) -> None:
    before = published(store)
    merge(store)
    assert published(store) == before


def test_what_was_entered_counts_beside_the_register_and_wins(store: Path) -> None:
    enter_finding(store, "p", [finding(note="new"), finding(inspection_id="r1", severity=3, note="corrected")])
    enter_finding(store, "q", [], [Repair(vehicle_id="van-1", repaired_on=DAY, work="other", note="as entered")])
    merge(store)
    expected = [
        ("van-1", DAY, "1L", "brake_drag", 2, "new"),
        ("van-1", DAY, "1L", "brake_drag", 3, "corrected"),
    ]
    assert inspections(store) == expected
    assert rows(store, "SELECT work, note FROM repairs") == [("other", "as entered")]
    before = published(store)
    merge(store)  # a second time changes nothing
    assert published(store) == before
    register(
        store, inspections=[{"inspection_id": "r2", **finding(note="later").model_dump(exclude={"inspection_id"})}]
    )
    publish(store)  # and a publication of everything has it as well
    assert inspections(store) == sorted(
        [*expected, ("van-1", DAY, "1L", "brake_drag", 2, "later")], key=lambda r: r[4:]
    )


def test_entering_again_corrects(store: Path) -> None:
    enter_finding(store, "p", [finding(severity=2)])
    enter_finding(store, "p", [finding(severity=3, note="worse")])
    merge(store)
    assert [row[2:] for row in inspections(store) if row[2]] == [("1L", "brake_drag", 3, "worse")]


# --- files


def test_good_rows_are_in_and_bad_ones_told(store: Path) -> None:
    lines = [
        "a,van-1,2026-01-10,1l,brake_drag,2,drags",  # row 2, good
        ",van-1,2026-01-10,,none,0,",  # good, without an id
        "c,van-1,10/01/2026,,none,0,",
        "d,van-9,2026-01-10,,none,0,",
        "e,van-1,2026-01-10,3L,other,1,",
        "f,van-1,2026-01-10,1L,rust,1,",
        "g,van-1,2026-01-10,1L,,,a note only",
        "h,van-1,,1L,,,",  # not filled in
        ",,,,,,",
        "i,van-1,2026-01-10,1L,other,7,",
        "r1,=van,2026-01-10,,none,0,",
    ]
    taken = import_findings(store, (HEADER + "\n".join(lines)).encode(), "p")
    assert (taken.new, taken.known) == (2, 0)
    told = sorted(int(problem.split()[2].rstrip(":")) for problem in taken.problems)
    assert told == [4, 5, 6, 7, 8, 11, 12]
    merge(store)
    assert [row[2:] for row in inspections(store)] == [
        ("1L", "brake_drag", 2, "drags"),
        (None, "brake_drag", 2, "as registered"),
        (None, "none", 0, None),
    ]


@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_what_a_spreadsheet_program_makes_of_it(store: Path, mark: str) -> None:
    lines = ["\ufeff" + HEADER.strip(), "x,van-1,2026-01-10,1L,other,1,note\r"]
    content = "\n".join(lines).replace(",", mark).encode()
    assert import_findings(store, content, "p") == Taken(1, 0, [])


@pytest.mark.parametrize(
    ("encoding", "on"),
    a_few(product(("utf-8", "utf-8-sig", "utf-16", "cp1252"), ("2026-01-10", "10.01.2026", "10.1.2026")), 0, 4, 8, 10),
)
def test_what_older_programs_and_other_countries_write(store: Path, encoding: str, on: str) -> None:
    content = (HEADER + f"x,van-1,{on},1L,other,1,schl\u00e4gt \u2013 links\n").replace(",", "\t").encode(encoding)
    assert import_findings(store, content, "p") == Taken(1, 0, [])
    merge(store)
    assert ("van-1", DAY, "1L", "other", 1, "schl\u00e4gt \u2013 links") in inspections(store)


@pytest.mark.parametrize("on", ["01/10/2026", "31.02.2026", "10.01.26"])
def test_a_day_that_may_be_another_is_refused(store: Path, on: str) -> None:
    taken = import_findings(store, (HEADER + f"x,van-1,{on},1L,other,1,\n").encode(), "p")
    assert taken.new == 0 and "must be a date such as 2026-01-31" in taken.problems[0]


def test_what_the_register_has_is_not_entered_again(store: Path) -> None:
    line = "r1,van-1,2026-01-10,,brake_drag,2,as registered\n"
    assert import_findings(store, (HEADER + line).encode(), "p") == Taken(0, 1, [])
    assert entries(store) == []


# --- statutory inspections

DATED = HEADER.strip() + ",statutory,next_due_on\n"


def dates(store: Path) -> list[tuple[Any, ...]]:
    return rows(store, "SELECT vehicle_id, inspection_due_on, last_inspection_on FROM vehicles ORDER BY ALL")


def test_a_row_may_say_that_a_statutory_date_was_met(store: Path) -> None:
    line = "x,=van,2026-01-10,,none,0,,inspection,10.01.2027\n"
    assert import_findings(store, (DATED + line).encode(), "p") == Taken(1, 0, [])
    assert import_findings(store, (DATED + line).encode(), "p") == Taken(0, 1, [])
    merge(store)
    due = date(2027, 1, 10)
    assert dates(store) == [("=van", due, DAY), ("van-1", None, None)]
    publish(store)
    merge(store)
    assert dates(store) == [("=van", due, DAY), ("van-1", None, None)]
    earlier = line.replace("2027", "2026").replace("10.01.2026", "10.12.2026")
    assert import_findings(store, (DATED + earlier).encode(), "p") == Taken(1, 0, [])  # a slip of the pen, corrected
    merge(store)
    assert dates(store)[0] == ("=van", date(2026, 12, 10), DAY)
    register(store, vehicles=[{"vehicle_id": "=van", "inspection_due_on": date(2028, 1, 1)}])
    publish(store)
    assert dates(store)[0] == ("=van", date(2028, 1, 1), DAY)  # what the register says itself, if it is later


@pytest.mark.parametrize(
    ("cells", "told"),
    [
        ("inspection,", "next_due_on is empty"),
        (",2027-01-10", "statutory is empty"),
        ("inspection,01/10/2027", "must be a date"),
        ("inspection,2026-01-10", "must lie after"),
        ("roof,2027-01-10", "no statutory date of the kind 'roof'"),
    ],
)
def test_a_date_that_cannot_be_met_is_told_and_the_finding_is_in(store: Path, cells: str, told: str) -> None:
    taken = import_findings(store, (DATED + f"x,=van,2026-01-10,,none,0,,{cells}\n").encode(), "p")
    assert taken.new == 1 and len(taken.problems) == 1 and told in taken.problems[0]
    assert [entry.kind for entry in entries(store)] == ["finding"]


def test_a_major_finding_of_the_same_sheet_keeps_the_date(store: Path) -> None:
    lines = "x,=van,2026-01-10,,none,0,,inspection,2027-01-10\ny,=van,2026-01-10,1L,brake_drag,2,,,\n"
    taken = import_findings(store, (DATED + lines).encode(), "p")
    assert taken.new == 2 and "a major finding of 2026-01-10 is not repaired" in taken.problems[0]


def test_findings_work_and_date_are_entered_together(store: Path) -> None:
    met = DateMet(kind="inspection", done_on=DAY, next_due_on=date(2027, 1, 10))
    dragging = finding(vehicle_id="=van")
    with pytest.raises(RuleError, match="not repaired"):
        enter_finding(store, "p", [dragging], met=met)
    assert entries(store) == []
    enter_finding(
        store, "p", [dragging], [Repair(vehicle_id="=van", repaired_on=DAY, wheel="1L", work="adjustment")], met=met
    )
    assert [entry.kind for entry in entries(store)] == ["finding", "work", "date_met"]


def test_text_that_was_protected_comes_back(store: Path) -> None:
    for note in ("=1+1", "'=x", "'quoted", "-3 mm", "plain"):
        line = f"x,{protected('=van')},2026-01-10,1L,other,1,{protected(note)}"
        assert import_findings(store, (HEADER + line).encode(), "p") == Taken(1, 0, [])
        body = entries(store)[-1].body
        assert isinstance(body, FindingEntered)
        assert (body.row.vehicle_id, body.row.note) == ("=van", note)


def test_the_same_file_twice_gives_the_same_findings(store: Path, tmp_path: Path) -> None:
    copied = "p-1,van-1,2026-01-10,1L,other,1,first\np-1,van-1,2026-01-10,1R,other,1,a copied line\n"
    same = ",van-1,2026-01-10,,other,1,one\n,van-1,2026-01-10,,other,1,two\n"
    path = tmp_path / "findings.csv"
    path.write_text(HEADER + copied + same, encoding="utf-8")
    assert import_findings(store, path, "p") == Taken(4, 0, [])
    merge(store)
    before = rows(store, "SELECT * FROM inspections ORDER BY ALL")
    assert len(before) == 1 + 4  # a copied line is a finding of its own, and none gets lost
    made = stamp(store)
    assert import_findings(store, path, "q") == Taken(0, 4, [])
    assert stamp(store) == made
    merge(store)
    assert rows(store, "SELECT * FROM inspections ORDER BY ALL") == before


def test_a_missing_column_of_ids_is_made_up_for(store: Path) -> None:
    content = b"vehicle_id,inspected_on,finding\nvan-1,2026-01-10,none\n"
    assert import_findings(store, content, "p") == Taken(1, 0, [])


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "vehicle_id, inspected_on, finding is missing"),
        (b"vehicle_id,finding\nvan-1,none\n", "inspected_on is missing"),
        (b"vehicle_id,vehicle_id,inspected_on,finding\n", "more than once"),
        (HEADER.encode() + b"x,van-1,2026-01-10,,other,1,gr\x81n", "UTF-8"),
        (HEADER.encode("utf-16")[:-1], "UTF-8"),
        (HEADER.encode("utf-16")[2:], "not text"),
        (HEADER.encode() + b'x,van-1,2026-01-10,,other,1,"open', "quotation mark"),
        (b"x" * (MOST_BYTES + 1), "too large"),
    ],
)
def test_a_file_that_cannot_be_used_is_told(store: Path, content: bytes, told: str) -> None:
    with pytest.raises(InputError, match=told):
        import_findings(store, content, "p")
    (store / "big.csv").write_bytes(content)
    with pytest.raises(InputError, match=told):
        import_findings(store, store / "big.csv", "p")


def test_a_file_that_is_not_there_is_told(store: Path) -> None:
    for path in (store / "none.csv", store):
        with pytest.raises(InputError, match="cannot be read"):
            import_findings(store, path, "p")
