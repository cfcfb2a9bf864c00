"""Mappings kept beside the lake, so that an event's samples can be read from its file again."""

import json
from pathlib import Path
from typing import Final

from fleetbrake.recordings.mapping import Mapping
from fleetbrake.store.files import write_atomically
from fleetbrake.store.forgetting.forgetter import Forgetter, changed_values
from fleetbrake.store.forgetting.tombstones import read_tombstones

MAPPINGS_FOLDER: Final = "mappings"


def keep_mapping(store: Path, mapping: Mapping) -> None:
    """Keep a mapping under its fingerprint; a driver who was forgotten is left out of it."""
    target = store / MAPPINGS_FOLDER / f"{mapping.fingerprint()}.json"
    if not target.is_file():
        content = mapping_text(mapping.model_dump_json(exclude_unset=True), Forgetter(read_tombstones(store)))
        write_atomically(target, lambda part: _write(part, content))


def kept_mapping(store: Path, settings: str) -> Mapping | None:
    """The mapping that a log entry's ``settings`` name; None for recordings in contract form.

    Raises ``FileNotFoundError`` if the store has lost it.
    """
    fingerprint = settings.rpartition(":")[2]
    if fingerprint == "contract":
        return None
    return Mapping.model_validate_json((store / MAPPINGS_FOLDER / f"{fingerprint}.json").read_text(encoding="utf-8"))


def mapping_text(text: str, forgetter: Forgetter) -> str:
    """The JSON of a mapping without forgotten ids; a driver given as a constant goes with its entry."""
    if not forgetter:
        return text
    told = json.loads(text)
    columns = told.get("columns", {})
    if "driver_id" in columns:
        columns["driver_id"] = [one for one in columns["driver_id"] if not _forgotten(one.get("constant"), forgetter)]
        if not columns["driver_id"]:
            del columns["driver_id"]
    return json.dumps(changed_values(told, forgetter.text), ensure_ascii=False)


def _forgotten(constant: object, forgetter: Forgetter) -> bool:
    return constant is not None and forgetter.knows(str(constant))


def _write(part: Path, content: str) -> None:
    part.write_text(content, encoding="utf-8")
