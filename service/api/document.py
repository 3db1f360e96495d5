"""`/openapi.json`: what can be called, as a document (OpenAPI 3.1)."""

from typing import Any, Final

import msgspec
from litestar import Litestar, Request, Response, Router, get

from service.api.door import JSON_BODY, PUBLIC
from service.api.problems import MEDIA_TYPE, Problem

DESCRIPTION: Final = (
    "Keeps the tool-clamping set of every spindle proven: facts come in at one door, are judged, fall due, and signed "
    "webhooks tell the systems that must act. Clearance is advice; nothing here says that a machine is safe."
)


_WITHOUT_KEY: Final = frozenset({"/livez", "/readyz", "/metrics", "/openapi.json"})


def document_of(app: Litestar) -> dict[str, Any]:
    """The document of the application, with the problem documents that errors really are."""
    made: dict[str, Any] = app.openapi_schema.to_schema()
    bodies = {
        route.path_format: handler.opt[JSON_BODY]
        for route in app.routes
        for handler in getattr(route, "route_handlers", ())
        if JSON_BODY in handler.opt
    }
    (_, *schemas), components = msgspec.json.schema_components(
        [Problem, *bodies.values()], ref_template="#/components/schemas/{name}"
    )
    made.setdefault("components", {}).setdefault("schemas", {}).update(components)
    for path, schema in zip(bodies, schemas, strict=True):
        content = {"application/json": {"schema": schema}}
        made["paths"][path]["post"]["requestBody"] = {"required": True, "content": content}
    made["components"]["securitySchemes"] = {"key": {"type": "http", "scheme": "bearer"}}
    body = {"content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}}}
    for path, operations in made["paths"].items():
        for operation in operations.values():
            if not isinstance(operation, dict) or "responses" not in operation:
                continue
            answers = operation["responses"]
            for status in [status for status in answers if status.startswith(("4", "5"))]:
                del answers[status]
            answers["default"] = {"description": "A problem document (RFC 9457)", **body}
            if path not in _WITHOUT_KEY:
                operation["security"] = [{"key": []}]
    return made


@get("/openapi.json", include_in_schema=False)
async def read_document(request: Request[Any, Any, Any]) -> Response[dict[str, Any]]:
    return Response(document_of(request.app))


routes: Final = Router(path="/", route_handlers=[read_document], opt=PUBLIC)
