"""The paths of the document: every route of the application with its parameters, bodies, answers and problems."""

import types
from collections.abc import Iterator
from http import HTTPStatus
from typing import Any, Final, Union, get_args, get_origin

import msgspec
from litestar import Litestar, Response
from litestar.handlers import HTTPRouteHandler
from litestar.params import ParameterKwarg
from litestar.routes import HTTPRoute
from litestar.typing import FieldDefinition
from msgspec import Struct

from service.api.document_codes import MEANING, STATUS_OF
from service.api.document_examples import ANSWERS, EXAMPLES
from service.api.document_members import Schema, any_of, ref
from service.api.document_operations import OPERATIONS
from service.api.document_shapes import in_one_dialect
from service.api.document_told import JSON, Answer, Told
from service.api.event_stream import MEDIA_TYPE as EVENT_STREAM
from service.api.pages import Page
from service.api.problems import MEDIA_TYPE

_BOUNDS: Final = {
    "ge": "minimum",
    "le": "maximum",
    "min_length": "minLength",
    "max_length": "maxLength",
    "pattern": "pattern",
    "min_items": "minItems",
    "max_items": "maxItems",
}
_PATH_PARAMETERS: Final = {
    "entry": "the sequence of the entry in its subject's stream",
    "spindle": "a spindle's key",
    "code": "a sheet's code",
    "gauge": "a gauge's key",
    "lot": "a lot's code",
    "endpoint_id": "an endpoint's id",
    "notice": "a notice's id",
    "mapping_id": "a mapping's id",
    "number": "a key's number",
    "work_order": "a work order's id",
}
_FILTERS: Final = {
    "plant": "only what is in this plant",
    "hall": "only what is in this hall",
    "machine": "only what is in this machine",
    "position": "only what is in this position of its machine",
    "sheet": "only spindles of this sheet",
    "spindle": "only this spindle",
    "gauge": "only what was measured with this gauge",
    "code": "only rechecks of this code",
}


class Operation(Struct, frozen=True, kw_only=True):
    """A route with one method, as the application has it."""

    path: str
    method: str
    handler: HTTPRouteHandler

    @property
    def name(self) -> str:
        return self.handler.handler_name

    @property
    def told(self) -> Told:
        return OPERATIONS[self.name]

    @property
    def parameters(self) -> dict[str, FieldDefinition]:
        """Those of path and query, by their names in the handler."""
        taken = self.handler.parsed_fn_signature.parameters
        apart = {"data", "request", *self.handler.resolve_dependencies()}
        return {name: field for name, field in taken.items() if name not in apart}

    @property
    def body(self) -> type | None:
        """The struct that the framework decodes the body into."""
        field = self.handler.parsed_fn_signature.parameters.get("data")
        return None if field is None else field.annotation

    @property
    def answered(self) -> list[type]:
        """The structs that are answered: several where they differ by what was asked, none where there is no body."""
        return [each for each in _alternatives(self._returned) if msgspec.inspect.is_struct_type(each)]

    @property
    def _returned(self) -> Any:
        returned = self.handler.parsed_fn_signature.return_type.annotation
        inner = get_args(returned)[0] if get_origin(returned) is Response else returned
        return get_args(inner)[0] if self._is_page(inner) else inner

    @staticmethod
    def _is_page(returned: Any) -> bool:
        return get_origin(returned) is Page

    @property
    def schema(self) -> Schema | None:
        """The schema of what the handler returns."""
        names = [each.__name__ for each in self.answered]
        if not names:
            return None
        schema = ref(names[0]) if len(names) == 1 else any_of(names)
        returned = self.handler.parsed_fn_signature.return_type.annotation
        inner = get_args(returned)[0] if get_origin(returned) is Response else returned
        return _page_of(schema) if self._is_page(inner) else schema


def _alternatives(kind: Any) -> list[Any]:
    return list(get_args(kind)) if get_origin(kind) in (Union, types.UnionType) else [kind]


def _page_of(item: Schema) -> Schema:
    following = {"type": ["string", "null"], "description": "the cursor of the next page, or null at the end"}
    return {
        "type": "object",
        "properties": {"items": {"type": "array", "items": item}, "next": following},
        "required": ["items", "next"],
    }


def operations(app: Litestar) -> Iterator[Operation]:
    """Every operation of the application; HEAD, which goes wherever GET does, and OPTIONS are not told one by one."""
    for route in app.routes:
        for handler in route.route_handlers if isinstance(route, HTTPRoute) else ():
            for method in sorted(handler.http_methods - {"OPTIONS", "HEAD"}):
                yield Operation(path=route.path_format, method=str(method).lower(), handler=handler)


def path_item(operation: Operation) -> Schema:
    """One operation as the document tells it."""
    told, handler = operation.told, operation.handler
    public = bool(handler.opt.get("public"))
    scope = handler.opt.get("scope")
    said = [" ".join((handler.fn.__doc__ or told.line).split())]
    if not public:
        said.append(f"Needs a key with the scope `{scope}`.")
    made: Schema = {
        "operationId": operation.name,
        "summary": told.line,
        "description": "\n\n".join(said),
        "tags": sorted(handler.resolve_tags() if hasattr(handler, "resolve_tags") else handler.tags or ()),
        "responses": dict(sorted((_answers(operation) | _problems(operation, public=public)).items())),
    }
    if not public:
        made["security"] = [{"key": [scope]}]
    parameters = [_parameter(name, field, operation) for name, field in operation.parameters.items()]
    if told.conditional or told.paged:
        parameters.append({"$ref": "#/components/parameters/IfNoneMatch"})
    if told.streamed is not None:
        parameters.append({"$ref": "#/components/parameters/LastEventId"})
    if told.guarded is not None:
        parameters.append({"$ref": f"#/components/parameters/{_IF_MATCH[told.guarded]}"})
    if parameters:
        made["parameters"] = parameters
    bodies = told.bodies or ({} if operation.body is None else {JSON: ref(operation.body.__name__)})
    if bodies:
        made["requestBody"] = {"required": True, "content": _content(bodies, EXAMPLES.get(operation.name, {}))}
    return made


