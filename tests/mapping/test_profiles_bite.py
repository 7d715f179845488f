"""Each profile refuses its example once an element of it is dropped, changed or given twice, but for what is listed here.

The list says why each survivor is taken; a line that nothing needs is to be removed, and a survivor that no line
explains is a demand that the generator does not make.
"""

from fnmatch import fnmatchcase

from fhirmod.exchange import examples
from fhirmod.mapping import known_profiles
from fhirmod.mapping.urls import profile
from fhirmod.r4 import accepts, check, dump, parse, said_at_once

from .mutants import mutations, survivors

_WORDS = "words beside a code; the code alone is read by machines, and R4 gives them no grammar"
_VALUE = "another value of the same type: what was recorded is the recorder's, a profile cannot know it"
_TARGET = "where a reference leads is not in the resource; targets are checked in a Bundle that has them"
_WHO = "who did it may be named as the sender's system does, or not be known: not known is not an error"
_ABSENT = "an answer that was not given is left out, or stands as data-absent-reason"
_OPTIONAL = "an element that the record gives only where it was told"
_OTHERS = "codes of other systems stand beside ours and may be fewer or more"
_OPEN = "slicing is open: an item that no slice tells apart is a partner's own, and ours is optional"
_SERVER = "what a server writes, not the sender"
_TWICE = "R4 lets it stand more often, and once more says nothing else"
_STANDING = "what was withdrawn has none (con-5), and the profile is claimed then too"
_CLAIM = "the profile is asked for here, whatever is claimed"
_WOMAN = "a woman whom the sender's system knows may be named by identifier or display alone"
_UNIT = "a dose may be in any unit and by any route: R4 binds neither, and what cannot be read is listed as unread"
_SEVERAL = "one of several, or of a list that may be empty before its sources come"
_RUNNING = "what has not begun or not ended has no such time"
_LABELS = "another label may stand; whether it is a drill is the sender's word"
TAKEN = {
    ("*", "*.display"): _WORDS,
    ("*", "*.text"): _WORDS,
    ("*", "*.unit"): _WORDS,
    ("change", "*.reference"): _TARGET,
    ("change", "*.value"): _VALUE,
    ("change", "*[dD]ate*"): _VALUE,
    ("change", "*eriod.start"): _VALUE,
    ("change", "*.value[DCBSI]*"): _VALUE,
    ("change", "value[BS]*"): _VALUE,
    ("*", "meta.versionId"): _SERVER,
    ("drop", "meta.lastUpdated"): _SERVER,
    ("*", "meta.profile"): _CLAIM,
    ("*", "meta.security*"): _LABELS,
    ("*", "meta.tag*.code"): _VALUE,
    ("*", "*performer*"): _WHO,
    ("*", "*sender*"): _WHO,
    ("*", "*asserter*"): _WHO,
    ("*", "*requester*"): _WHO,
    ("*", "*agent*"): _WHO,
    ("*", "*owner*"): _WHO,
    ("*", "*serviceProvider*"): _WHO,
    ("*", "*valueReference*"): _WHO,
    ("drop", "encounter"): _OPTIONAL,
    ("drop", "context"): _OPTIONAL,
    ("drop", "component*"): _ABSENT,
    ("drop", "value*"): _ABSENT,
    ("change", "value*"): _VALUE,
    ("*", "component*.code.coding*"): _OPEN,
    ("*", "*.coding"): _OTHERS,
    ("*", "*.coding.*"): _OTHERS,
    ("drop", "*extension*"): _OPTIONAL,
    ("change", "*extension*"): _OPEN,
    ("add", "*extension*"): _TWICE,
    ("change", "dosage*"): _UNIT,
    ("drop", "dosage*"): _OPTIONAL,
    ("*", "property*"): _OPEN,
    ("*", "input*"): _OPEN,
    ("*", "statusReason*"): _OPTIONAL,
    ("add", "category"): _TWICE,
    ("add", "derivedFrom"): _TWICE,
    ("add", "focalDevice"): _TWICE,
    ("add", "hasMember"): _TWICE,
    ("add", "partOf"): _TWICE,
    ("add", "provision.data"): _TWICE,
    ("add", "reasonReference"): _TWICE,
    ("add", "supportingInfo"): _TWICE,
    ("add", "suspectEntity"): _TWICE,
    ("add", "target"): _TWICE,
    ("change", "authoredOn"): _VALUE,
    ("change", "sent"): _VALUE,
    ("drop", "clinicalStatus"): _STANDING,
    ("drop", "effectiveDateTime"): _OPTIONAL,
    ("drop", "derivedFrom"): _SEVERAL,
    ("drop", "partOf"): _SEVERAL,
    ("drop", "hasMember"): _SEVERAL,
    ("drop", "focalDevice"): _OPTIONAL,
    ("drop", "method"): _OPTIONAL,
    ("drop", "outcome"): _OPTIONAL,
    ("drop", "reasonCode"): _OPTIONAL,
    ("drop", "reasonReference"): _OPTIONAL,
    ("drop", "performedPeriod*"): _RUNNING,
    ("drop", "period*"): _RUNNING,
    ("drop", "timingPeriod*"): _RUNNING,
    ("drop", "subject.reference"): _WOMAN,
}


def test_what_a_profile_takes_of_a_changed_example_is_listed_with_the_reason() -> None:
    shown = {url: one for url, one in examples().items() if url != profile("case")}
    found = survivors(shown)
    unexplained = {key: names for key, names in sorted(found.items()) if not _lines(key)}
    assert unexplained == {}
    used = {line for key in found for line in _lines(key)[:1]}
    assert [line for line in TAKEN if line not in used] == []


def _lines(key: tuple[str, str]) -> list[tuple[str, str]]:
    """Return the lines that explain a survivor, the first in the table first."""
    done, where = key
    return [line for line in TAKEN if line[0] in ("*", done) and fnmatchcase(where, line[1])]


def test_the_fast_way_takes_no_changed_example_that_the_walker_refuses() -> None:
    known, taken = known_profiles(), 0
    for url, example in examples().items():
        resource = parse(dump(example))
        if url == profile("case"):
            assert accepts(resource, known)  # a whole case goes the fast way, its anchor and what is due included
            continue
        for _ in mutations(resource):
            if accepts(resource, known):
                taken += 1
                said = check(resource, known=known)
                assert [one for one in said if one.refuses] == [], url
                assert said_at_once(resource, known) in (None, said), url
    assert taken > 500
