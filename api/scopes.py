"""What a caller may do: scopes as SMART App Launch 2 writes them, asked of every row of both route tables.

A resource that is in no woman's compartment (an Organization, a Location, a profile) is asked for like any other, by
the scope of its type; nothing is open because it is about nobody. A scope with a condition (`.rs?category=...`) grants
nothing, since what it leaves out is not judged here; nor does one of patient/.
Source: https://hl7.org/fhir/smart-app-launch/STU2/scopes-and-launch-context.html (its table of letters as reprinted in
public source code; that v1's read, write and * are rs, cud and cruds is from memory).
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, cast

from fhirmod.store import Access

from .problems import CHALLENGE, RefusedRequest

Bedside = Literal["bedside.read", "bedside.write"]
Letter = Literal["c", "r", "u", "d", "s"]
Need = tuple[Letter, str]  # what is done, and to which type: "*" is every type at once

_SMART = re.compile(r"(system|user)/(\*|[A-Z][A-Za-z]{1,63})\.(c?r?u?d?s?|read|write|\*)", re.ASCII)
_FIRST_VERSION = {"read": "rs", "write": "cud", "*": "cruds"}
_WRITES = frozenset("cud")
ALL_LETTERS: tuple[Letter, ...] = ("c", "r", "u", "d", "s")


@dataclass(frozen=True, slots=True)
class Caller:
    """Who asks, and the scopes of that caller that this service knows; `whole` may do everything.

    Shape: `granted` holds (letter, type) of the FHIR side and the words of the bedside; `patient` is whether scopes of
           patient/ were among them.
    """

    who: str
    granted: frozenset[Need | Bedside]
    whole: bool = False
    patient: bool = False

    @property
    def access(self) -> Access:
        """Return the same as the store asks for it; to write is also to read what is written to."""
        if self.whole:
            return Access.whole(self.who)
        writes = any(one == "bedside.write" or one[0] in _WRITES for one in self.granted)
        return Access(self.who, frozenset(("read", "write") if writes else ("read",) if self.granted else ()))

    def may(self, need: Need | Bedside) -> bool:
        """Return whether a scope allows it; what concerns every type needs a scope for every type.

        >>> granted("ehr", "system/Observation.rs").may(("r", "Observation"))
        True
        >>> granted("ehr", "system/Observation.r system/Patient.rs").may(("s", "Observation"))
        False
        """
        return self.whole or need in self.granted or (isinstance(need, tuple) and (need[0], "*") in self.granted)

    def require(self, needs: Iterable[Need | Bedside], *, place: str = "") -> None:
        """Return nothing if every one of these is allowed.

        Errors: RefusedRequest (403) naming the first scope that is lacking.
        """
        for need in needs:
            if not self.may(need):
                scope = said(need)
                more = " Scopes of patient/ are not taken here yet." if self.patient else ""
                raise RefusedRequest(
                    403,
                    "forbidden",
                    f"This needs the scope {scope}, which the token does not grant.{more}",
                    {"WWW-Authenticate": f'{CHALLENGE}, error="insufficient_scope", scope="{scope}"'},
                    place=place,
                )


def said(need: Need | Bedside) -> str:
    """Return the narrowest scope that allows this.

    >>> said(("s", "Observation"))
    'system/Observation.s'
    """
    return need if isinstance(need, str) else f"system/{need[1]}.{need[0]}"


HERE = Caller("this machine", frozenset(), whole=True)  # nobody else can reach a service that asks for no token


def granted(who: str, scopes: str) -> Caller:
    """Return the caller that holds these scopes, apart by blanks; those that are not of this service grant nothing.

    Shape: patient/ scopes grant nothing yet: what of a woman's record they cover is not judged here.
    """
    found: set[Need | Bedside] = set()
    listed = scopes.split()
    for scope in listed:
        if scope in ("bedside.read", "bedside.write"):
            found.add(cast("Bedside", scope))
        elif (parts := _SMART.fullmatch(scope)) is not None:
            found.update((cast("Letter", letter), parts[2]) for letter in _FIRST_VERSION.get(parts[3], parts[3]))
    return Caller(who, frozenset(found), patient=any(scope.startswith("patient/") for scope in listed))
