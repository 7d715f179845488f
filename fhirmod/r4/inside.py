"""Where a reference leads inside one document: to a contained resource or to another entry of its Bundle.

Source: http://hl7.org/fhir/R4/bundle.html#references, references.html#contained.
"""

import re
from collections.abc import Mapping
from typing import Any

from .places import Place

RESTFUL = re.compile(r"(https?://.*/)([A-Z][A-Za-z]+)/([A-Za-z0-9\-.]{1,64})")
_HISTORY = re.compile(r"/_history/[^/]*$")


class Inside:
    """The resources of one document by their addresses; the place of a reference tells whose it is."""

    def __init__(self, document: Any) -> None:
        self._document = document
        entries = document.get("entry") if isinstance(document, Mapping) else None
        self._entries = [e if isinstance(e, dict) else {} for e in entries] if isinstance(entries, list) else []
        self._by_url: dict[str, int] = {}
        self._by_id: dict[str, int] = {}
        self._bases: dict[int, str] = {}
        for number, entry in enumerate(self._entries):
            url, resource = entry.get("fullUrl"), entry.get("resource")
            if isinstance(url, str):
                self._by_url.setdefault(url, number)
            if isinstance(resource, dict) and isinstance(resource.get("id"), str):
                self._by_id.setdefault(f"{resource.get('resourceType')}/{resource['id']}", number)

    @property
    def bundle(self) -> bool:
        """Return whether the document is a Bundle."""
        return isinstance(self._document, Mapping) and self._document.get("resourceType") == "Bundle"

    def entry(self, text: str, number: int) -> int | None:
        """Return which entry a reference made in entry `number` (-1: none) leads to."""
        if "/_history/" in text:
            text = _HISTORY.sub("", text)
        if text in self._by_url:
            return self._by_url[text]
        if ":" in text.partition("/")[0]:
            return None
        base = self._base(number)
        if base and base + text in self._by_url:
            return self._by_url[base + text]
        return self._by_id.get(text)

    def _base(self, number: int) -> str:
        """Return what the relative references of an entry stand behind, empty where its address does not say."""
        if number not in self._bases:
            own = self._entries[number].get("fullUrl") if number >= 0 else None
            base = RESTFUL.fullmatch(own) if isinstance(own, str) else None
            self._bases[number] = base[1] if base else ""
        return self._bases[number]

    def target(self, text: str, place: Place, root: Mapping[str, Any]) -> Mapping[str, Any] | None:
        """Return the resource a reference at a place leads to; `root` is the resource it stands in."""
        if text.startswith("#"):
            contained = root.get("contained")
            for one in contained if isinstance(contained, list) else ():
                if isinstance(one, dict) and one.get("id") == text[1:]:
                    return one
            return root if text == "#" else None
        number = self.entry(text, _number(place))
        return None if number is None else self.resource(number)

    def resource(self, number: int) -> Mapping[str, Any] | None:
        """Return the resource of an entry."""
        found = self._entries[number].get("resource")
        return found if isinstance(found, dict) else None


def _number(place: Place) -> int:
    """Return the number of the outermost entry that a place stands in, or -1."""
    number, here = -1, place
    while here is not None:
        if here[0] is not None and here[0][0] is None and here[1] == "entry":
            number = here[2]
        here = here[0]  # type: ignore[assignment]
    return number
