"""What R4 allows in a narrative: one XHTML div of plain formatting, without scripts, forms or frames.

Source: http://hl7.org/fhir/R4/narrative.html#Narrative (txt-1, txt-2), which names HTML 4.0 chapters 7-11
        (without 9.4) and 15, links and images; element and attribute names from the HTML 4.01 index.
"""

import re
from collections.abc import Iterator
from xml.parsers import expat

XHTML = "http://www.w3.org/1999/xhtml"

_ELEMENTS = frozenset(
    """
    div span p br hr h1 h2 h3 h4 h5 h6 address bdo em strong dfn code samp kbd var cite abbr acronym
    blockquote q sub sup pre ul ol li dl dt dd table caption thead tbody tfoot colgroup col tr th td
    tt i b big small a img map area
    """.split()  # noqa: SIM905 - a table reads better
)
_EVERYWHERE = frozenset(
    """
    id class style title lang xml:lang dir accesskey tabindex align valign width height border char charoff
    abbr axis headers scope rowspan colspan span summary frame rules cellspacing cellpadding nowrap bgcolor
    cite space xml:space xmlns start type value compact clear size noshade
    """.split()  # noqa: SIM905
)
_BY_ELEMENT = {
    "a": frozenset("name href hreflang rel rev charset type shape coords target".split()),  # noqa: SIM905
    "img": frozenset("src alt longdesc usemap ismap name hspace vspace".split()),  # noqa: SIM905
    "map": frozenset(("name",)),
    "area": frozenset("shape coords href nohref alt".split()),  # noqa: SIM905
}
_VOID_CONTENT = "img"
_SCRIPTS = ("javascript:", "vbscript:")
_ADDRESS_SPACE = re.compile(r"[\x00-\x20]+")  # a browser leaves these out of an address

Problem = tuple[str, str]  # the invariant's key, and what was got and would be right


def problems(text: str) -> Iterator[Problem]:
    """Return what is wrong with a narrative's div, as invariant key and half a sentence."""
    reader = _Reader()
    try:
        reader.read(text)
    except expat.ExpatError as broken:
        yield "xhtml", f"{_reason(broken)}; wanted well-formed XHTML with characters, not named entities"
        return
    yield from reader.found
    if not reader.content:
        yield "txt-2", "it has neither text nor image; wanted some content"


class _Reader:
    """Collects problems while expat reads."""

    def __init__(self) -> None:
        self.found: list[Problem] = []
        self.content = False
        self._depth = 0
        self._parser = expat.ParserCreate()
        self._parser.StartElementHandler = self._start
        self._parser.EndElementHandler = self._end
        self._parser.CharacterDataHandler = self._characters
        self._parser.StartDoctypeDeclHandler = self._doctype
        self._parser.ProcessingInstructionHandler = self._instruction

    def read(self, text: str) -> None:
        self._parser.Parse(text.encode("utf-8", "surrogatepass"), True)

    def _say(self, said: str) -> None:
        self.found.append(("txt-1", said))

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        self._depth += 1
        if self._depth == 1:
            if name != "div":
                self._say(f"its outermost element is {name[:20]}; wanted div")
            if attributes.get("xmlns") != XHTML:
                self._say(f"its div has no namespace; wanted xmlns {XHTML}")
        elif attributes.get("xmlns", XHTML) != XHTML:
            self._say(f"its element {name[:20]} is of another namespace; wanted {XHTML}")
        if name not in _ELEMENTS:
            self._say(f"it has the element {name[:20]}; wanted only formatting, links and images")
        elif name == _VOID_CONTENT:
            self.content = True
        own = _BY_ELEMENT.get(name, frozenset())
        for key, value in attributes.items():
            if key not in _EVERYWHERE and key not in own and not key.startswith("xmlns:"):
                self._say(f"its element {name[:20]} has the attribute {key[:20]}; wanted none of that name")
            elif key in ("href", "src") and _ADDRESS_SPACE.sub("", value).lower().startswith(_SCRIPTS):
                self._say(f"its element {name[:20]} links to a script; wanted a link without one")

    def _end(self, _name: str) -> None:
        self._depth -= 1

    def _characters(self, text: str) -> None:
        if not self.content and text.strip():
            self.content = True

    def _instruction(self, name: str, _data: str) -> None:
        self._say(f"it has the processing instruction {name[:20]}; wanted only formatting, links and images")

    def _doctype(self, *_: object) -> None:
        self._say("it has a document type declaration; wanted none")
        raise expat.ExpatError("it has a document type declaration")


def _reason(broken: expat.ExpatError) -> str:
    code = getattr(broken, "code", None)
    if code is None:
        return "it has a document type declaration"
    return f"it is broken at line {broken.lineno} column {broken.offset + 1} ({expat.ErrorString(code)})"
