"""Every error as a problem document (RFC 9457); the only place that knows which status a refusal has."""

import logging
from typing import Any, Final, get_args

from litestar import Litestar, Request, Response
from litestar.exceptions import HTTPException, MethodNotAllowedException, SerializationException, ValidationException
from litestar.params import ParameterKwarg
from litestar.typing import FieldDefinition
from msgspec import Struct

from service.api.content_encoding import ACCEPTED, EncodingUnknown
from service.domain.event import SchemaTooNew
from service.domain.event.envelope import fault_of
from service.domain.refusal import Fault, Refusal
from service.postgres import CannotConnect
from service.projections import FoldTooOld

LOG: Final = logging.getLogger(__name__)
MEDIA_TYPE: Final = "application/problem+json"
QUOTED_CHARACTERS_MAX: Final = 500
FAULTS_MAX: Final = 100

STATUS: Final = {
    "json_malformed": 400,
    "xml_malformed": 400,
    "cursor_malformed": 400,
    "not_for_a_stream": 400,
    "query_parameter_unknown": 400,
    "spindle_needed": 400,
    "not_with_after": 400,
    "time_to_come": 400,
    "type_unknown": 400,
    "reason_unknown": 400,
    "cost_unfit": 400,
    "key_missing": 401,
    "scope_missing": 403,
    "plant_not_allowed": 403,
    "key_reaches_too_far": 403,
    "identity_conflict": 409,
    "sequence_moved_on": 409,
    "spindle_already_commissioned": 409,
    "place_taken": 409,
    "already_tied": 409,
    "sequence_conflict": 409,
    "endpoint_unknown": 404,
    "delivery_unknown": 404,
    "spindle_not_found": 404,
    "sheet_not_found": 404,
    "gauge_not_found": 404,
    "lot_not_found": 404,
    "work_order_not_found": 404,
    "not_acceptable": 406,
    "member_of_the_ledger": 409,
    "work_order_ended": 409,
    "key_not_found": 404,
    "notice_not_found": 404,
    "mapping_not_found": 404,
    "changed_meanwhile": 412,
    "if_match_missing": 428,
    "content_type_unknown": 415,
    "content_encoding_unknown": 415,
    "content_encoding_malformed": 400,
    "unpacks_too_far": 413,
    "batch_too_long": 413,
    "rehearsal_too_large": 413,
    "too_many_spindles": 413,
}
"""Refusals that are not 422."""

_TITLE: Final = {
    400: "The request cannot be read",
    401: "A key is needed",
    403: "The key does not allow this",
    404: "There is no such thing",
    405: "The method is not for this address",
    406: "That form is not answered here",
    409: "What is there says otherwise",
    412: "It has changed meanwhile",
    413: "Too much at once",
    415: "It is not taken in this form",
    422: "Refused",
    428: "Say what is to be changed",
    500: "The service failed",
    503: "The database is away",
}


_CODE_OF_STATUS: Final = {404: "not_found", 405: "method_not_allowed", 413: "body_too_large"}


