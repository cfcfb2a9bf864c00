"""The words of the project's own sentences: an id that is one of them cannot be told from the sentence around it.

They come from the closed lists of words, from the meanings of all columns, and from a list of what else the sentences
of plans, findings, recordings and coaching say. What is a person's name too ("mark", "grace") is left out: there an
alias too many does less harm than a name.
"""

import re
from collections.abc import Iterator
from typing import Any, Final

from fleetbrake.core import vocabulary
from fleetbrake.core.tables import TABLES

_SENTENCES: Final = """
about above absence absent acceleration acted again ago ahead all already also and angle another answered any appear are
axles back backwards bay be because become been before begin being belongs below best beyond bottom both brake brakes
braked braking bring brings but by calendar came can cannot capacity case cases cell cells chamber changed characters
chart checked chosen cleared clock closed coaching coasting column columns comes corrected cycle damaged dangerous data
date dated dates day days decides deep defects deferred demand depot did difference differs digits disc discs distance
does done down drive driving drop dropped drum each early eased effect eight either electronic empty ended ends enough
enter entered entry equal event events every everything example far fault feature few fewer file files filled finding
findings first fixed flagged flags folder follow for force found four free friday from front full further gave gentle
gets give gives good grey grip group had half hard hardly has have held help here high history hold hot hour hours how
inside instead into is its join joined judged just keep keeps key kept km know known lamp large last late later lead
learning least leave leaves left less let lies like likelier limits line linear lines lining linings load loads locked
locking locks long longer lost low lowers lowest made major make map mapped mapping mean meaning method middle minor
minute minutes missing mixed monday month more most much near need needed needs neither never new newer next night nine
no noise nor normal not noted nothing number observed odometer off often old older on once one only open opened opinion
or order other others out over overdue own page pages pair part parts past pedal people per period piece pieces place
plan planned planner planning possible power pressure pressed problem program published quarter quick raised ran rare
rarer rate reaches read rear recorded recording recordings records registered rejected remain remarks removed renamed
repaired repairs repeated replaced report reported reports reservoir rest restore right rising road roads roller room
rough round row rows run running runs said same sample samples saturday saved scale score scored scoring seconds seen
sensor seven severity shape sharp sheet shop short should showed shown shows side sides sign since six size slid slipped
slow slowly small smooth smoother smoothly some soon sooner speed speeds stand standing stands steady step steps stood
stop stopped stops store straight street such sudden sum summary sunday system table take taken takes tandem temperature
ten tenth test tested tests text than that the their them then there these they thing this those three through thursday
time times to today together too took top torque traces trailer tried trigger trip trips true truck tuesday turn turns
twice two tyre tyres uncertain under units unknown unless until up update use used usual valve value vehicle vehicles
very view visit visits waiting wants was weakens wear weather wednesday week weeks weighted well went were wet what
wheel wheels when where whether which while who whoever whole why wide wish with within without word words work
workshop worse worst would written year years yes yet zero zone bus car coach van lorry
"""
#: Words that are names of people as well.
_NAMES_TOO: Final = frozenset(
    (
        "april", "art", "august", "bill", "chance", "chase", "drew", "faith", "frank", "grace", "grant", "guy", "hope",
        "jack", "jim", "joy", "june", "king", "lake", "lane", "lee", "mark", "may", "north", "rich", "robin", "rose",
        "star", "summer", "sun", "wade", "west", "white", "will", "young",
    )
)  # fmt: skip


def _texts(told: Any) -> Iterator[str]:
    """Every text of nested lists of words."""
    if isinstance(told, str):
        yield told
    elif isinstance(told, dict):
        for name, value in told.items():
            yield from (*_texts(name), *_texts(value))
    elif isinstance(told, tuple):
        for value in told:
            yield from _texts(value)


def _words() -> frozenset[str]:
    listed = [text for name, value in vars(vocabulary).items() if name.isupper() for text in _texts(value)]
    columns = [f"{c.name} {c.meaning}" for table in TABLES.values() for c in table]
    found = re.findall(r"[^\W\d_]+", " ".join([_SENTENCES, *listed, *columns]).casefold())
    return frozenset(found) - _NAMES_TOO


def _codes() -> frozenset[str]:
    """Wheels, categories: what our own lists write with a letter and a digit."""
    listed = [text for name, value in vars(vocabulary).items() if name.isupper() for text in _texts(value)]
    found = re.findall(r"[^\W_]+", " ".join(listed).casefold())
    return frozenset(word for word in found if any(map(str.isdigit, word)) and any(map(str.isalpha, word)))


#: All of them, without case.
OWN_WORDS: Final = _words()
#: All of those of letters and digits, without case.
OWN_CODES: Final = _codes()
