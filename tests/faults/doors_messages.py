"""Messages of the pages' own protocol, right, altered or of other kinds, drawn at random and sent by everybody."""

import random
from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import dataclass, field
from typing import Final

from builders import PLAIN
from faults.doors_site import FLEET, Site
from faults.doors_speaker import Drawn, Speaker, asked
from faults.tally import Tally
from streamlit.proto.BackMsg_pb2 import BackMsg

from fleetbrake.access.roles import PAGES
from fleetbrake.store.entered import entries

#: Asked for by name in some addresses: a page's address comes back to whoever wrote it, whatever is in it.
_ASKED_BY_NAME: Final = PLAIN.drivers[0]
_NAMES: Final = PLAIN.drivers[1:]
_ALL: Final = tuple(word for word in FLEET if word != _ASKED_BY_NAME)
#: Who sends, which page they begin with, and what they may not be told: first, and once the file gave the safety
#: manager another role.
_SENDERS: Final = (
    ("", "", _ALL, _ALL),
    ("one-stranger", "", _ALL, _ALL),
    ("one-analyst", "drivers", _NAMES, _NAMES),
    ("one-safety", "drivers", (), _NAMES),
)
#: So long is listened after a message (s): what is made on asking comes later, with the answer to another one.
_LISTENED_S: Final = 0.01
#: So long (s) once what is heard at once is used up: the pages hear one message in so long, before the door and inside.
_HEARD_EACH_S: Final = {True: 1.0, False: 0.2}
_AT_ONCE: Final = {True: 5, False: 20}
#: Messages before the door at most, for each sender there: they take a second each.
_MOST_OUTSIDE: Final = 150
#: Nothing comes any more after such a pause (s): a sheet takes less to be set.
_QUIET_S: Final = 1.5
#: One in so many messages asks for what the sender was offered just now, and is not changed.
_OWN_FILE_EACH: Final = 6


@dataclass
class _Sender:
    """Somebody's open page, and what he was offered in the roles of now."""

    site: Site
    person: str
    begins_with: str
    page: Speaker | None = None
    offered: set[str] = field(default_factory=set)
    newest: list[str] = field(default_factory=list)
    wanted: dict[str, str] = field(default_factory=dict)
    given: int = 0

    @property
    def cookie(self) -> str:
        return self.site.cookie(self.person, age_s=200.0) if self.person else ""

    def open(self) -> tuple[Speaker, Drawn]:
        """The page, opened anew where it was closed, as a browser does: it names the one before."""
        if self.page is not None and not self.page.closed:
            return self.page, Drawn()
        before = "" if self.page is None else self.page.session
        self.page = Speaker(self.site.at, self.cookie, goes_on=before)
        drawn = self.page.rerun(self.begins_with)
        self._offered(drawn)
        return self.page, drawn

    def _offered(self, drawn: Drawn) -> None:
        self.newest = drawn.later or self.newest
        self.offered |= set(drawn.later)

    def rest(self, hidden: Sequence[str]) -> str:
        """What is still to come, as :meth:`wrong`: what is made on asking takes its time."""
        wrong = ""
        while self.page is not None and (drawn := self.page.heard("x", _QUIET_S)).messages:
            wrong = wrong or self.wrong(drawn, hidden)
        return wrong

    def begin_anew(self) -> None:
        """His roles are about to change: what he was offered is no offer any more, and he asks for some of it."""
        if self.page is not None:
            self.page.ask("deferred_file", file_id=self.newest[0])  # made when they are others already
        self.offered.clear()

    def ask(self, message: BackMsg, one: str, trial: int) -> None:
        """Have a file made."""
        operation = message.backend_operation_request
        operation.request_id = f"r{trial}"
        operation.session_id = self.page.session if self.page is not None else ""
        operation.deferred_file.file_id = one
        self.wanted[operation.request_id] = one

    def wrong(self, drawn: Drawn, hidden: Sequence[str]) -> str:
        """What came that must not come; empty if nothing did."""
        self._offered(drawn)
        for answer in drawn.of("backend_operation_response"):
            url = answer.deferred_file.url
            if not url:
                continue
            mine = self.wanted.get(answer.request_id) in self.offered
            self.given += mine
            # what was asked for before the roles changed may still come, and an answer may be on its way:
            # what it names is given to nobody then
            if not mine and asked(self.site.at, url, Cookie=self.cookie)[0] != 403:
                return f"the file {url} of {answer.request_id} is given to whom it was not offered"
        found = drawn.holds(*hidden)
        return f"it was told {found}" if found else ""


