"""Who asks, and what that person or program may do: the first argument of every call to the store."""

from dataclasses import dataclass

from fhirmod.errors import ForbiddenError

EVERYTHING = "*"


@dataclass(frozen=True, slots=True)
class Access:
    """A caller and the scopes granted to it.

    Shape: the store itself asks for two scopes, "read" and "write"; "*" grants all. Finer scopes belong
           to the route table and are asked through the same `allows`.
    """

    who: str
    scopes: frozenset[str]

    @classmethod
    def whole(cls, who: str) -> "Access":
        """Return an access that may do everything, in the name of `who`."""
        return cls(who, frozenset((EVERYTHING,)))

    def allows(self, scope: str) -> bool:
        """Return whether this caller was granted `scope`.

        >>> Access("ward", frozenset({"read"})).allows("write")
        False
        >>> Access.whole("timer").allows("write")
        True
        """
        return EVERYTHING in self.scopes or scope in self.scopes

    def require(self, scope: str) -> None:
        """Return nothing if `scope` was granted.

        Errors: ForbiddenError if it was not.
        """
        if not self.allows(scope):
            granted = ", ".join(sorted(self.scopes)) or "nothing"
            raise ForbiddenError(
                f"The store was asked for {scope!r} by {self.who!r}, who holds {granted}; grant {scope!r}."
            )
