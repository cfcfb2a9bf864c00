"""Mappings kept beside the lake, so that an event's samples can be read from its file again."""

from pathlib import Path

from fleetbrake.recordings.mapping import Mapping
from fleetbrake.store.files import write_atomically


def keep_mapping(store: Path, mapping: Mapping) -> None:
    """Keep a mapping under its fingerprint."""
    target = store / "mappings" / f"{mapping.fingerprint()}.json"
    if not target.is_file():
        content = mapping.model_dump_json(exclude_unset=True)
        write_atomically(target, lambda part: _write(part, content))


def kept_mapping(store: Path, settings: str) -> Mapping | None:
    """The mapping that a log entry's ``settings`` name; None for recordings in contract form.

    Raises ``FileNotFoundError`` if the store has lost it.
    """
    fingerprint = settings.rpartition(":")[2]
    if fingerprint == "contract":
        return None
    return Mapping.model_validate_json((store / "mappings" / f"{fingerprint}.json").read_text(encoding="utf-8"))


def _write(part: Path, content: str) -> None:
    part.write_text(content, encoding="utf-8")
