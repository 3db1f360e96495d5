"""The document as a page to read: plain HTML made here, with its style inside, no script and nothing from elsewhere."""

import json
import re
from base64 import b64encode
from collections.abc import Iterable
from hashlib import sha256
from html import escape
from typing import Any, Final

from service.api.document_members import Schema

_STYLE: Final = """
:root { color-scheme: light dark; --line: #8884; --soft: #8881; --get: #17633a; --post: #174a8a; --delete: #8f1f1f; }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 72rem; padding: 1rem 1.25rem 4rem; font: 1rem/1.5 system-ui, sans-serif; }
h1 { margin-bottom: 0; } h2 { margin-top: 3rem; border-bottom: 2px solid var(--line); }
h3 { margin: 2.5rem 0 .25rem; font-size: 1.1rem; overflow-wrap: anywhere; } h4 { margin: 1rem 0 .25rem; }
code, pre { font-family: ui-monospace, monospace; font-size: .9em; }
code { background: var(--soft); padding: 0 .2em; border-radius: .2em; overflow-wrap: anywhere; }
pre { background: var(--soft); padding: .75rem; overflow: auto; max-height: 28rem; }
pre code { background: none; padding: 0; overflow-wrap: normal; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; vertical-align: top; padding: .3rem .75rem .3rem 0; border-bottom: 1px solid var(--line); }
th:first-child, td:first-child { white-space: nowrap; } td:nth-child(3) { min-width: 15rem; }
details details { margin-left: 1.25rem; }
nav ul { columns: 22rem; column-gap: 2.5rem; padding-left: 1.25rem; } nav li { break-inside: avoid; }
.method { display: inline-block; min-width: 4.5rem; text-align: center; color: #fff; border-radius: .25rem;
  background: var(--get); font-size: .85rem; padding: .1rem .5rem; }
.post { background: var(--post); } .delete { background: var(--delete); }
.line { font-weight: 600; margin: .25rem 0; } .needed { font-size: .85em; opacity: .75; }
summary { cursor: pointer; padding: .25rem 0; } a { color: inherit; }
@media (max-width: 40rem) { td { display: block; border: 0; padding: .1rem 0; } td:empty { display: none; }
  tr { display: block; padding: .4rem 0; border-bottom: 1px solid var(--line); } }
"""

HEADERS: Final = {
    "Content-Security-Policy": "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; "
    f"style-src 'sha256-{b64encode(sha256(_STYLE.encode()).digest()).decode()}'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
}
"""Nothing may be loaded or run but the style that stands in the page."""

_BOUNDS: Final = {
    "minimum": "from {}",
    "maximum": "to {}",
    "minLength": "at least {} characters",
    "maxLength": "at most {} characters",
    "minItems": "at least {}",
    "maxItems": "at most {}",
    "format": "{}",
}


def page_of(document: Schema) -> str:
    """The whole page. Every text of the document is escaped."""
    info, schemas = document["info"], document["components"]["schemas"]
    sections = "".join(_section(document, tag) for tag in document["tags"])
    shapes = "".join(_shape(name, schema) for name, schema in schemas.items())
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(info['title'])}: what can be called</title><style>{_STYLE}</style></head><body>"
        f"<header><h1>{escape(info['title'])}</h1>"
        '<p>What can be called. For programs: <a href="/openapi.json">/openapi.json</a> (OpenAPI 3.1).</p>'
        f"{_text(info['description'])}</header>"
        f"<nav><h2>Contents</h2>{_contents(document)}</nav><main>{sections}{_notices(document)}"
        f'<h2 id="shapes">Shapes</h2>{shapes}</main></body></html>\n'
    )


def _operations(document: Schema, tag: str) -> list[tuple[str, str, Schema]]:
    return [
        (path, method, told)
        for path, item in document["paths"].items()
        for method, told in item.items()
        if tag in told["tags"]
    ]


def _contents(document: Schema) -> str:
    lines = [
        f'<li><a href="#{told["operationId"]}"><code>{method.upper()} {escape(path)}</code></a> '
        f"{escape(told['summary'])}</li>"
        for tag in document["tags"]
        for path, method, told in _operations(document, tag["name"])
    ]
    return (
        f'<ul>{"".join(lines)}<li><a href="#notices">What webhooks carry</a></li>'
        '<li><a href="#shapes">Shapes of bodies</a></li></ul>'
    )


def _section(document: Schema, tag: Schema) -> str:
    told = "".join(_operation(document, *each) for each in _operations(document, tag["name"]))
    return f"<section><h2>{escape(tag['name'])}</h2>{_text(tag['description'])}{told}</section>"


def _notices(document: Schema) -> str:
    """What webhooks carry; headers and answers are the same for all of them, and told once."""
    told = {name: item["post"] for name, item in document["webhooks"].items()}
    first = next(iter(told.values()))
    headers = [_resolved(document, each) for each in first["parameters"]]
    types = [
        (f"<code>{escape(name)}</code>", _inline(each["summary"]), _contents_of(each["requestBody"]["content"]))
        for name, each in told.items()
    ]
    heads = [(f"<code>{each['name']}</code>", _inline(each["description"]), _kind(each["schema"])) for each in headers]
    answers = [
        (f"<strong>{status}</strong>", _inline(said["description"])) for status, said in first["responses"].items()
    ]
    return (
        '<section><h2 id="notices">What webhooks carry</h2><p>For programs: '
        '<a href="/asyncapi.json">/asyncapi.json</a> (AsyncAPI 3.0).</p>'
        f"{_text(first['description'].partition(chr(10))[2])}{_table(types)}"
        f"<h4>Headers</h4>{_table(heads)}<h4>Answers</h4>{_table(answers)}</section>"
    )


