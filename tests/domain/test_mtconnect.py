"""MTConnect documents read: every version alike, and everything else refused with its place."""

import tracemalloc
from datetime import UTC, datetime

import pytest

from service.domain.mtconnect import (
    BYTES_MAX,
    AgentSaidError,
    DocumentForbidden,
    DocumentIncomplete,
    DocumentMalformed,
    DocumentRefusal,
    DocumentWrong,
    read_streams,
)
from tests.story.agent_documents import DEVICE, Said, document, error, series

AT = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
SAID = [
    *series("ActivationCount", "act", [1, 2], begin=AT),
    Said(sequence=2, time=AT, item="chuck", element="ChuckState", value="CLOSED"),
    Said(
        sequence=8,
        time=AT,
        item="load",
        element="LoadCount",
        value="5",
        more={"subType": "GOOD", "resetTriggered": "SHIFT"},
    ),
]


@pytest.mark.parametrize(
    "version", ["1.0", "1.1", "1.2", "1.3", "1.4", "1.5", "1.6", "1.7", "1.8", "2.0", "2.3", "2.7"]
)
@pytest.mark.parametrize("prefix", ["", "m"])
def test_every_version_is_read_alike_with_or_without_a_prefix(version: str, prefix: str) -> None:
    streams = read_streams(document(SAID, version=version, prefix=prefix, instance=5, next=12))
    assert (streams.header.instance, streams.header.next, streams.header.first) == ("5", 12, 1)
    assert [(each.item, each.element, each.value, each.sequence) for each in streams.observed] == [
        ("act", "ActivationCount", "1", "1"),
        ("act", "ActivationCount", "2", "4"),
        ("chuck", "ChuckState", "CLOSED", "2"),
        ("load", "LoadCount", "5", "8"),
    ]
    last = streams.observed[-1]
    assert (last.device, last.sub_type, last.reset, last.category) == (DEVICE, "GOOD", "SHIFT", "Events")


def test_a_document_without_namespace_comments_and_sections_is_read() -> None:
    body = (
        b"<MTConnectStreams><Header instanceId='9' nextSequence='3'/><Streams><DeviceStream name='a' uuid='u'>"
        b"<ComponentStream component='Path' componentId='p'><Samples><!-- a remark --><?a note?>"
        b"<Load dataItemId='l' sequence='1' timestamp='t' statistic='AVERAGE'> 1<!-- in -->2<![CDATA[3]]> </Load>"
        b"</Samples>"
        b"<Condition><Normal dataItemId='c' sequence='2' timestamp='t' type='LOAD'/></Condition>"
        b"</ComponentStream></DeviceStream></Streams></MTConnectStreams>"
    )
    streams = read_streams(body)
    assert [(each.category, each.item, each.value, each.statistic) for each in streams.observed] == [
        ("Samples", "l", "123", "AVERAGE"),
        ("Condition", "c", "", None),
    ]


def test_other_encodings_are_read() -> None:
    text = document(SAID).decode()
    for encoding in ("utf-16", "iso-8859-1", "us-ascii"):
        said = text.replace('encoding="UTF-8"', f'encoding="{encoding}"')
        assert len(read_streams(said.encode(encoding)).observed) == 4


def test_a_data_set_is_no_single_value() -> None:
    body = document(SAID).replace(b">CLOSED<", b'><Entry key="a">1</Entry><Entry key="b">2</Entry><')
    assert [each.composite for each in read_streams(body).observed] == [False, False, True, False]


_BOMB = (
    b'<?xml version="1.0"?><!DOCTYPE l [<!ENTITY a "ha">'
    + b"".join(b'<!ENTITY %c "%s">' % (97 + n, b"&%c;" % (96 + n) * 10) for n in range(1, 10))
    + b"]><MTConnectStreams>&j;</MTConnectStreams>"
)
_QUADRATIC = (
    b'<?xml version="1.0"?><!DOCTYPE q [<!ENTITY a "'
    + b"x" * 100_000
    + b'">]><MTConnectStreams>'
    + b"&a;" * 50_000
    + b"</MTConnectStreams>"
)


@pytest.mark.parametrize(
    "body",
    [
        _BOMB,
        _QUADRATIC,
        b'<!DOCTYPE a SYSTEM "http://127.0.0.1:9/a.dtd"><MTConnectStreams/>',
        b'<!DOCTYPE a [<!ENTITY x SYSTEM "file:///etc/hostname">]><MTConnectStreams>&x;</MTConnectStreams>',
        b'<!DOCTYPE a [<!ENTITY % x SYSTEM "file:///etc/hostname">%x;]><MTConnectStreams/>',
        b"<!DOCTYPE MTConnectStreams><MTConnectStreams/>",
        b'<!DOCTYPE a [<!NOTATION n SYSTEM "n"><!ENTITY x SYSTEM "x" NDATA n>]><MTConnectStreams/>',
    ],
    ids=["laughs", "quadratic", "external-dtd", "external-entity", "parameter-entity", "doctype", "unparsed"],
)
def test_document_types_and_entities_are_refused_before_they_are_expanded(body: bytes) -> None:
    tracemalloc.start()
    try:
        with pytest.raises(DocumentForbidden) as refused:
            read_streams(body)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert refused.value.code == "xml_not_allowed"
    assert refused.value.faults[0].line == 1
    assert peak < 2_000_000


