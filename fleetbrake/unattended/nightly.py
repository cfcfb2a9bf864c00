"""The night: new recordings in, what is too old out, scores, plan; all of it under one lock."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any, Final

from fleetbrake import pipeline, upkeep
from fleetbrake.core.errors import InputError
from fleetbrake.pipeline import IngestSummary
from fleetbrake.recordings.sources import Source, find_recordings
from fleetbrake.store.ageing.retention_clock import MOST_REFUSED_D, this_day
from fleetbrake.store.database import database_path
from fleetbrake.store.lock import holder, writer_lock
from fleetbrake.unattended.config import Config, RecordingsPart
from fleetbrake.unattended.run import FAILED, Run, run_job
from fleetbrake.unattended.unusual import tell_unusual

JOB: Final = "nightly"


def nightly(config: Config) -> tuple[int, dict[str, Any]]:
    """Run the night; exit status and facts, see :func:`fleetbrake.unattended.run.run_job`."""
    return run_job(JOB, config, lambda run: _night(run, config), makes_store=True)


def _night(run: Run, config: Config) -> None:
    """All steps. One that fails leaves what was done before it, and the later ones work on that."""
    if config.recordings is None:
        raise InputError("[recordings] is missing: the night has nothing to read.")
    with waited_lock(run, config.night.wait_s):
        earlier = _dropping(run, config)
        _reading(run, config, config.recordings)
        if not database_path(run.store).is_file():
            run.status = FAILED
            run.error = run.error or "Nothing is in the store yet, so there is nothing to score or plan."
            return
        run.step("unusual", lambda: tell_unusual(run))
        _upkeep(run, config, earlier)
        day = run.step("score", lambda: pipeline.score(run.store, all_history=config.night.all_history))
        run.facts["as_of"] = None if day is None else day.isoformat()
        run.facts["visits"] = run.step("plan", lambda: pipeline.plan(run.store))


@contextmanager
def waited_lock(run: Run, wait_s: float) -> Iterator[None]:
    """The writer's lock over a whole run, waited for; StoreBusyError names the holder."""
    other = holder(run.store)
    if other is not None:
        run.progress("waiting for the store")
        run.log.info("Waiting for '%s' (process %d on %s) to end", other.command, other.pid, other.host)
    with writer_lock(run.store, run.job, wait_s):
        yield


def _reading(run: Run, config: Config, part: RecordingsPart) -> None:
    """Recordings and registers in. A folder that is not there costs neither the others nor the rest of the night."""
    files = _files(run, part.folders)
    if not files and part.registers is None:
        run.problem("There are no recordings (*.parquet) in the folders of the configuration.")
        return
    how: dict[str, Any] = {"registers": part.registers, "mapping": part.mapping, "progress": run.progress}
    how["check_bytes"] = config.night.check_bytes
    how["machines"] = None if config.cluster is None else config.cluster.machines
    taken = run.step("ingest", lambda: pipeline.ingest(files, run.store, **how))
    run.names.read()
    if taken is not None:
        run.facts.update(_counts(taken))
        run.problem(*taken.problems)
        run.warning(*taken.notes)


def _files(run: Run, folders: list[str | Path]) -> list[Source]:
    found: list[Source] = []
    within: list[str] = []
    for folder in folders:
        try:
            found += find_recordings([folder], within=within)
        except InputError as error:
            run.problem(str(error))
    run.problem(*within)
    return found


def _counts(taken: IngestSummary) -> dict[str, Any]:
    """What came in, in figures; unknown drivers as a count, since their ids are nobody's business here."""
    return {
        "files": taken.files,
        "loaded": taken.loaded,
        "unchanged": taken.unchanged,
        "partly_loaded": taken.partly_loaded,
        "rejected": taken.rejected,
        "rows": taken.rows,
        "events": taken.events,
        "registers": taken.registers,
        "unknown_vehicles": len(taken.unknown_vehicles),
        "alike_withheld": taken.alike_withheld,
        "unknown_drivers": len(taken.unknown_drivers),
    }


def _rules(run: Run, config: Config) -> upkeep.RetentionPolicy:
    return config.retention or upkeep.policy(run.store) or upkeep.RetentionPolicy()


def _dropping(run: Run, config: Config) -> upkeep.Retained | None:
    """What is too old, before anything is read: reading publishes the whole lake, and then does it for both."""
    if not database_path(run.store).is_file():
        return None
    return run.step("retention", lambda: upkeep.retain(run.store, _rules(run, config), publish=False))


def _upkeep(run: Run, config: Config, earlier: upkeep.Retained | None) -> None:
    """Copies of recordings under a hold, then what is too old. What could not be done there is a warning: no input was
    rejected, and a recording that is gone for good must not make every night a failed one."""
    for copied in run.step("holds", lambda: upkeep.copy_held(run.store)) or []:
        run.facts.setdefault("holds", {})[copied.hold_id] = {**copied.files, "new": copied.new}
        run.warning(*copied.sentences)
    kept = run.step("retention", lambda: upkeep.retain(run.store, _rules(run, config)))
    if kept is None:
        return
    if earlier is not None:
        kept.add(earlier)
    run.facts["retention"] = {key: told for key, told in kept.facts().items() if key not in ("sentences", "refused")}
    run.warning(*kept.sentences)
    if kept.refused is not None:
        run.steps["retention"] = "refused"
        if kept.refused_since is not None and this_day() - kept.refused_since > timedelta(days=MOST_REFUSED_D):
            run.problem(f"Since {kept.refused_since} nothing that is too old was dropped. {kept.refused}")
        else:
            run.warning(kept.refused)
