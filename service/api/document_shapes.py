"""The shapes of bodies as JSON Schema, from the structs that they are really read into and written from."""

import re
from collections.abc import Iterable
from typing import Any, Final

import msgspec

from service.api.document_members import (
    KINDS_OF_QUANTITY,
    MEMBERS,
    OMITTED_WHERE_EMPTY,
    QUANTITIES,
    REFERENCE,
    WRITTEN,
    Schema,
    of,
    ref,
)
from service.domain.event import KINDS
from service.domain.event.envelope import Envelope
from service.domain.event.sheets import Key
from service.domain.quantity import UNITS
from service.domain.step import Finding
from service.domain.turn import Instruction
from service.domain.verdict import ForceVerdict, RunOutVerdict, SettingVerdict, Shift


def components(asked: Iterable[Any], answered: Iterable[Any]) -> dict[str, Schema]:
    """Every component, from the types that bodies are read into and those that answers are written from."""
    taken = [Envelope, *(kind.data for kind in KINDS.values()), *asked]
    given = [SettingVerdict, ForceVerdict, RunOutVerdict, Instruction, Shift, Finding, *answered]
    found = _schemas(taken)
    shared = set(found)
    for name, schema in _schemas(given).items():
        if name not in shared:
            found[name] = _as_answered(name, schema)
    for name, schema in WRITTEN.items():
        found[name] = _as_answered(name, schema) if "properties" in schema else schema
    for event_type, kind in KINDS.items():
        told = found[kind.data.__name__]
        told["description"] = f"{told.get('description', '')} The data of `{event_type}`.".strip()
    for name, members in MEMBERS.items():
        if name in found:
            found[name]["properties"] |= members
    del found["SettingVerdict"]["properties"]["depth"]
    found["SettingVerdict"]["required"].remove("depth")
    found["HistoryItem"]["required"].remove("superseded")  # the feed leaves it out
    _say_quantities(found)
    return {name: in_one_dialect(schema) for name, schema in found.items()} | _events()


def _schemas(types: Iterable[Any]) -> dict[str, Schema]:
    found: dict[str, Schema] = msgspec.json.schema_components(types, ref_template=REFERENCE)[1]
    for schema in found.values():
        if "description" in schema:
            schema["description"] = " ".join(schema["description"].split())
    return found


def _as_answered(name: str, schema: Schema) -> Schema:
    """As the service writes it: every member is there, and a later release may add some."""
    made = {member: value for member, value in schema.items() if member != "additionalProperties"}
    if name not in OMITTED_WHERE_EMPTY and "properties" in made:
        made["required"] = list(made["properties"])
    return made


def _say_quantities(found: dict[str, Schema]) -> None:
    for name, kind in KINDS_OF_QUANTITY.items():
        units = [unit for unit, (dimension, _) in UNITS.items() if dimension == kind]
        found[name] = {
            **found["Quantity"],
            "title": name,
            "description": f"A quantity that is a {kind}. An example of its unit: {units[0]}.",
            "properties": {"value": ref("Decimal"), "unit": {"type": "string", "enum": units}},
        }
    for name, kinds in QUANTITIES.items():
        for kind, members in kinds.items():
            for member in members.split() if name in found else ():
                found[name]["properties"][member] = _with(found[name]["properties"][member], kind)


def _with(schema: Any, kind: str) -> Any:
    """The schema with this kind of quantity where any was."""
    if isinstance(schema, dict):
        return ref(kind) if schema == ref("Quantity") else {name: _with(each, kind) for name, each in schema.items()}
    return [_with(each, kind) for each in schema] if isinstance(schema, list) else schema


def in_one_dialect(schema: Any) -> Any:
    """Patterns as ECMA-262 means them, which JSON Schema goes by: `$` is the very end without saying so. Words have
    their type beside them, for those who make clients of this."""
    if isinstance(schema, dict):
        made = {name: in_one_dialect(value) for name, value in schema.items()}
        if isinstance(made.get("pattern"), str):
            made["pattern"] = made["pattern"].replace(r"(?!\n)", "")
        if "enum" in made and "type" not in made and all(isinstance(word, str) for word in made["enum"]):
            made["type"] = "string"
        return made
    return [in_one_dialect(each) for each in schema] if isinstance(schema, list) else schema


_ANY_KIND: Final = "(spindles|sheets|gauges|lots)"


def event_name(event_type: str) -> str:
    """`setting.measured` as SettingMeasuredEvent."""
    return "".join(word.capitalize() for word in re.split(r"[._]", event_type)) + "Event"


def _events() -> dict[str, Schema]:
    """One event of each type, and any of them, told apart by their type."""
    key = str(of(Key)["pattern"]).replace(r"(?!\n)", "").removeprefix("^")
    made = {
        event_name(name): {
            "title": event_name(name),
            "allOf": [
                ref("Envelope"),
                {
                    "type": "object",
                    "properties": {
                        "type": {"const": name},
                        "subject": {"type": "string", "pattern": f"^{kind.subject or _ANY_KIND}/{key}"},
                        "data": ref(kind.data.__name__),
                    },
                },
            ],
        }
        for name, kind in KINDS.items()
    }
    mapping = {name: ref(event_name(name))["$ref"] for name in KINDS}
    event = {
        "title": "Event",
        "description": "One CloudEvents 1.0 event in structured JSON; its `type` says what its data is.",
        "oneOf": [ref(event_name(name)) for name in KINDS],
        "discriminator": {"propertyName": "type", "mapping": mapping},
    }
    return made | {"Event": event}
