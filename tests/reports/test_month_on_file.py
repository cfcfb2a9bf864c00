"""What a reader is told first of inspections that speak for no prediction."""

from datetime import date

import pyarrow as pa
from made_month import made_month, table

from fleetbrake.reports.monthly.month_pdf_parts_inspections import inspections
from fleetbrake.reports.monthly.month_remarks import remarks_of


def _remarks(**figures: int) -> str:
    told = made_month(3)
    rows = [{"span": "last_12_months", "figure": name, "inspected": count} for name, count in figures.items()]
    hits: dict[str, pa.Table] = {"hit_rate": table("hit_rate", rows)}
    return " ".join(remarks_of(told.of, told.figures, told.tables | hits, [told.of.month]))


def test_inspections_without_a_prediction_are_said_to_be_so_and_not_denied() -> None:
    said = _remarks(flagged=0, not_flagged=0, afterwards_flagged=4, afterwards_not_flagged=3, not_judged=2)
    assert "No inspection of the last twelve months tells whether a prediction was right." in said
    assert "7 of the last twelve months' inspections have only scores worked out afterwards" in said
    assert "2 of the last twelve months' inspections on file are not judged yet: run `fleetbrake score`." in said
    quiet = _remarks(flagged=20, not_flagged=5, afterwards_flagged=0, not_judged=0)
    assert "afterwards" not in quiet and "on file" not in quiet


def test_the_verdict_tells_when_a_score_was_made_and_what_was_minor() -> None:
    base = {"found": False, "severity": 1, "predicted_as_of": date(2026, 2, 1), "flagged": True, "known_before": False,
            "minor": "brake_fade", "minor_same_kind": True, "predicted_priority": "this_week"}  # fmt: skip
    before = {"made_before": True, "predicted_made_on": date(2026, 2, 2)}
    after = {"made_before": False, "predicted_made_on": date(2026, 3, 5)}
    other = {"minor": "side_imbalance", "minor_same_kind": False}
    found = {"found": True, "severity": 2, "minor": None, "minor_same_kind": None, "known_before": True}
    rows = [base | before, base | before | other, base | after, base | before | found]
    named = [{"vehicle_id": f"v{n}", "inspected_on": date(2026, 2, 9)} | row for n, row in enumerate(rows)]
    part = inspections(table("hit_rate", []), table("inspection_outcomes", named), "2026-02")
    told = {row["vehicle"]: row for row in part["rows"]}
    assert told["v0"]["verdict"] == "flagged, and a minor finding of that kind, which needs no repair"
    assert told["v0"]["found"].startswith("nothing that needs repair; minor: ")
    assert "made" in told["v0"]["as_of"] and "worked out" not in told["v0"]["as_of"]
    assert told["v1"]["verdict"] == "flagged, no defect found" and "; minor: " in told["v1"]["found"]
    assert (
        told["v2"]["verdict"].startswith("no prediction, worked out afterwards: ")
        and "worked out" in told["v2"]["as_of"]
    )
    assert told["v3"]["verdict"].endswith("reported or found by people too")
    assert part["note"] == "Most telling first."
