"""Notices as the documents tell them: their shapes, the `webhooks` of OpenAPI 3.1, and an AsyncAPI 3.0 document."""

import re
from collections.abc import Iterable
from typing import Any, Final

from service.api.document_codes import NOTICES
from service.api.document_members import REFERENCE, Schema, any_of, ref
from service.domain.notice import SOURCE
from service.domain.notice_data import NOTICE_DATA, SENT_BYTES_MAX, ThinData

MEDIA_TYPE: Final = "application/cloudevents+json"
_SECURELY: Final = (
    "Verify the signature over the body as it came, byte for byte, before anything of it is read; any library of "
    "Standard Webhooks 1.0 does. A notice may come more than once and is known by its `id`. Answer 2xx as soon as it "
    "is kept, and work on it afterwards."
)
_TIME: Final[Schema] = {"type": "string", "format": "date-time"}
_ENVELOPE: Final[dict[str, Schema]] = {
    "specversion": {"const": "1.0", "type": "string"},
    "id": {
        "type": "string",
        "pattern": "^ntc_[a-z2-7]{32}$",
        "description": "follows from what is told: however often it is sent, it is the same notice",
    },
    "source": {"const": SOURCE, "type": "string"},
    "subject": {"type": "string", "description": "what it is about: `spindles/…`, `gauges/…`, `webhook-endpoints/…`"},
    "time": {**_TIME, "description": "when it came true"},
    "timestamp": {**_TIME, "description": "the same, by the name of Standard Webhooks"},
    "datacontenttype": {"const": "application/json", "type": "string"},
}
_SEQUENCE: Final[Schema] = {
    "type": "string",
    "pattern": "^[0-9]{19}$",
    "description": "The place in its subject's stream that it speaks of, where it speaks of one (the CloudEvents "
    "extension Sequence): of two notices about a spindle the one with the greater text speaks of the later state.",
}
_HEADERS: Final[dict[str, tuple[str, str]]] = {
    "webhook-id": ("^ntc_[a-z2-7]{32}$", "The notice's id: the same at every attempt."),
    "webhook-timestamp": ("^[0-9]+$", "When this attempt was made, in seconds since 1970."),
    "webhook-signature": (
        r"^v1a?,[A-Za-z0-9+/]+=*( v1a?,[A-Za-z0-9+/]+=*)*$",
        "Signatures over id, timestamp and body, joined by points (`v1` HMAC-SHA256, `v1a` ed25519), separated by "
        "blanks: several while a secret is followed by another. One that holds is enough.",
    ),
}
_ANSWERS: Final[Schema] = {
    "2XX": {"description": "Taken, once the whole answer is here within 15 seconds: it is not sent again."},
    "410": {"description": "Nothing more is sent to this endpoint, until it is enabled again."},
    "429": {
        "description": "Sent again after `Retry-After` (seconds or a date, at most 24 hours), if it asks for more "
        "than the schedule."
    },
    "503": {"description": "As 429."},
    "3XX": {"description": "A failure: redirects are not followed."},
    "default": {"description": "A failure, as no answer is: sent again by the schedule, each time under the same id."},
}


def _name(notice_type: str, last: str) -> str:
    """`recheck.due` as RecheckDueNotice."""
    return "".join(word.capitalize() for word in re.split(r"[._]", notice_type)) + last


def shapes() -> dict[str, Schema]:
    """One notice of each type that is announced, and any of them, told apart by their type."""
    envelope = {
        "title": "NoticeEnvelope",
        "type": "object",
        "description": "What every notice is: a CloudEvents 1.0 event in structured JSON, and a payload of Standard "
        "Webhooks 1.0.",
        "properties": _ENVELOPE | {"sequence": _SEQUENCE, "type": ref("NoticeType"), "data": {"type": "object"}},
        "required": [*_ENVELOPE, "type", "data"],
    }
    each = {
        _name(name, "Notice"): {
            "title": _name(name, "Notice"),
            "description": NOTICES[name],
            "allOf": [
                ref("NoticeEnvelope"),
                {
                    "type": "object",
                    "properties": {
                        "type": {"const": name, "type": "string"},
                        "data": any_of([kind.__name__, ThinData.__name__]),
                    },
                },
            ],
        }
        for name, kind in NOTICE_DATA.items()
    }
    told = {
        "title": "Notice",
        "description": f"What a webhook carries; its `type` says what its data is. Of a body that would have more than "
        f"{SENT_BYTES_MAX:,} bytes".replace(",", " ")
        + " only `ThinData` is sent, which names the address of the whole.",
        "oneOf": [ref(name) for name in each],
    }
    return {"NoticeEnvelope": envelope, **each, "Notice": told}


