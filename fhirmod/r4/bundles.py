"""What R4 asks of a Bundle as a whole, beyond its invariants: links, documents, transactions.

Source: http://hl7.org/fhir/R4/bundle.html (fullUrl, references), documents.html, http.html#trules.
"""

import re
from collections.abc import Callable
from typing import Any

from fhirmod.errors import Severity

from .inside import RESTFUL, Inside
from .links import Link
from .places import Place

Say = Callable[[Severity, str, str, Place, str], None]

_STATUS = re.compile(r"[1-5][0-9][0-9](?![0-9])")
_URL = re.compile(r"/?(?:https?://.*/)?([A-Z][A-Za-z]+)(?:/([A-Za-z0-9\-.]{1,64}))?/?(\?.*)?")

# What a document must carry of what its Composition names (documents.html#content).
_CARRIED = frozenset(("subject", "encounter", "author", "attester", "custodian", "event", "section"))
_WITH_BODY = frozenset(("POST", "PUT", "PATCH"))
_IDENTIFIED = frozenset(("collection", "searchset", "history"))
_LOCAL = frozenset(("document", "message", "transaction"))


class Bundle:
    """One Bundle under check: its entries by address, and the links met inside them."""

    def __init__(
        self, node: dict[str, Any], place: Place, links: list[Link], say: Say, inside: Inside | None = None
    ) -> None:
        entries = node.get("entry")
        self._entries = [e if isinstance(e, dict) else {} for e in entries] if isinstance(entries, list) else []
        self._kind = str(node.get("type"))
        self._place = place
        self._links = links
        self._say = say
        self._inside = inside or Inside(node)

    def check(self) -> None:
        """Say everything that is wrong with the Bundle as a whole."""
        for number, entry in enumerate(self._entries):
            self._full_url(number, entry)
            self._status(number, entry)
        reached = self._resolve()
        if self._kind == "document":
            self._reachable(reached)
        elif self._kind in ("transaction", "batch"):
            self._requests()

    def _entry(self, number: int) -> Place:
        return (self._place, "entry", number)

    def _full_url(self, number: int, entry: dict[str, Any]) -> None:
        url, resource = entry.get("fullUrl"), entry.get("resource")
        if not isinstance(resource, dict):
            return
        place = self._entry(number)
        if not isinstance(url, str):
            # R4 exempts creates and what operations return unidentified; a batch may hold anything
            identified = isinstance(resource.get("id"), str) and self._kind in _IDENTIFIED
            if identified or self._kind in ("document", "message"):
                self._say(
                    "error",
                    "missing-full-url",
                    "required",
                    place,
                    f"An entry of this {self._kind} has no fullUrl; wanted its address.",
                )
            return
        found = RESTFUL.fullmatch(url)
        identity = resource.get("id")
        if found and found[2] == resource.get("resourceType"):
            if isinstance(identity, str) and identity != found[3]:
                self._say(
                    "error",
                    "full-url-id",
                    "value",
                    place,
                    f"The fullUrl is of id {found[3]}, the resource of {identity[:64]}; wanted the same.",
                )
        elif ":" not in url:
            self._say(
                "error",
                "full-url-relative",
                "value",
                place,
                "The fullUrl is relative; wanted an absolute URI.",
            )

    def _status(self, number: int, entry: dict[str, Any]) -> None:
        response = entry.get("response")
        status = response.get("status") if isinstance(response, dict) else None
        if isinstance(status, str) and not _STATUS.match(status):
            self._say(
                "error",
                "response-status",
                "value",
                (self._entry(number), "response", -1),
                "The status of a response does not start with an HTTP code; wanted three digits first.",
            )

    def _number(self, place: Place) -> int:
        here: Place | None = place
        while here is not None:
            if here[0] is self._place and here[1] == "entry":
                return here[2]
            here = here[0]
        return -1

    def _resolve(self) -> dict[int, set[int]]:
        reached: dict[int, set[int]] = {}
        for link in self._links:
            if link.text.startswith("#"):
                continue
            number = self._number(link.place)
            target = self._inside.entry(link.text, number)
            if target is None:
                self._unresolved(link, number)
                continue
            reached.setdefault(number, set()).add(target)
            resource = self._entries[target].get("resource")
            kind = resource.get("resourceType") if isinstance(resource, dict) else None
            if isinstance(kind, str) and link.targets and kind not in link.targets and link.text.startswith("urn:"):
                self._say(
                    "error",
                    "reference-target",
                    "structure",
                    link.place,
                    f"The reference leads to {kind}; wanted one of {', '.join(sorted(link.targets))}.",
                )
        return reached

    def _unresolved(self, link: Link, number: int) -> None:
        if self._kind == "document" and number == 0 and self._owed(link.place):
            self._say(
                "error",
                "not-in-document",
                "not-found",
                link.place,
                "The document's first entry refers to what the document does not carry; wanted an entry with "
                "that fullUrl.",
            )
        elif link.text.startswith(("urn:uuid:", "urn:oid:")):
            self._say(
                "error" if self._kind in _LOCAL else "warning",
                "reference-not-found",
                "not-found",
                link.place,
                "The reference is a urn that no entry of the Bundle has as fullUrl; wanted one of them, "
                "as a urn leads nowhere else.",
            )

    def _owed(self, place: Place) -> bool:
        """Return whether a place is in the first entry and its target one that a document carries."""
        names = []
        here: Place | None = place
        while here is not None and here[0] is not self._place:
            names.append(here[1])
            here = here[0]
        names.reverse()
        return len(names) > 1 and names[1] in _CARRIED and not {"extension", "contained"} & set(names)

    def _reachable(self, reached: dict[int, set[int]]) -> None:
        seen = {0}
        waiting = [0]
        backwards: dict[int, set[int]] = {}
        for source, targets in reached.items():
            for target in targets:
                backwards.setdefault(target, set()).add(source)
        while waiting:
            for target in reached.get(waiting.pop(), set()) - seen:
                seen.add(target)
                waiting.append(target)
        for number in range(1, len(self._entries)):
            # what points at a carried resource (a Provenance) belongs too
            if number not in seen and not reached.get(number, set()) & seen:
                self._say(
                    "warning",
                    "not-reachable",
                    "informational",
                    self._entry(number),
                    "The entry is not reached from the document's first; wanted only what that refers to.",
                )

    def _requests(self) -> None:
        taken: dict[str, int] = {}
        for number, entry in enumerate(self._entries):
            request, resource = entry.get("request"), entry.get("resource")
            if not isinstance(request, dict):
                continue
            method, url = request.get("method"), request.get("url")
            if not isinstance(method, str) or not isinstance(url, str):
                continue
            self._body(number, method, url, resource)
            if "$" in url or "_search" in url or method not in ("PUT", "DELETE", "PATCH", "POST"):
                continue
            found = _URL.fullmatch(url)
            if found is None:
                self._request(
                    number, "request-url", f"The url of a {method} names no resource; wanted Type or Type/id."
                )
                continue
            self._address(number, method, found, resource)
            if method != "POST" and self._kind == "transaction" and not found[3]:
                if url in taken:
                    self._request(
                        number,
                        "request-twice",
                        f"Entry {taken[url]} already changes {url[:120]}; wanted one change.",
                    )
                taken.setdefault(url, number)

    def _request(self, number: int, code: str, sentence: str) -> None:
        self._say("error", code, "business-rule", (self._entry(number), "request", -1), sentence)

    def _body(self, number: int, method: str, url: str, resource: Any) -> None:
        if method in ("POST", "PUT") and not isinstance(resource, dict) and "$" not in url and "_search" not in url:
            self._request(number, "request-body", f"A {method} has no resource; wanted the resource to store.")
        elif method not in _WITH_BODY and isinstance(resource, dict):
            self._request(number, "request-body", f"A {method} has a resource; wanted none.")

    def _address(self, number: int, method: str, found: re.Match[str], resource: Any) -> None:
        kind, identity, query = found.groups()
        if not isinstance(resource, dict) or method == "PATCH":
            return
        own, own_id = resource.get("resourceType"), resource.get("id")
        if isinstance(own, str) and own != kind:
            self._request(number, "request-type", f"The request is for {kind} but brings {own}; wanted the same type.")
        elif method == "PUT" and identity is not None and own_id != identity:
            self._request(
                number,
                "request-id",
                f"The request is for id {identity} but the resource has another; wanted the same.",
            )
        elif method == "PUT" and identity is None and not query:
            self._request(number, "request-url", "A PUT has no id and no condition; wanted Type/id or Type?condition.")
        elif method == "POST" and identity is not None:
            self._request(number, "request-url", "A POST has an id in its url; wanted the type alone.")
