"""Our sample documents satisfy the published schemas MTConnectStreams 1.8, 2.0 and 2.7, and every name used is in them.

The schemas are a reader's copy outside the project (`SPINDLE_LEDGER_SCHEMAS`); without it these tests are skipped.
"""

import os
import re
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Final

import pytest
import xmlschema

from service.domain.mtconnect import read_streams
from service.domain.observed import NO_COUNTS, UNAVAILABLE
from tests.story.agent_documents import Said, document, series

FOLDER: Final = Path(os.environ.get("SPINDLE_LEDGER_SCHEMAS") or Path(__file__).parents[3] / "shared" / "schemas")
VERSIONS: Final = ("1.8", "2.0", "2.7")
AT: Final = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
COUNTS: Final = ("ActivationCount", "LoadCount", "UnloadCount", "TransferCount", "CycleCount", "PartCount")
STATES: Final = ("ChuckState", "ToolNumber", "ToolId", "ToolAssetId")


@cache
def _text(version: str) -> str:
    path = FOLDER / f"mtconnect-streams-{version}_1.0.xsd"
    if not path.is_file():
        pytest.skip(f"there is no {path.name} to look into")
    return path.read_text("utf-8")


@cache
def _schema(version: str) -> xmlschema.XMLSchema:
    _text(version)
    return xmlschema.XMLSchema(str(FOLDER / f"mtconnect-streams-{version}_1.0.xsd"), allow="local")


@pytest.mark.parametrize("version", VERSIONS)
def test_our_samples_are_valid(version: str) -> None:
    said: list[Said] = []
    for number, element in enumerate(COUNTS):
        said += series(element, f"c{number}", [UNAVAILABLE, 1, 2], begin=AT, first=1 + 100 * number)
    said += series("ChuckState", "chuck", ["UNAVAILABLE", "OPEN", "CLOSED", "UNLATCHED"], begin=AT, first=700)
    said += series("ToolNumber", "tool", ["UNAVAILABLE", "12", "7"], begin=AT, first=800)
    more = {"subType": "GOOD", "resetTriggered": "SHIFT"}
    said.append(Said(sequence=900, time=AT, item="reset", element="LoadCount", value="0", more=more))
    body = document(said, version=version)
    assert [str(each) for each in _schema(version).iter_errors(body.decode())] == []
    assert len(read_streams(body).observed) == len(said)


@pytest.mark.parametrize("version", VERSIONS)
def test_a_sample_that_is_wrong_is_found_wrong(version: str) -> None:
    said = series("ChuckState", "chuck", ["AJAR"], begin=AT)
    assert list(_schema(version).iter_errors(document(said, version=version).decode()))


@pytest.mark.parametrize("version", VERSIONS)
def test_every_name_is_the_standards(version: str) -> None:
    text = _text(version)
    elements = set(re.findall(r"""<xs:element name=['"](\w+)['"]""", text))
    assert {*COUNTS, *STATES, "Header", "Streams", "DeviceStream", "ComponentStream"} <= elements
    assert {"Samples", "Events", "Condition"} <= elements
    assert "ToolNumberDiscrete" in elements or version == "1.8"
    attributes = set(re.findall(r"""<xs:attribute name=['"](\w+)['"]""", text))
    known = {"dataItemId", "sequence", "timestamp", "subType", "resetTriggered", "statistic", "uuid"}
    assert known | {"instanceId", "nextSequence", "firstSequence", "lastSequence", "creationTime"} <= attributes
    values = set(re.findall(r"""<xs:enumeration value=['"](\w+)['"]""", text))
    assert {*NO_COUNTS, UNAVAILABLE, "OPEN", "CLOSED", "UNLATCHED"} <= values
