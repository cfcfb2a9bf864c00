"""What a page says when something fails: the whole sentence to the local user, no folder of the server to others."""

import logging
import re

from fleetbrake.access.roles import Viewer
from fleetbrake.core.errors import RuleError, StoreBusyError, StoreError

_BUSY = "The store is being written by another run just now. Try again in a minute."
_UNREADABLE = (
    "The store cannot be read. Try again in a minute; if it stays so, ask whoever looks after it: the server's log "
    "says why."
)
#: An absolute path on either kind of system, quoted or not.
_PATH = re.compile(
    r"""(?P<quote>['"])(?:[A-Za-z]:)?[/\\][^'"]*[/\\](?P<quoted>[^'"/\\]*)(?P=quote)"""
    r"""|(?<![\w./\\])(?:[A-Za-z]:)?[/\\](?:[^\s/\\:;,'"()]+[/\\])+(?P<bare>[^\s/\\:;,'"()]*)"""
)


def refusal(error: Exception, who: Viewer, store: object = None) -> str:
    """The sentence of an error for whoever looks; what is kept back goes to the log."""
    if who.local or isinstance(error, RuleError):
        return str(error)
    logging.getLogger("fleetbrake").warning("%s", error)
    if isinstance(error, StoreBusyError):
        return _BUSY
    return _UNREADABLE if isinstance(error, StoreError) else without_paths(str(error), who, store)


def without_paths(sentence: str, who: Viewer, store: object = None) -> str:
    """The sentence with each absolute path cut to its last part, except before the local user."""
    if who.local:
        return sentence
    if store is not None and len(str(store)) > 1:
        sentence = sentence.replace(str(store), "the store")
    return _PATH.sub(lambda found: found["quoted"] or found["bare"] or "a folder", sentence)