def test_a_document_cut_off_anywhere_is_refused() -> None:
    whole = document(SAID).rstrip()
    for length in range(len(whole)):
        with pytest.raises(DocumentMalformed):
            read_streams(whole[:length])
    assert len(read_streams(whole).observed) == 4


@pytest.mark.parametrize(
    ("body", "place"),
    [
        (b"<MTConnectStreams>\n<Header></MTConnectStreams>", (2, 11)),
        (b"<MTConnectStreams>\n  &nbsp;</MTConnectStreams>", (2, 3)),
        (b"<MTConnectStreams/><more/>", (1, 20)),
        (b"\xff\xfe\x00\xd8", (1, 2)),
        (b'<MTConnectStreams a="\x01"/>', (1, 22)),
        (b'<?xml version="1.0" encoding="x-none"?><MTConnectStreams/>', (1, 31)),
        (b"{}", (1, 1)),
    ],
)
def test_broken_xml_is_refused_with_its_place(body: bytes, place: tuple[int, int]) -> None:
    with pytest.raises(DocumentMalformed) as refused:
        read_streams(body)
    fault = refused.value.faults[0]
    assert (fault.line, fault.column) == place


@pytest.mark.parametrize("body", [b"", b"  \n"])
def test_nothing_is_refused(body: bytes) -> None:
    with pytest.raises(DocumentMalformed, match="empty"):
        read_streams(body)


@pytest.mark.parametrize("name", ["MTConnectDevices", "MTConnectAssets", "html", "Envelope"])
def test_another_document_is_refused_by_its_name(name: str) -> None:
    with pytest.raises(DocumentWrong, match=name) as refused:
        read_streams(f'<x:{name} xmlns:x="urn:x"><x:Header/></x:{name}>'.encode())
    assert (refused.value.code, refused.value.faults[0].line) == ("document_wrong", 1)


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (error("OUT_OF_RANGE", "'from' must be greater than 5"), "OUT_OF_RANGE: 'from' must be greater than 5"),
        (b"<MTConnectError><Header/><Error errorCode='NO_DEVICE'>none</Error></MTConnectError>", "NO_DEVICE: none"),
        (
            b"<MTConnectError><Errors><Unsupported errorCode='UNSUPPORTED'><ErrorMessage>no</ErrorMessage>"
            b"</Unsupported><Error errorCode='INTERNAL_ERROR'/></Errors></MTConnectError>",
            "UNSUPPORTED: no; INTERNAL_ERROR",
        ),
        (b"<MTConnectError/>", "nothing more"),
    ],
    ids=["errors", "1.0", "named", "empty"],
)
def test_what_the_agent_said_instead_is_told(body: bytes, said: str) -> None:
    with pytest.raises(AgentSaidError) as refused:
        read_streams(body)
    assert refused.value.detail == f"the agent answered with an error: {said}"


@pytest.mark.parametrize(
    "body",
    [
        b"<MTConnectStreams><Streams/></MTConnectStreams>",
        b"<MTConnectStreams><Header instanceId=''/><Streams/></MTConnectStreams>",
        b"<MTConnectStreams><Header instanceId='1'/></MTConnectStreams>",
        document(SAID).replace(f'uuid="{DEVICE}"'.encode(), b""),
        document(SAID).replace(b'dataItemId="chuck"', b""),
    ],
    ids=["no-header", "no-instance", "no-streams", "no-uuid", "no-item"],
)
def test_what_must_be_there_is_missed_by_name(body: bytes) -> None:
    with pytest.raises(DocumentIncomplete):
        read_streams(body)


def test_no_depth_is_too_much_to_refuse() -> None:
    with pytest.raises(DocumentMalformed, match="deeper"):
        read_streams(b"<MTConnectStreams>" + b"<a>" * 1_000_000)


def test_the_largest_document_is_read_in_bounded_memory() -> None:
    said = [
        Said(sequence=number, time=AT, item="act", element="ActivationCount", value=str(number))
        for number in range(1, 45_000)
    ]
    body = document(said)
    assert BYTES_MAX * 0.8 < len(body) < BYTES_MAX
    tracemalloc.start()
    try:
        assert len(read_streams(body).observed) == len(said)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 40 * 1024 * 1024


def test_a_refusal_is_of_one_family() -> None:
    for refused in (DocumentMalformed, DocumentForbidden, DocumentWrong, DocumentIncomplete):
        assert issubclass(refused, DocumentRefusal)
