"""The received text with only its identity and rewritten links changed; every other byte as it came."""

import re
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any

import msgspec

from fhirmod.errors import UnreadableError

# Names whose R4 type is uri, url, oid or uuid, where a transaction's urn:uuid link is also replaced
# (http://hl7.org/fhir/R4/http.html#trules). `value` is not one of them: Identifier.value is text, and a
# document's own urn:uuid identifier must survive. A test compares this table with the definitions.
LINK_NAMES = frozenset(
    """
    address authority contentReference endpoint fullUrl implicitRules instantiates instantiatesUri issuer
    jurisdiction location onlineInformation policy property protocol relativePath rendering source system
    target type uri url defaultValueUri defaultValueUrl defaultValueOid defaultValueUuid definitionUri
    fixedUri fixedUrl fixedOid fixedUuid nameUrl patternUri patternUrl patternOid patternUuid sourceUri
    targetUri valueUri valueUrl valueOid valueUuid reference
    """.split()  # noqa: SIM905 - a table reads better
)

_token = re.compile(rb'"(?:[^"\\]++|\\.)*+"|[{}\[\]]', re.DOTALL)
_colon = re.compile(rb"[ \t\r\n]*:[ \t\r\n]*")
_scalar = re.compile(rb'"(?:[^"\\]++|\\.)*+"|[^,\]} \t\r\n]+', re.DOTALL)
_empty = re.compile(rb"\{[ \t\r\n]*\}")
_href = re.compile(rb"""((?:href|src)[ ]*=[ ]*(?:\\"|'))(urn:[^"'\\<>]*)""")

Edit = tuple[int, int, bytes]


def splice(
    text: bytes,
    *,
    id: str,
    version_id: str,
    last_updated: str,
    references: Mapping[str, str] = MappingProxyType({}),
) -> bytes:
    """Return `text` with top-level id, meta.versionId and meta.lastUpdated set and `references` rewritten.

    Shape:  `text` is what `parse` has read without error. `references` maps a link as received (a urn:uuid,
            a conditional or relative reference) to the one to store: replaced where it is a whole
            Reference.reference, and for urn: links also where it is a whole uri-like value or an href/src
            in the narrative. What is absent is inserted.
    Errors: UnreadableError if the text is not one object, or `meta` is not an object.
    """
    start = text.find(b"{")
    if start < 0:
        raise UnreadableError("The text has no object to give an identity to; wanted one JSON resource.")
    wanted = {"id": _quote(id), "versionId": _quote(version_id), "lastUpdated": _quote(last_updated)}
    edits = _identity(text, start, wanted)
    if references:
        edits += _links(text, references)
    return _applied(text, edits)


def entry_texts(text: bytes) -> list[bytes | None]:
    """Return the exact text of each Bundle entry's resource, in order; None where an entry has none.

    Shape:  `text` is a Bundle that `parse` has read without error.
    """
    entries = _members(text, text.find(b"{"), ("entry",)).get("entry")
    found: list[bytes | None] = []
    position = entries[0] + 1 if entries else len(text)
    while entries and (begin := text.find(b"{", position, entries[1])) >= 0:
        span = _members(text, begin, ("resource",)).get("resource")
        found.append(None if span is None else text[span[0] : span[1]])
        position = _closing(text, begin)
    return found


def _identity(text: bytes, start: int, wanted: Mapping[str, bytes]) -> list[Edit]:
    top = _members(text, start, ("resourceType", "id", "meta"))
    edits: list[Edit] = []
    missing = b""
    if "id" in top:
        edits.append((*top["id"], wanted["id"]))
    else:
        missing = b'"id":' + wanted["id"]
    stamp = b'"versionId":%b,"lastUpdated":%b' % (wanted["versionId"], wanted["lastUpdated"])
    if "meta" not in top:
        missing += (b"," if missing else b"") + b'"meta":{' + stamp + b"}"
    else:
        begin = top["meta"][0]
        if text[begin : begin + 1] != b"{":
            raise UnreadableError("The property meta is not an object; wanted an object or no meta at all.")
        meta = _members(text, begin, ("versionId", "lastUpdated"))
        absent = []
        for name in ("versionId", "lastUpdated"):
            if name in meta:
                edits.append((*meta[name], wanted[name]))
            else:
                absent.append(b'"' + name.encode() + b'":' + wanted[name])
        if absent:
            edits.append((begin + 1, begin + 1, b",".join(absent) + (b"" if _empty.match(text, begin) else b",")))
    if missing:
        if "resourceType" in top:
            end = top["resourceType"][1]
            edits.append((end, end, b"," + missing))
        else:
            edits.append((start + 1, start + 1, missing + (b"" if _empty.match(text, start) else b",")))
    return edits