def webhooks() -> Schema:
    """The `webhooks` of an OpenAPI 3.1 document: one for each type that is announced."""
    return {
        name: {
            "post": {
                "operationId": _name(name, "Webhook"),
                "summary": NOTICES[name],
                "description": f"{NOTICES[name]}\n\n{_SECURELY}",
                "tags": ["webhooks"],
                "security": [],
                "parameters": [{"$ref": f"#/components/parameters/{header}"} for header in _HEADERS],
                "requestBody": {"required": True, "content": {MEDIA_TYPE: {"schema": ref(_name(name, "Notice"))}}},
                "responses": _ANSWERS,
            }
        }
        for name in NOTICE_DATA
    }


def parameters() -> dict[str, Schema]:
    """The headers of a webhook, as components of an OpenAPI document."""
    return {
        name: {"name": name, "in": "header", "required": True, "description": text, "schema": _text(pattern)}
        for name, (pattern, text) in _HEADERS.items()
    }


def _text(pattern: str) -> Schema:
    return {"type": "string", "pattern": pattern}


def async_document(document: Schema) -> Schema:
    """The notices as an AsyncAPI 3.0 document, from the OpenAPI document of the same application.

    The address of the channel is null: it is the URL of each endpoint.
    """
    info, schemas = document["info"], document["components"]["schemas"]
    messages = {name: _message(name) for name in NOTICE_DATA}
    post = {"http": {"method": "POST", "bindingVersion": "0.3.0"}}
    sent = [{"$ref": f"#/channels/endpoint/messages/{_escaped(name)}"} for name in messages]
    answers = "\n".join(f"- {status}: {told['description']}" for status, told in _ANSWERS.items())
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": f"{info['title']}: notices",
            "version": info["version"],
            "description": "What the service posts to webhook endpoints (`POST /v1/webhook-endpoints`, see "
            "`/openapi.json`).\n\n" + _SECURELY + "\n\nWhat an answer means:\n\n" + answers,
        },
        "defaultContentType": MEDIA_TYPE,
        "channels": {
            "endpoint": {
                "address": None,
                "title": "A webhook endpoint",
                "description": "Its address is the `url` it was added with. It is told of the types, plants, spindles "
                "and healths that it asks for.",
                "messages": {name: {"$ref": f"#/components/messages/{_escaped(name)}"} for name in messages},
            }
        },
        "operations": {
            "tell": {
                "action": "send",
                "channel": {"$ref": "#/channels/endpoint"},
                "title": "Tell an endpoint",
                "summary": "One signed POST for each notice, tried again until it is taken or the schedule is used up.",
                "messages": sent,
                "bindings": post,
            }
        },
        "components": {
            "messages": messages,
            "schemas": _reached(schemas, [_name(name, "Notice") for name in messages]),
        },
    }


def _escaped(name: str) -> str:
    """A name within a JSON pointer (RFC 6901, 3)."""
    return name.replace("~", "~0").replace("/", "~1")


def _message(name: str) -> Schema:
    headers = {header: {**_text(pattern), "description": text} for header, (pattern, text) in _HEADERS.items()}
    return {
        "name": name,
        "title": _name(name, "Notice"),
        "summary": NOTICES[name],
        "contentType": MEDIA_TYPE,
        "headers": {"type": "object", "properties": headers, "required": list(headers)},
        "payload": ref(_name(name, "Notice")),
        "bindings": {"http": {"bindingVersion": "0.3.0"}},
    }


def _reached(schemas: dict[str, Schema], names: Iterable[str]) -> dict[str, Schema]:
    """The schemas of these names and every one that they refer to."""
    found: dict[str, Schema] = {}
    waiting = list(names)
    while waiting:
        name = waiting.pop()
        if name not in found:
            found[name] = schemas[name]
            waiting += _referred(schemas[name])
    return dict(sorted(found.items()))


def _referred(schema: Any) -> list[str]:
    if isinstance(schema, list):
        return [name for each in schema for name in _referred(each)]
    if not isinstance(schema, dict):
        return []
    own = [schema["$ref"].removeprefix(REFERENCE.format(name=""))] if isinstance(schema.get("$ref"), str) else []
    return own + [name for each in schema.values() for name in _referred(each)]