def _operation(document: Schema, path: str, method: str, told: Schema) -> str:
    parameters = [_resolved(document, each) for each in told.get("parameters", ())]
    rows = [
        (
            f"<code>{escape(each['name'])}</code>{_needed(each['required'])}",
            _inline(each.get("description", "")),
            _kind(each["schema"]),
        )
        for each in parameters
    ]
    body = told.get("requestBody", {}).get("content", {})
    answers = [
        (f"<strong>{status}</strong>", _inline(answer["description"]), _contents_of(answer.get("content", {})))
        for status, answer in ((status, _resolved(document, each)) for status, each in told["responses"].items())
    ]
    return (
        f'<article id="{told["operationId"]}">'
        f'<h3><span class="method {method}">{method.upper()}</span> <code>{escape(path)}</code></h3>'
        f'<p class="line">{escape(told["summary"])}</p>{_text(told["description"])}'
        + (f"<h4>Parameters</h4>{_table(rows)}" if rows else "")
        + (f"<h4>Body</h4><p>{_contents_of(body)}</p>{_examples(body)}" if body else "")
        + f"<h4>Answers</h4>{_table(answers)}"
        + "".join(_examples(_resolved(document, each).get("content", {})) for each in told["responses"].values())
        + "</article>"
    )


def _contents_of(content: Schema) -> str:
    return "<br>".join(f"<code>{escape(media)}</code>: {_kind(told['schema'])}" for media, told in content.items())


def _examples(content: Schema) -> str:
    found = [
        f"<details><summary>Example: {escape(name)}, <code>{escape(media)}</code></summary>"
        f"<pre><code>{escape(_written(example['value']))}</code></pre></details>"
        for media, told in content.items()
        for name, example in told.get("examples", {}).items()
    ]
    told = "".join(found)
    return f"<details><summary>{len(found)} examples, in order</summary>{told}</details>" if len(found) > 3 else told


def _written(value: Any) -> str:
    return value if isinstance(value, str) else json.dumps(value, indent=2, ensure_ascii=False)


def _shape(name: str, schema: Schema) -> str:
    parts = [schema, *schema.get("allOf", ())]
    needed = {member for part in parts for member in part.get("required", ())}
    rows = [
        (
            f"<code>{escape(member)}</code>{_needed(member in needed)}",
            _inline(told.get("description", "")),
            _kind(told),
        )
        for part in parts
        for member, told in part.get("properties", {}).items()
    ]
    words = [
        (f"<code>{escape(each['const'])}</code>", _inline(each["description"]))
        for each in schema.get("oneOf", ())
        if "const" in each
    ]
    whole = "" if (rows and "allOf" not in schema) or words else f"<p>{_kind(schema)}</p>"
    said = _text(schema.get("description", ""))
    return f'<article id="shape-{name}"><h3>{name}</h3>{said}{whole}{_table(rows)}{_table(words)}</article>'


def _needed(needed: bool) -> str:
    return ' <span class="needed">needed</span>' if needed else ""


def _resolved(document: Schema, told: Schema) -> Schema:
    if "$ref" not in told:
        return told
    found: Schema = document
    for part in told["$ref"].removeprefix("#/").split("/"):
        found = found[part]
    return found


def _kind(schema: Schema) -> str:
    """A schema in a few words; shapes are links."""
    if "x-line" in schema:
        return f"lines, each {_kind(schema['x-line'])}"
    if "$ref" in schema:
        name = schema["$ref"].rpartition("/")[2]
        return f'<a href="#shape-{name}">{name}</a>'
    for word, joint in (("anyOf", " or "), ("oneOf", " or "), ("allOf", " with ")):
        if word in schema:
            kinds = [_kind(each) for each in schema[word] if word != "allOf" or "$ref" in each]
            return joint.join(dict.fromkeys(kinds))
    if "const" in schema:
        return f"<code>{escape(json.dumps(schema['const']))}</code>"
    if "enum" in schema:
        return " ".join(f"<code>{escape(str(each))}</code>" for each in schema["enum"])
    if "prefixItems" in schema:
        return ", ".join(_kind(each) for each in schema["prefixItems"])
    if schema.get("type") == "array":
        return f"list of {_kind(schema.get('items', {}))}{_bounds(schema)}"
    if set(schema.get("properties", ())) == {"items", "next"}:
        return f"page: <code>items</code> is a {_kind(schema['properties']['items'])}"
    if isinstance(schema.get("additionalProperties"), dict):
        return f"object of {_kind(schema['additionalProperties'])} by name"
    kinds = schema.get("type", "anything")
    return escape(" or ".join(kinds) if isinstance(kinds, list) else kinds) + _bounds(schema)


def _bounds(schema: Schema) -> str:
    said = [text.format(schema[word]) for word, text in _BOUNDS.items() if word in schema]
    if "default" in schema and schema["default"] is not None:
        said.append(f"{json.dumps(schema['default'])} where it is left out")
    written = escape(f" ({', '.join(said)})") if said else ""
    return written + (f" <code>{escape(schema['pattern'])}</code>" if "pattern" in schema else "")


def _table(rows: Iterable[tuple[str, ...]]) -> str:
    lines = "".join("<tr>" + "".join(f"<td>{cell}</td>" for cell in row) + "</tr>" for row in rows)
    return f'<div class="wide"><table>{lines}</table></div>' if lines else ""


def _text(text: str) -> str:
    return "".join(f"<p>{_inline(paragraph)}</p>" for paragraph in text.split("\n\n") if paragraph)


def _inline(text: str) -> str:
    """Text with `code` and **strong** words as Markdown writes them; everything else is escaped."""
    marked = re.sub(r"`([^`]+)`", r"<code>\1</code>", escape(text, quote=False))
    return re.sub(r"\*\*([^*]+)\*\*", r"<strong>\1</strong>", marked)
