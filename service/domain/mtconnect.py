"""One document of an MTConnect agent, read: the header and every observation, or the refusal that names the place.

Rules of this file
- Elements and attributes are known by their local names, so that every version of the namespace is read alike.
- A document type, an entity and an external reference are refused where they are declared, before anything is expanded.
- No tree is built: an observation is kept as it is closed, and everything else is passed over.

Names as in MTConnect Part 1 (Header), Part 3 (Streams), and the XML schemas MTConnectStreams 1.8, 2.0 and 2.7.
"""

from typing import Any, Final, Literal

from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import DefusedXMLParser, ParseError
from msgspec import Struct

from service.domain.refusal import Fault, Refusal

BYTES_MAX: Final = 5 * 1024 * 1024
"""Of one document. Ours; an agent's `count` says how much it sends at once."""
DEPTH_MAX: Final = 64
TEXT_CHARACTERS_MAX: Final = 256
"""Of one value that is kept; longer ones are cut, and then no count."""
_PORTION: Final = 64 * 1024

Category = Literal["Samples", "Events", "Condition"]
_CATEGORIES: Final[dict[str, Category]] = {"Samples": "Samples", "Events": "Events", "Condition": "Condition"}


class DocumentRefusal(Refusal):
    """What is wrong with a document as a whole. `line` and `column` begin with 1, where they are known."""

    code = "xml_malformed"

    def __init__(self, detail: str, *, line: int | None = None, column: int | None = None) -> None:
        where = "" if line is None else f" (line {line}, column {column})"
        fault = Fault(code=self.code, detail=detail, line=line, column=column)
        super().__init__(f"{detail}{where}", faults=[fault])


class DocumentMalformed(DocumentRefusal):
    """Not well-formed XML: cut off, broken, or in no encoding that is known."""

    code = "xml_malformed"


class DocumentForbidden(DocumentRefusal):
    """XML that declares a document type or entities, or refers to something outside."""

    code = "xml_not_allowed"


class DocumentWrong(DocumentRefusal):
    """Well-formed, and another kind of document than MTConnectStreams."""

    code = "document_wrong"


class DocumentIncomplete(DocumentRefusal):
    """An MTConnectStreams document without what it must have."""

    code = "document_incomplete"


class AgentSaidError(DocumentRefusal):
    """An MTConnectError document: what the agent said instead of data. `said` are its error codes."""

    code = "agent_said_error"

    def __init__(self, errors: list[tuple[str, str]]) -> None:
        words = "; ".join(f"{code}: {text}" if text else code for code, text in errors[:10]) or "nothing more"
        super().__init__(f"the agent answered with an error: {words}")
        self.said = tuple(code for code, _ in errors)


class Header(Struct, frozen=True, kw_only=True):
    """Whose document it is: the run of the agent, and which sequence comes next; texts as the agent wrote them."""

    instance: str
    next: int | None
    first: int | None
    last: int | None


class Observed(Struct, frozen=True, kw_only=True, gc=False):
    """One observation as it was written. `composite` where its value is a data set or a table; `element` is its
    local name."""

    device: str
    element: str
    category: Category
    item: str
    sequence: str | None
    timestamp: str | None
    value: str
    sub_type: str | None
    reset: str | None
    statistic: str | None
    composite: bool


class Streams(Struct, frozen=True, kw_only=True):
    """A whole MTConnectStreams document."""

    header: Header
    observed: tuple[Observed, ...]


def read_streams(document: bytes) -> Streams:
    """Reads one document. Raises a DocumentRefusal."""
    target = _Target()
    parser = DefusedXMLParser(target=target, forbid_dtd=True, forbid_entities=True, forbid_external=True)
    expat: Any = parser.parser
    target.expat = expat
    if not document.strip():
        raise DocumentMalformed("the body is empty: send one MTConnectStreams document")
    try:
        for begin in range(0, len(document), _PORTION):
            parser.feed(document[begin : begin + _PORTION])
        parser.close()
    except DefusedXmlException as forbidden:
        words = "a document type, an entity or an external reference is not taken"
        raise DocumentForbidden(words, **target.place()) from forbidden
    except ParseError as error:
        line, column = error.position
        said = str(error).partition(":")[0]
        raise DocumentMalformed(f"not well-formed XML: {said}", line=line, column=column + 1) from error
    except (ValueError, LookupError) as error:
        raise DocumentMalformed(f"not XML that can be read: {error}", **target.place()) from error
    return target.streams()


def _local(name: str) -> str:
    return name.rpartition("}")[2]


def _whole(text: str | None) -> int | None:
    """A sequence of the header; None where there is none, or none that can be."""
    text = (text or "").strip()
    return int(text) if text.isascii() and text.isdigit() and len(text) <= 20 else None