_IF_MATCH: Final = {"may": "IfMatch", "must": "IfMatchNeeded"}


def _content(schemas: dict[str, Schema], examples: dict[str, dict[str, Any]]) -> Schema:
    made: Schema = {}
    for media, schema in schemas.items():
        made[media] = {"schema": schema}
        if media in examples:
            made[media]["examples"] = examples[media]
    return made


def _parameter(name: str, field: FieldDefinition, operation: Operation) -> Schema:
    said = field.kwarg_definition if isinstance(field.kwarg_definition, ParameterKwarg) else None
    in_path = f"{{{name}}}" in operation.path
    schema = _schema_of(field, said)
    if field.has_default and field.default is not None:
        schema["default"] = field.default
    made: Schema = {
        "name": name if said is None else said.query or said.name or name,
        "in": "path" if in_path else "query",
        "required": in_path,
        "schema": schema,
    }
    text = _PATH_PARAMETERS.get(name) if in_path else (said and said.description) or _FILTERS.get(name)
    return made | ({"description": text} if text else {})


def _schema_of(field: FieldDefinition, said: ParameterKwarg | None) -> Schema:
    """The type without null, which a query cannot say, and its bounds."""
    kinds = [each for each in _alternatives(field.annotation) if each is not type(None)]
    schema = msgspec.json.schema(kinds[0])
    for bound, word in _BOUNDS.items():
        value = None if said is None else getattr(said, bound)
        if value is not None:
            schema[word] = value
    said_whole: Schema = in_one_dialect(schema)
    return said_whole


def _answers(operation: Operation) -> Schema:
    told = operation.told
    status = int(operation.handler.status_code)
    answers = told.answers or {status: Answer(text="A page." if told.paged else "What was asked for.")}
    made: Schema = {}
    for number, answer in answers.items():
        schemas = answer.schemas
        if schemas is None:
            schemas = {} if operation.schema is None else {JSON: operation.schema}
        headers = list(answer.headers)
        headers += ["ETag", "CacheControl"] if told.conditional or told.paged else []
        headers += ["Link"] if told.paged else []
        made[str(number)] = {"description": answer.text}
        if schemas:
            made[str(number)]["content"] = _content(schemas, ANSWERS.get(operation.name, {}).get(str(number), {}))
        if number == 200 and told.streamed is not None:
            made["200"]["content"][EVENT_STREAM] = {"schema": {"type": "string", "description": told.streamed}}
        if headers:
            made[str(number)]["headers"] = {_WRITTEN.get(name, name): _header(name) for name in headers}
    if told.conditional or told.paged:
        made["304"] = {"$ref": "#/components/responses/NotModified"}
    return made


_WRITTEN: Final = {"CacheControl": "Cache-Control"}


def _header(name: str) -> Schema:
    return {"$ref": f"#/components/headers/{name}"}


def _problems(operation: Operation, *, public: bool) -> Schema:
    """The problems that can occur, by their status."""
    codes = {"query_parameter_unknown", "internal", *operation.told.codes}
    if not operation.told.without_database:
        codes.add("database_away")
    if not public:
        codes |= {"key_missing", "scope_missing"}
    if any(f"{{{name}}}" not in operation.path for name in operation.parameters):
        codes.add("request_invalid")
    if operation.told.paged:
        codes.add("cursor_malformed")
    if operation.told.guarded is not None:
        codes |= {"changed_meanwhile"} | ({"if_match_missing"} if operation.told.guarded == "must" else set())
    if operation.told.bodies or operation.body is not None:
        codes |= {"json_malformed", "content_type_unknown", "body_too_large"}
    if operation.body is not None:
        codes.add("request_invalid")
    by_status: dict[int, list[str]] = {}
    for code in sorted(codes):
        by_status.setdefault(STATUS_OF.get(code, 422), []).append(code)
    made: Schema = {}
    for status, found in sorted(by_status.items()):
        shared = _SHARED.get(found[0]) if len(found) == 1 else None
        made[str(status)] = _problem(status, found) if shared is None else {"$ref": f"#/components/responses/{shared}"}
    if "503" in made and "503" in _answers(operation):
        del made["503"]
    return made


_SHARED: Final = {
    "key_missing": "KeyMissing",
    "scope_missing": "ScopeMissing",
    "body_too_large": "BodyTooLarge",
    "content_type_unknown": "ContentTypeUnknown",
    "internal": "Internal",
    "database_away": "DatabaseAway",
}


def shared_problems() -> Schema:
    """The problems that most operations have in common, to be referred to."""
    return {name: _problem(STATUS_OF[code], [code]) for code, name in _SHARED.items()}


def _problem(status: int, codes: list[str]) -> Schema:
    said = f"{HTTPStatus(status).phrase}. {MEANING[status]}"
    only = {"type": "object", "properties": {"status": {"const": status}, "code": {"enum": codes}}}
    made: Schema = {
        "description": f"{said} Codes: {', '.join(f'`{code}`' for code in codes)}.",
        "content": {MEDIA_TYPE: {"schema": {"allOf": [ref("Problem"), only]}}},
    }
    if status == 401:
        made["headers"] = {"WWW-Authenticate": _header("WWWAuthenticate")}
    if status == 503:
        made["headers"] = {"Retry-After": _header("RetryAfter")}
    return made
