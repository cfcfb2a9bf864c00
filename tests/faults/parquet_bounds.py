"""One reading process within bounds, and what must hold of whatever it is given."""

import json
import re
import signal
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Final

from faults.parquet_bases import bases

CHILD: Final = Path(__file__).with_name("parquet_child.py")
#: Megabytes beyond those at rest that one file may take. Own choice: an ingest, which reads two at once, promises to
#: stay within a gigabyte beyond what it has loaded for sound files; a hostile one may come near it alone.
MOST_MB: Final = 800
#: What the decoder raises where a file is damaged: its own errors (which are among ValueError, OSError and so on), the
#: end of a file, texts that are none, no memory for what a page asks for.
DECODERS: Final = re.compile(
    r"^(pyarrow\.|fleetbrake\.recordings\.compact\.BadStructure|builtins\.(OSError|EOFError|UnicodeDecodeError|MemoryError)\b)"
)
#: Not the decoder's, though of its library: what is done with a column of a type that was let in.
OWN: Final = re.compile(r"Unsupported cast|no kernel matching|Failed to parse|Function '")
#: The last net of an ingest: one file must never cost the others. Whoever ends in it was not foreseen.
NET: Final = re.compile(r"cannot be read \((\w+): ")


@dataclass
class Bounded:
    """A process that reads; begun anew where a file has ended it. Use it in a ``with``."""

    folder: Path
    deaths: int = 0
    _child: subprocess.Popen[str] | None = field(default=None, repr=False)

    def read(self, data: bytes, name: str = "tried.parquet", mapping: str = "") -> dict[str, Any]:
        """What became of a file of these bytes; ``died`` says how it ended the process."""
        path = self.folder / name
        path.write_bytes(data)
        child = self._running()
        try:
            told = self._ask(child, f"{path}\t{mapping}")
        finally:
            path.unlink()
        if told is not None:
            return told
        self._child, self.deaths = None, self.deaths + 1
        code = child.wait()
        how = signal.Signals(-code).name if code < 0 else f"exit status {code}"
        return {"died": "too much of the processor's time" if how == "SIGPROF" else how}

    def _running(self) -> subprocess.Popen[str]:
        if self._child is None:
            warm = self.folder / "sound.parquet"
            warm.write_bytes(bases()[0])
            pipe = subprocess.PIPE
            self._child = subprocess.Popen([sys.executable, str(CHILD)], stdin=pipe, stdout=pipe, text=True)
            if self._ask(self._child, str(warm)) is None:
                raise RuntimeError("the reading process does not begin")
        return self._child

    @staticmethod
    def _ask(child: subprocess.Popen[str], line: str) -> dict[str, Any] | None:
        assert child.stdin is not None
        assert child.stdout is not None
        try:
            child.stdin.write(f"{line}\n")
            child.stdin.flush()
        except BrokenPipeError:
            return None
        answer = child.stdout.readline()
        return json.loads(answer) if answer else None

    def __enter__(self) -> "Bounded":
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        if self._child is not None:
            self._child.communicate()


def ending(told: dict[str, Any]) -> str:
    """How a reading ended, in a word."""
    return "died" if "died" in told else str(told["status"])


def against(told: dict[str, Any], name: str = "tried.parquet") -> str | None:  # noqa: PLR0911
    """What went against what must hold; None if nothing."""
    if "died" in told:
        return f"the process died of it: {told['died']}"
    if told["status"] not in ("loaded", "partly_loaded", "rejected"):
        return f"it has the status {told['status']}"
    if told["status"] == "rejected" and not told["reason"]:
        return "no reason is told"
    if told["status"] == "rejected" and not told["events"] and name not in told["reason"] and ":" not in told["reason"]:
        return f"the sentence does not say what it is of: {told['reason']}"
    net = NET.search(told["reason"] or "")
    if net:
        return f"not foreseen: {told['reason'][:300]}"
    strange = [one for one in told["heard"] if not DECODERS.match(one) or OWN.search(one)]
    if strange:
        return f"called damaged for an error of our own: {strange[0]}"
    if told["infinite"]:
        return f"numbers that are none among its rows: {', '.join(told['infinite'][:5])}"
    if told["mb"] > MOST_MB:
        return f"it took {told['mb']} MB"
    return None