def _members(text: bytes, start: int, names: tuple[str, ...]) -> dict[str, tuple[int, int]]:
    """Return where the values of the object at `start` begin and end, at least those of `names`."""
    members: dict[str, tuple[int, int]] = {}
    escaped = b"\\u" in text
    awaited = {name for name in names if escaped or b'"%b"' % name.encode() in text}
    find, colon, scalar = _token.search, _colon.match, _scalar.match
    position = start + 1
    while awaited and (key := find(text, position)) is not None and text[key.start()] == 0x22:  # a quote
        name = text[key.start() + 1 : key.end() - 1]
        after = colon(text, key.end())
        if after is None:
            break
        begin = after.end()
        if text[begin] in b"{[":
            position = _closing(text, begin)
        else:
            value = scalar(text, begin)
            position = value.end() if value else begin + 1
        plain = name.decode() if b"\\" not in name else msgspec.json.decode(key[0])
        members[plain] = (begin, position)
        awaited.discard(plain)
    return members


_bracket_or_text = re.compile(rb'[^"{}\[\]]*+(?:"(?:[^"\\]++|\\.)*+"[^"{}\[\]]*+)*+([{}\[\]])', re.DOTALL)


def _closing(text: bytes, begin: int) -> int:
    """Return the offset just after the bracket that closes the one at `begin`."""
    depth = 0
    position = begin
    step = _bracket_or_text.match
    while (token := step(text, position)) is not None:
        position = token.end()
        if text[position - 1] in b"{[":
            depth += 1
        else:
            depth -= 1
            if depth == 0:
                return position
    raise UnreadableError("The text ends inside an object or array; wanted its closing bracket.")


def _links(text: bytes, references: Mapping[str, str]) -> list[Edit]:
    """Take the plain pairs of name and text where the text is plain, else visit every token."""
    if not (b"\\u" in text or b"\\/" in text or _listed.search(text) or _href.search(text)):
        return _plain_links(text, references)
    edits: list[Edit] = []
    urns = {old.encode(): new for old, new in references.items() if old.startswith("urn:")}
    name: Any = b""
    colon = _colon.match
    for token in _strings(text):
        begin, end = token.span()
        if colon(text, end):
            name = token[0]
            continue
        if name == b'"div"':
            edits += _narrative(text, begin, end, urns)
            continue
        plain = _text(token[0])
        new = references.get(plain)
        if new is None:
            continue
        if _is_link(_text(name), plain):
            edits.append((begin, end, _quote(new)))
    return edits


def _is_link(name: str, value: str) -> bool:
    return name == "reference" or (name in LINK_NAMES and value.startswith("urn:"))


def _plain_links(text: bytes, references: Mapping[str, str]) -> list[Edit]:
    edits: list[Edit] = []
    for pair in _reference_pairs(text):
        new = references.get(pair[1][1:-1].decode())
        if new is not None:
            edits.append((*pair.span(1), _quote(new)))
    if b'"urn:uuid:' in text or b'"urn:oid:' in text:
        for pair in _urn_pairs(text):
            new = references.get(pair[2][1:-1].decode())
            if new is not None and pair[1] != b"reference" and pair[1].decode() in LINK_NAMES:
                edits.append((*pair.span(2), _quote(new)))
    return edits


_reference_pairs: Callable[[bytes], Any] = re.compile(rb'"reference"[ \t\r\n]*:[ \t\r\n]*("[^"\\]+")').finditer
_urn_pairs: Callable[[bytes], Any] = re.compile(rb'"([A-Za-z]+)"[ \t\r\n]*:[ \t\r\n]*("urn:[^"\\]+")').finditer
_listed = re.compile(rb'[\[,][ \t\r\n]*"urn:')


_strings: Callable[[bytes], Any] = re.compile(rb'"(?:[^"\\]++|\\.)*+"', re.DOTALL).finditer


def _text(token: bytes) -> str:
    return token[1:-1].decode() if b"\\" not in token else msgspec.json.decode(token, type=str)


def _narrative(text: bytes, begin: int, end: int, urns: Mapping[bytes, str]) -> list[Edit]:
    if not urns:
        return []
    return [
        (*link.span(2), _quote(urns[link[2]])[1:-1]) for link in _href.finditer(text, begin, end) if link[2] in urns
    ]


def _quote(value: str) -> bytes:
    return msgspec.json.encode(value)


def _applied(text: bytes, edits: list[Edit]) -> bytes:
    edits.sort()
    parts: list[bytes] = []
    position = 0
    for begin, end, new in edits:
        parts += (text[position:begin], new)
        position = end
    parts.append(text[position:])
    return b"".join(parts)
