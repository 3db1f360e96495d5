"""The committed OpenAPI document is the one the application makes."""

import json
from pathlib import Path

from service.api.document import document_of
from service.app import create_app
from service.environment import Environment

COMMITTED = Path(__file__).parents[2] / "openapi" / "openapi.json"


def test_the_committed_document_is_up_to_date() -> None:
    made = json.loads(json.dumps(document_of(create_app(Environment(database_url="postgresql://")))))
    assert json.loads(COMMITTED.read_text("utf-8")) == made, "run: spindle-ledger openapi > openapi/openapi.json"


def test_every_operation_names_the_problem_document_for_its_errors() -> None:
    for path, operations in json.loads(COMMITTED.read_text("utf-8"))["paths"].items():
        for method, operation in operations.items():
            answer = operation["responses"]["default"]
            assert "application/problem+json" in answer["content"], f"{method} {path}"