class _Target:
    """What the parser tells of each element. `path` holds the local names of those that are open."""

    def __init__(self) -> None:
        self.expat: Any = None
        self.path: list[str] = []
        self.root = ""
        self.has_streams = False
        self.header: Header | None = None
        self.device = ""
        self.observed: list[Observed] = []
        self.errors: list[tuple[str, str]] = []
        self._open: dict[str, str] | None = None
        self._text: list[str] = []
        self._characters = 0
        self._composite = False

    def place(self) -> dict[str, int]:
        return {"line": self.expat.CurrentLineNumber, "column": self.expat.CurrentColumnNumber + 1}

    def start(self, name: str, attributes: dict[str, str]) -> None:
        local, depth = _local(name), len(self.path)
        if depth == 0:
            self._check_root(local)
            self.root = local
        if depth >= DEPTH_MAX:
            raise DocumentMalformed(f"nested deeper than {DEPTH_MAX} elements", **self.place())
        self.path.append(local)
        if self._open is not None:
            self._composite = True
        elif self.root == "MTConnectError":
            self._start_error(attributes)
        elif depth == 1 and local == "Header":
            self.header = _header(attributes)
        elif depth == 1 and local == "Streams":
            self.has_streams = True
        elif depth == 2 and local == "DeviceStream":
            self.device = attributes.get("uuid", "").strip()
            if not self.device:
                raise DocumentIncomplete("a DeviceStream says no uuid", **self.place())
        elif depth == 5 and self._among_observations():
            self._begin(attributes)

    def _check_root(self, local: str) -> None:
        if local not in ("MTConnectStreams", "MTConnectError"):
            said = f"this is a document {local[:60]!r}; send MTConnectStreams, as /current and /sample answer it"
            raise DocumentWrong(said, **self.place())

    def _among_observations(self) -> bool:
        return self.path[1:4] == ["Streams", "DeviceStream", "ComponentStream"] and self.path[4] in _CATEGORIES

    def _start_error(self, attributes: dict[str, str]) -> None:
        """An error of any version: `Error` alone, or in `Errors`, there also under names of their own."""
        if "errorCode" in attributes:
            self.errors.append((attributes["errorCode"][:60] or "UNKNOWN", ""))
            self._begin(attributes)

    def _begin(self, attributes: dict[str, str]) -> None:
        self._open, self._text, self._characters, self._composite = attributes, [], 0, False

    def data(self, text: str) -> None:
        if self._open is not None and self._characters <= TEXT_CHARACTERS_MAX:
            self._text.append(text)
            self._characters += len(text)

    def end(self, name: str) -> None:
        local, depth = self.path.pop(), len(self.path)
        if self._open is None:
            return
        if self.root == "MTConnectError":
            if "errorCode" in self._open and depth <= 2:
                self.errors[-1] = (self.errors[-1][0], " ".join("".join(self._text).split())[:200])
                self._open = None
        elif depth == 5:
            self._close(local, self._open)
            self._open = None

    def _close(self, local: str, attributes: dict[str, str]) -> None:
        said = {_local(name): value for name, value in attributes.items()}
        item = said.get("dataItemId", "").strip()
        if not item:
            raise DocumentIncomplete(f"an observation {local[:60]!r} says no dataItemId", **self.place())
        value = "".join(self._text).strip()
        self.observed.append(
            Observed(
                device=self.device,
                element=local,
                category=_CATEGORIES[self.path[4]],
                item=item,
                sequence=said.get("sequence"),
                timestamp=said.get("timestamp"),
                value=value[:TEXT_CHARACTERS_MAX],
                sub_type=said.get("subType"),
                reset=said.get("resetTriggered"),
                statistic=said.get("statistic"),
                composite=self._composite or len(value) > TEXT_CHARACTERS_MAX,
            )
        )

    def comment(self, text: str) -> None:
        """Passed over, as are processing instructions."""

    def pi(self, target: str, text: str | None = None) -> None:
        """Passed over."""

    def close(self) -> None:
        """The parser asks for a result; it is `streams`."""

    def streams(self) -> Streams:
        if self.root == "MTConnectError":
            raise AgentSaidError(self.errors)
        if self.header is None or not self.header.instance:
            raise DocumentIncomplete("the document has no Header with an instanceId")
        if not self.has_streams:
            raise DocumentIncomplete("the document has no Streams")
        return Streams(header=self.header, observed=tuple(self.observed))


def _header(attributes: dict[str, str]) -> Header:
    return Header(
        instance=attributes.get("instanceId", "").strip()[:64],
        next=_whole(attributes.get("nextSequence")),
        first=_whole(attributes.get("firstSequence")),
        last=_whole(attributes.get("lastSequence")),
    )
