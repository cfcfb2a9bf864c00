"""A run that did not begin, since its configuration cannot be used: told where whatever watches looks for runs.

Of the configuration only the parts are read that say where the store and the heartbeat are.
"""

import secrets
import tomllib
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError

from fleetbrake.core.errors import StoreError
from fleetbrake.store import runs
from fleetbrake.store.runs import Outcome
from fleetbrake.unattended.config import ConfigError, HeartbeatPart, StorePart
from fleetbrake.unattended.heartbeat import Heartbeat, heartbeat_file

_FAILED: Final = 2
#: The history is kept as long as it may be: how long was asked for is not known.
_KEEP_DAYS: Final = 36600


def tell_refused(job: str, file: Path, error: ConfigError) -> list[str]:
    """Write heartbeat and history of a run whose configuration was refused; sentences on what could not be written.

    A store that is not there is not made.
    """
    try:
        told = tomllib.loads(file.read_text(encoding="utf-8"))
        where = {"folder": file.resolve().parent}
        store = StorePart.model_validate(told.get("store"), context=where).folder
    except (OSError, ValueError, ValidationError):
        return ["Where the store is cannot be read: this run is in no history and has no heartbeat."]
    if not store.is_dir():
        return [f"{store}: there is no such store: this run is in no history and has no heartbeat."]
    begun = datetime.now(UTC)
    run_id = f"{begun:%Y%m%dT%H%M%S}-{secrets.token_hex(3)}"
    not_written: list[str] = []
    try:
        beats = HeartbeatPart.model_validate(told.get("heartbeat", {}), context=where)
        heartbeat = Heartbeat(heartbeat_file(beats.folder or store, job), job, run_id, begun)
        heartbeat.ended(Outcome.FAILED, _FAILED)
        heartbeat.let_go()
    except ValidationError:
        not_written.append("Where the heartbeat is cannot be read: this run has none.")
    try:
        _into_history(store, job, run_id, begun, error)
    except StoreError as problem:
        not_written.append(str(problem))
    return not_written


def _into_history(store: Path, job: str, run_id: str, begun: datetime, error: ConfigError) -> None:
    summary: dict[str, Any] = {"problem_count": len(error.problems)}
    with runs.living(store, run_id):
        runs.begin(store, run_id, job, begun, _KEEP_DAYS)
        runs.end(store, run_id, datetime.now(UTC), Outcome.FAILED, _FAILED, summary, str(error))