def messages(site: Site, seed: int, number: int) -> Tally:
    """A share for each sender; ids of files that others were offered are among what they ask for."""
    tally = Tally("messages by web socket, drawn at random")
    before = entries(site.store)
    with tally.timed(), site.speaker("one-planner") as planner, site.speaker("one-safety", age_s=200.0) as safety:
        shown = planner.rerun()
        theirs = safety.rerun("drivers").later
        ids = [*shown.later, *theirs]
        assert len(ids) > 3, "else there is nothing to ask for"
        for person, page, *hidden in _SENDERS:
            sender, draw, share = _Sender(site, person, page), random.Random(f"{seed}/{person}"), _share(number, page)
            # the same person in the same role has another page open: what that one offers is his
            sender.offered |= set(theirs) if person == "one-safety" else set()
            for half in range(2):
                changed = person == "one-safety" and half == 1
                if changed:
                    sender.begin_anew()
                with site.in_other_roles("safety", "analyst") if changed else nullcontext():
                    for trial in range(half * (share // 2), share if half else share // 2):
                        wrong = _one(sender, draw, (shown, ids), trial, hidden[half])
                        said = f"seed {seed}, message {trial} of {person or 'nobody'}: {wrong}" if wrong else None
                        tally.add(person or "nobody", said)
                    late = sender.rest(hidden[half]) if person else ""
                    tally.failures += [f"seed {seed}, after the messages of {person}: {late}"] if late else []
            tally.parts[f"files given to {person}"] += sender.given
            if sender.page is not None:
                sender.page.close()
        if entries(site.store) != before:
            tally.failures.append(f"seed {seed}: something was entered by somebody who may only look")
        if not planner.rerun().holds(PLAIN.vehicles[0]):
            tally.failures.append(f"seed {seed}: the pages do not answer any more")
    return tally


def _share(number: int, begins_with: str) -> int:
    """Of so many messages, those of one of the four senders; two of them stand before the door."""
    outside = min(number // 4, _MOST_OUTSIDE)
    return number // 2 - outside if begins_with else outside


def _one(
    sender: _Sender, draw: random.Random, known: tuple[Drawn, Sequence[str]], trial: int, hidden: Sequence[str]
) -> str:
    """Send one message; what came that must not come."""
    page, opened = sender.open()
    if sender.begins_with and opened.messages and not opened.holds(PLAIN.vehicles[0]):
        return "nothing was drawn, so that nothing is tried"
    page.say(_message(draw, sender, *known, trial))
    outside = not sender.begins_with
    listened = _LISTENED_S if trial < _AT_ONCE[outside] else _HEARD_EACH_S[outside]
    drawn = page.rerun(draw.choice([*PAGES, ""])) if trial % 10 == 9 else page.heard("x", listened)
    return sender.wrong(opened, hidden) or sender.wrong(drawn, hidden)


def _message(draw: random.Random, sender: _Sender, shown: Drawn, ids: Sequence[str], trial: int) -> bytes:
    """A message that a page could send, one that only developers send, or one with bytes that were changed."""
    message = BackMsg()
    kind = draw.randrange(10)
    if trial % _OWN_FILE_EACH == 0 and sender.newest:
        sender.ask(message, sender.newest[0], trial)
        return message.SerializeToString()
    if kind < 3:
        _rerun(message, draw, shown)
    elif kind < 6:
        sender.ask(message, draw.choice([*ids, *sender.newest]), trial)
    elif kind == 6:
        setattr(message, draw.choice(["clear_cache", "load_git_info", "set_run_on_save", "stop_script"]), True)
    elif kind == 7:
        message.debug_shutdown_runtime = True
    elif kind == 8:
        operation = message.backend_operation_request
        operation.request_id = f"r{trial}"
        draw.choice([operation.install_skills, operation.dataframe_chunk]).SetInParent()
    else:
        message.file_urls_request.request_id = "r"
        message.file_urls_request.file_names.append(draw.choice(["x", "x.csv"]))
    content = bytearray(message.SerializeToString())
    for _ in range(draw.choice([0, 0, 0, 1, 3])):
        if content:
            content[draw.randrange(len(content))] = draw.randrange(256)
    return bytes(content)


def _rerun(message: BackMsg, draw: random.Random, shown: Drawn) -> None:
    """A page is to be drawn, with buttons pressed that somebody else is shown."""
    asked_for = message.rerun_script
    asked_for.page_script_hash = draw.choice([*shown.pages.values(), "", "0" * 32])
    asked_for.page_name = draw.choice([*PAGES, "", "../drivers", "x" * 2000])
    asked_for.query_string = draw.choice(["", "vehicle=x", f"driver={_ASKED_BY_NAME}", "units=us", "%00" * 50])
    asked_for.fragment_id = draw.choice(["", "", "0" * 32])
    for _ in range(draw.randrange(4)):
        state = asked_for.widget_states.widgets.add()
        state.id = draw.choice(shown.widgets)
        state.trigger_value = True
