"""The envelope: one CloudEvents 1.0 event in structured JSON, read strictly, its data kept as the bytes that came.

What is kept of the data is its JSON with insignificant white space taken out: numbers, strings and the order of
members stay to the letter, so that the same fact sent again by another door is still the same.
"""

import re
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any, Final, Literal

import msgspec
from msgspec import Meta, Raw, Struct

from service.domain.event import KINDS, EventData, SubjectKind, decode_data
from service.domain.refusal import Fault, Refusal

FUTURE: Final = timedelta(minutes=5)
"""How far an event's time may lie ahead of the clock."""

EARLIEST: Final = datetime(1970, 1, 1, tzinfo=UTC)

_Text = Annotated[str, Meta(min_length=1, max_length=256)]


class Envelope(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The members an event may have. Any other is refused by name; the trace members are read past."""

    specversion: Literal["1.0"]
    id: _Text
    source: Annotated[str, Meta(min_length=1, max_length=512)]
    type: _Text
    subject: _Text
    time: _Text
    data: Raw
    datacontenttype: str | None = None
    dataschema: str | None = None
    actor: _Text | None = None
    expectedsequence: Annotated[int, Meta(ge=0)] | None = None
    traceparent: str | None = None
    tracestate: str | None = None


class Event(Struct, frozen=True, kw_only=True):
    """One event, read: `data_json` is what is kept, `data` what it means. `occurred` is UTC."""

    id: str
    source: str
    type: str
    kind: SubjectKind
    key: str
    occurred: datetime
    data: EventData
    data_json: bytes
    actor: str | None
    expectedsequence: int | None

    @property
    def subject(self) -> str:
        return f"{self.kind}/{self.key}"


class Malformed(Refusal):
    """Not JSON at all, or not in a form that can be read."""

    code = "json_malformed"


class Unreadable(Refusal):
    """JSON, but not an event: `faults` name each place."""

    code = "event_invalid"


class TimeInFuture(Refusal):
    code = "time_in_future"


_DECODER: Final = msgspec.json.Decoder(Envelope)
_KEY: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._~-]{0,63}\Z")
_TIME: Final = re.compile(
    r"(\d{4}-\d{2}-\d{2})[Tt]((?:[01]\d|2[0-3]):[0-5]\d:[0-5]\d)(?:\.(\d{1,6})\d*)?([Zz]|[+-](?:[01]\d|2[0-3]):[0-5]\d)\Z",
    re.ASCII,
)
_NUL: Final = re.compile(rb"(?<!\\)(?:\\\\)*\\u0000")
_NAMED: Final = re.compile(r"field `(.*)`\Z", re.DOTALL)
_PATH: Final = re.compile(r"\.([A-Za-z_][A-Za-z0-9_]*)|\[(\d+)\]|\[(\.\.\.)\]")
_CODED: Final = re.compile(r"([a-z]+(?:_[a-z]+)+): (?:((?:/[^/: ]+)+): )?(.*)", re.DOTALL)


def read_event(raw: bytes) -> Event:
    """One event from its JSON. Raises Malformed or Unreadable, naming every place it can."""
    refuse_nul(raw)
    envelope = decode(_DECODER, raw)
    faults: list[Fault] = []
    kind = KINDS.get(envelope.type)
    if kind is None:
        faults.append(_fault("/type", "type_unknown", f"{envelope.type!r} is not a type of event this service takes"))
    subject, _, key = envelope.subject.partition("/")
    if subject not in ("spindles", "sheets", "gauges", "lots") or not _KEY.match(key):
        wanted = "a kind and a key, such as spindles/H2-M04-S1 (letters, digits and . _ ~ -, at most 64)"
        faults.append(_fault("/subject", "subject_invalid", f"the subject is {wanted}"))
    elif kind is not None and kind.subject not in (subject, None):
        faults.append(_fault("/subject", "subject_of_other_kind", f"{envelope.type} belongs to {kind.subject}/…"))
    if envelope.datacontenttype is not None and not _is_json(envelope.datacontenttype):
        faults.append(_fault("/datacontenttype", "datacontenttype_unknown", "data is application/json"))
    occurred = _instant(envelope.time, faults)
    if faults or occurred is None:
        raise Unreadable(faults[0].detail, faults=faults)
    data_json = msgspec.json.format(bytes(envelope.data), indent=-1)
    data = _data(envelope.type, data_json)
    _check_people_are_seen(data_json)
    _check_other_person(data, envelope.actor)
    return Event(
        id=envelope.id,
        source=envelope.source,
        type=envelope.type,
        kind=subject,
        key=key,
        occurred=occurred,
        data=data,
        data_json=data_json,
        actor=envelope.actor,
        expectedsequence=envelope.expectedsequence,
    )


def refuse_nul(raw: bytes) -> None:
    """PostgreSQL keeps no NUL in a text: a body that spells one is refused."""
    if b"u0000" in raw and _NUL.search(raw):
        raise Malformed("the text holds a NUL character (\\u0000), which cannot be kept", pointer="")


def instant(text: str) -> datetime:
    """An RFC 3339 time in UTC, as the envelope's `time`. Raises Unreadable."""
    faults: list[Fault] = []
    found = _instant(text, faults)
    if found is None:
        raise Unreadable(faults[0].detail, faults=faults)
    return found


def decode(decoder: "msgspec.json.Decoder[Any]", raw: bytes, under: str = "") -> Any:
    """Decodes, turning the decoder's complaint into a refusal with a JSON pointer below `under`."""
    try:
        return decoder.decode(raw)
    except msgspec.ValidationError as error:
        fault = fault_of(str(error), under)
        raise Unreadable(fault.detail, faults=(fault,)) from error
    except (msgspec.DecodeError, UnicodeDecodeError, ValueError) as error:
        raise Malformed(f"not JSON that can be read: {error}", pointer=under) from error
    except RecursionError as error:
        raise Malformed("not JSON that can be read: nested too deeply", pointer=under) from error


def _data(event_type: str, data_json: bytes) -> EventData:
    class _Bound:
        @staticmethod
        def decode(raw: bytes) -> EventData:
            return decode_data(event_type, raw)

    data: EventData = decode(_Bound, data_json, "/data")  # type: ignore[arg-type]
    return data


def _fault(pointer: str, code: str, detail: str) -> Fault:
    return Fault(pointer=pointer, code=code, detail=detail)


_OF_QUANTITY: Final = {"value_not_decimal": "/value", "unit_unknown": "/unit"}


def fault_of(message: str, under: str = "") -> Fault:
    """The decoder's words as a fault: `Expected ... - at `$.readings[0].depth`` names the place.

    The decoder names the object that a rule of ours refuses; which of its members is at fault that rule says itself,
    as a pointer between its code and its words: `limits_reversed: /lower: lower is above upper`.
    """
    text, _, place = message.rpartition(" - at `")
    if not text:
        text, place = message, "$"
    pointer = under + "".join(
        "/" + (name or index or "*") for name, index, _ in (match.groups() for match in _PATH.finditer(place))
    )
    coded = _CODED.match(text)
    if coded:
        code, member, detail = coded.groups()
        return _fault(pointer + (member or _OF_QUANTITY.get(code, "")), code, detail)
    named = _NAMED.search(text)
    if named is not None and "unknown field" in text:
        name = named.group(1)
        return _fault(f"{pointer}/{in_pointer(name)}", "member_unknown", f"{name!r} is not a member here")
    if named is not None and "missing required field" in text:
        name = named.group(1)
        return _fault(f"{pointer}/{name}", "member_missing", f"{name!r} is missing")
    return _fault(pointer, "member_invalid", text)


def in_pointer(name: str) -> str:
    """A member's name as a token of a JSON pointer (RFC 6901, section 3)."""
    return name.replace("~", "~0").replace("/", "~1")


def _is_json(content_type: str) -> bool:
    media = content_type.partition(";")[0].strip().lower()
    return media == "application/json" or media.endswith("+json")


def _instant(text: str, faults: list[Fault]) -> datetime | None:
    """An RFC 3339 time with its offset, in UTC. More than six fractional digits are cut, not rounded."""
    match = _TIME.match(text)
    if match is None:
        detail = "time is RFC 3339 with an offset, such as 2026-03-02T06:57:00+01:00"
        faults.append(_fault("/time", "time_invalid", detail))
        return None
    day, clock, fraction, offset = match.groups()
    offset = "+00:00" if offset in "Zz" else offset
    try:
        instant = datetime.fromisoformat(f"{day}T{clock}.{(fraction or '').ljust(6, '0')}{offset}").astimezone(UTC)
    except (ValueError, OverflowError):
        faults.append(_fault("/time", "time_invalid", f"{text!r} is no time that exists"))
        return None
    if instant < EARLIEST:
        faults.append(_fault("/time", "time_invalid", "times before 1970 are not taken"))
        return None
    return instant


def _check_other_person(data: EventData, actor: str | None) -> None:
    approved_by = getattr(data, "approved_by", None)
    if approved_by is not None and approved_by == actor:
        detail = "approved_by is someone other than the actor"
        raise Unreadable(detail, faults=(_fault("/data/approved_by", "approved_by_the_actor", detail),))


_PEOPLE: Final = frozenset({"approved_by", "stated_by", "person"})
_PERSON: Final = re.compile(rb'"(approved_by|stated_by|person)":("(?:[^"\\]|\\.)*")')


def people_in(data_json: bytes) -> frozenset[str]:
    """The people that data names, in its members or in those of the objects within."""
    return frozenset(_people(data_json))


def _people(data_json: bytes) -> list[str]:
    if b"_by" not in data_json and b'"person"' not in data_json and b"\\u" not in data_json:
        return []
    found: list[str] = []

    def look(value: Any) -> None:
        if isinstance(value, dict):
            for name, member in value.items():
                if name in _PEOPLE and isinstance(member, str):
                    found.append(member)
                else:
                    look(member)
        elif isinstance(value, list):
            for each in value:
                look(each)

    look(msgspec.json.decode(data_json, strict=False))
    return found


def _check_people_are_seen(data_json: bytes) -> None:
    """Refuses a person's member that is spelled with escapes or stands twice: the name in it would be kept for good."""
    if len(_PERSON.findall(data_json)) != len(_people(data_json)):
        detail = "approved_by, stated_by and person are written without escapes, and once in each object"
        raise Unreadable(detail, faults=(_fault("/data", "person_unclear", detail),))


def with_people(data_json: bytes, names: dict[str, str]) -> bytes:
    """The data with each person replaced as `names` says, all at once; every other byte stays."""

    def renamed(match: re.Match[bytes]) -> bytes:
        member, spelled = match.groups()
        name = names.get(msgspec.json.decode(spelled, type=str))
        return match.group() if name is None else b'"' + member + b'":' + msgspec.json.encode(name)

    return _PERSON.sub(renamed, data_json)