class Problem(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A problem document. `type` and `code` are stable; `errors` names each place, in the body or in the query."""

    type: str
    title: str
    status: int
    detail: str
    code: str
    errors: tuple[Fault, ...] = ()


class QueryParameterUnknown(Refusal):
    code = "query_parameter_unknown"


def problem(code: str, detail: str, faults: tuple[Fault, ...] = (), status: int | None = None) -> Problem:
    status = status or STATUS.get(code, 422)
    return Problem(
        type=f"urn:spindle-ledger:problem:{code}",
        title=_TITLE.get(status, "Refused"),
        status=status,
        detail=_short(detail),
        code=code,
        errors=tuple(
            Fault(
                pointer=None if fault.pointer is None else _short(fault.pointer),
                parameter=None if fault.parameter is None else _short(fault.parameter),
                line=fault.line,
                column=fault.column,
                code=fault.code,
                detail=_short(fault.detail),
            )
            for fault in faults[:FAULTS_MAX]
        ),
    )


def _short(text: str) -> str:
    """A text that quotes what was sent, cut where that was long."""
    return text if len(text) <= QUOTED_CHARACTERS_MAX else f"{text[:QUOTED_CHARACTERS_MAX]}…"


def problem_of(refusal: Refusal) -> Problem:
    return problem(refusal.code, refusal.detail, refusal.faults)


def _answer(found: Problem, headers: dict[str, str] | None = None) -> Response[Problem]:
    return Response(found, status_code=found.status, media_type=MEDIA_TYPE, headers=headers or {})


_SAID_WITH: Final = {"401": {"WWW-Authenticate": "Bearer"}, EncodingUnknown.code: {"Accept-Encoding": ACCEPTED}}
"""Headers that a status, or a code, is answered with."""


def on_refusal(_request: Request[Any, Any, Any], refusal: Refusal) -> Response[Problem]:
    found = problem_of(refusal)
    return _answer(found, _SAID_WITH.get(found.code if found.code in _SAID_WITH else str(found.status)))


def on_validation(request: Request[Any, Any, Any], error: ValidationException) -> Response[Problem]:
    """What the framework's own decoding of a body or a parameter complains of."""
    extra: list[Any] = error.extra if isinstance(error.extra, list) else []
    faults = tuple(_fault_of(request, each) for each in extra if isinstance(each, dict))
    faults = faults or (Fault(pointer="", code="request_invalid", detail=error.detail),)
    return _answer(problem("request_invalid", faults[0].detail, faults, 400))


def _fault_of(request: Request[Any, Any, Any], complaint: dict[str, Any]) -> Fault:
    """One complaint of the framework's: its key is a parameter of the handler, or a place in the body or `data`, all
    of it."""
    key, message = str(complaint.get("key", "")), str(complaint.get("message", ""))
    parameters = request.route_handler.parsed_fn_signature.parameters
    if complaint.get("source") != "body" and key in parameters:
        words = _words(parameters[key].annotation) if message.startswith("Invalid enum") else []
        detail = f"{message}: one of {' '.join(words)}" if words else message
        return Fault(parameter=written_name(key, parameters[key]), code="member_invalid", detail=detail)
    return fault_of(f"{message} - at `$`" if key == "data" else f"{message} - at `$.{key}`")


def _words(kind: Any) -> list[str]:
    """The words of a closed list, however deep in a type it stands."""
    return [kind] if isinstance(kind, str) else [word for each in get_args(kind) for word in _words(each)]


def written_name(name: str, field: FieldDefinition) -> str:
    """A parameter's name in the query, which differs where the handler calls it otherwise."""
    said = field.kwarg_definition
    return (said.query or said.name or name) if isinstance(said, ParameterKwarg) else name


def on_unreadable(
    _request: Request[Any, Any, Any], error: SerializationException | RecursionError | UnicodeDecodeError
) -> Response[Problem]:
    detail = f"not JSON that can be read: {error}"
    return _answer(problem("json_malformed", detail, (Fault(pointer="", code="json_malformed", detail=detail),)))


def on_http(request: Request[Any, Any, Any], error: HTTPException) -> Response[Problem]:
    code = {404: "not_found", 405: "method_not_allowed", 413: "body_too_large"}.get(
        error.status_code, "request_invalid"
    )
    headers = dict(error.headers or {})
    if isinstance(error, MethodNotAllowedException):
        headers = {name: value for name, value in headers.items() if name.lower() != "allow"}
        headers["Allow"] = ", ".join(sorted(allowed_methods(request.app, request.url.path)))
    faults = (Fault(pointer="", code=code, detail=error.detail),) if error.status_code == 400 else ()
    return _answer(problem(code, error.detail, faults, error.status_code), headers)


def allowed_methods(app: Litestar, path: str) -> set[str]:
    """The methods of an address, HEAD wherever there is GET; none where there is no such address."""
    methods: set[str] = set()
    for route in app.routes:
        if getattr(route, "path_components", None) is not None and _matches(route.path_components, path):
            methods |= set(getattr(route, "methods", ()))
    return methods | ({"HEAD"} if "GET" in methods else set())


def _matches(components: list[Any], path: str) -> bool:
    parts = [part for part in path.split("/") if part]
    return len(parts) == len(components) and all(
        not isinstance(component, str) or component == part for component, part in zip(components, parts, strict=True)
    )


def on_no_database(_request: Request[Any, Any, Any], error: Exception) -> Response[Problem]:
    LOG.warning("the database is away: %s", error)
    detail = "nothing was promised; send the same again in a moment"
    return _answer(problem("database_away", detail, status=503), {"Retry-After": "2"})


def on_surprise(request: Request[Any, Any, Any], error: Exception) -> Response[Problem]:
    LOG.error("%s %s failed", request.method, request.url.path, exc_info=error)
    return _answer(problem_of_surprise(error))


def problem_of_surprise(error: Exception) -> Problem:
    """What another release stored is named, so that whoever runs several sees it without the log."""
    named = isinstance(error, SchemaTooNew | FoldTooOld)
    return problem("internal", str(error) if named else "the service failed; its log says more", status=500)


handlers: Final[dict[Any, Any]] = {
    Refusal: on_refusal,
    ValidationException: on_validation,
    SerializationException: on_unreadable,
    RecursionError: on_unreadable,
    UnicodeDecodeError: on_unreadable,
    HTTPException: on_http,
    **dict.fromkeys(CannotConnect, on_no_database),
    Exception: on_surprise,
}
