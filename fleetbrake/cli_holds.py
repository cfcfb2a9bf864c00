"""The commands hold, holds, release-hold and retain."""

from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from fleetbrake.cli_talk import (
    NOTHING_DONE,
    OK,
    JsonOption,
    StoreOption,
    example,
    finish,
    results,
    sentences,
    told_list,
)
from fleetbrake.core.foreign_text import visible

ByOption = Annotated[str, typer.Option("--by", metavar="NAME", help="Who decides this; it is kept.")]
_DAY = ["%Y-%m-%d"]


def _months(what: str) -> Any:
    return typer.Option(f"--{what}-months", metavar="N", min=1, help=f"Keep {what.replace('-', ' ')} so long.")


def add_hold_commands(app: typer.Typer) -> None:
    """Register the commands."""
    app.command(epilog=example("fleetbrake hold --store store --vehicle BUS-17 --reason 'collision' --by 'A. Clerk'"))(
        hold
    )
    app.command(epilog=example("fleetbrake holds --store store"))(holds)
    app.command("release-hold", epilog=example("fleetbrake release-hold hold-1 --store store --by ... --reason ..."))(
        release_hold
    )
    app.command(epilog=example("fleetbrake retain --store store --months 13 --dry-run"))(retain)


def hold(
    store: StoreOption,
    by: ByOption,
    reason: Annotated[str, typer.Option("--reason", metavar="TEXT", help="Why, for instance the collision; kept.")],
    vehicle: Annotated[str | None, typer.Option("--vehicle", metavar="ID", help="This vehicle or trailer.")] = None,
    driver: Annotated[str | None, typer.Option("--driver", metavar="ID", help="This driver.")] = None,
    from_: Annotated[str | None, typer.Option("--from", metavar="TIME", help="From this day or time (UTC).")] = None,
    to: Annotated[str | None, typer.Option("--to", metavar="TIME", help="To the end of this day, or a time.")] = None,
    recordings: Annotated[
        list[Path] | None,
        typer.Option("--recordings", metavar="DIR", help="Where to look for files that were moved; repeatable."),
    ] = None,
    anyway: Annotated[bool, typer.Option("--anyway", help="Though the store knows no such vehicle or driver.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Freeze a vehicle, a driver, a time, or what all of those given name; copy its recordings into the store."""
    from fleetbrake.upkeep import holds

    with sentences(as_json):
        done = holds.hold(
            store,
            reason=reason,
            by=by,
            vehicle_id=vehicle,
            driver_id=driver,
            from_at=holds.moment(from_) if from_ else None,
            to_at=holds.moment(to, ends=True) if to else None,
            anyway=anyway,
            recordings=recordings or (),
        )
    told_list("Please note:", done.sentences)
    _line(f"{done.hold.hold_id} stands: {done.hold.what}. {_files(done.copied.files)}.")
    _line("Retention and forgetting skip it until it is released.")
    facts = {"command": "hold", "hold": holds.facts(done.hold), "files": done.copied.files}
    finish(as_json, {**facts, "sentences": done.sentences}, OK)


def holds(store: StoreOption, as_json: JsonOption = False) -> None:
    """List the legal holds: what, since when, by whom, why, its copies; released ones too."""
    from fleetbrake.upkeep import holds

    with sentences(as_json):
        listed = holds.list_holds(store)
    if not listed:
        results.print("There are no legal holds.")
    for one in listed:
        held = one.hold
        _line(f"{held.hold_id}: {held.what}. Since {held.at:%Y-%m-%d %H:%M} UTC by {held.by}: {held.reason}")
        if held.released is None:
            _line(f"  {_files(one.files)}.")
        else:
            ended = held.released
            _line(f"  Released {ended.at:%Y-%m-%d %H:%M} UTC by {ended.by}: {ended.reason}")
    damaged = [f"{one.hold.hold_id}: {path}" for one in listed for path in one.damaged]
    told_list("Copies that are gone or no longer what was copied:", damaged)
    facts = [{**holds.facts(one.hold), "files": one.files, "damaged_copies": one.damaged} for one in listed]
    finish(as_json, {"command": "holds", "holds": facts}, 1 if damaged else OK)


def release_hold(
    hold_id: Annotated[str, typer.Argument(metavar="HOLD", help="As `fleetbrake holds` names it: hold-1.")],
    store: StoreOption,
    by: ByOption,
    reason: Annotated[str, typer.Option("--reason", metavar="TEXT", help="Why it ends; kept.")],
    keep_copies: Annotated[bool, typer.Option("--keep-copies", help="Leave the copies of its recordings.")] = False,
    as_json: JsonOption = False,
) -> None:
    """End a hold. Its copies are removed, unless another hold has them too; retention and forgetting catch up."""
    from fleetbrake.upkeep import holds

    with sentences(as_json):
        done = holds.release_hold(store, hold_id, by=by, reason=reason, keep_copies=keep_copies)
    told_list("Please note:", done.sentences)
    _line(f"{done.hold.hold_id} is released: {done.hold.what}. Copies removed: {done.removed}.")
    if done.kept_by_others:
        _line(f"{done.kept_by_others} of these recordings stay copied for another hold.")
    if done.retained is not None:
        _print_retained(done.retained)
    facts = {
        "command": "release-hold",
        "hold": holds.facts(done.hold),
        "copies_removed": done.removed,
        "kept_by_other_holds": done.kept_by_others,
        "retained": done.retained.facts() if done.retained is not None else None,
    }
    finish(as_json, {**facts, "sentences": done.sentences}, OK)


def retain(
    store: StoreOption,
    months: Annotated[
        int | None, typer.Option("--months", metavar="N", min=1, help="Keep drivers and positions so long (13).")
    ] = None,
    inspections_months: Annotated[int | None, _months("inspections")] = None,
    brake_tests_months: Annotated[int | None, _months("brake-tests")] = None,
    repairs_months: Annotated[int | None, _months("repairs")] = None,
    defect_reports_months: Annotated[int | None, _months("defect-reports")] = None,
    today: Annotated[
        datetime | None,
        typer.Option("--today", metavar="DATE", formats=_DAY, help="Count ages from this day (UTC), none to come."),
    ] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Change nothing, only tell.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Drop drivers and positions that are too old and records whose period is over; options are kept as rules."""
    from fleetbrake.store.ageing.retention import RetentionPolicy, checked_policy, policy
    from fleetbrake.upkeep import retention

    given = {
        "positions_and_drivers_months": months,
        "inspections_months": inspections_months,
        "brake_tests_months": brake_tests_months,
        "repairs_months": repairs_months,
        "defect_reports_months": defect_reports_months,
    }
    with sentences(as_json):
        known = policy(store)
        before = (known or RetentionPolicy()).model_dump()
        changes = {name: value for name, value in given.items() if value is not None}
        rules = checked_policy({**before, **changes}) if changes or known is None else None
        day: date | None = today.date() if today is not None else None
        done = retention.retain(store, rules, day, dry_run=dry_run)
    _print_retained(done)
    finish(as_json, {"command": "retain", **done.facts()}, NOTHING_DONE if done.refused else OK)


def _print_retained(done: Any) -> None:
    told_list("Please note:", done.sentences)
    if done.refused:
        _line(done.refused)
        return
    for name, day in done.first_kept.items():
        rows = done.emptied.get(name, 0) or done.dropped.get(name, 0)
        what = "rows without driver and position now" if name in ("events", "trips") else "rows dropped"
        stay = (
            f"; {done.needed[name]} older ones stay: open, newest, or the answer to one" if name in done.needed else ""
        )
        _line(f"{name} before {day}: {rows} {what}{stay}.")
    if done.emptied.get("events") or done.emptied.get("trips"):
        _line("What events, trips and files are called stays: an id of a driver within such a name is not dropped.")
    if done.forgotten:
        gone = ", ".join(f"{count} of {place}" for place, count in sorted(done.forgotten.items()))
        _line(f"Forgotten at last, no hold keeps it any more: {gone}.")
    for hold_id, tables in sorted(done.held.items()):
        listed = ", ".join(f"{rows} of {name}" for name, rows in sorted(tables.items()))
        _line(f"{hold_id} keeps older rows: {listed}.")
    if done.dry_run:
        _line("Nothing was changed (--dry-run).")


def _files(counts: dict[str, int]) -> str:
    words = {
        "copied": "copied",
        "changed": "copied as they are now, not as they were read",
        "missing": "missing",
        "no_room": "without room on the disk",
        "failed": "not copied",
        "damaged": "whose copy is gone or damaged",
    }
    listed = ", ".join(f"{count} {words[state]}" for state, count in counts.items())
    return f"Recordings: {listed}" if listed else "No recordings"


def _line(text: str) -> None:
    results.print(visible(text), markup=False, soft_wrap=True)
