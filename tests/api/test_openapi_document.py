"""The OpenAPI document tells the truth: of every route, every code, every body and every answer."""

import ast
import json
import re
from pathlib import Path
from typing import Any, Final

from jsonschema import Draft202012Validator
from litestar.routes import HTTPRoute

import service
from service.api.document import document_of
from service.api.document_codes import NOTICES, PLACES, PROBLEMS, STATUS_OF
from service.api.document_examples import EXAMPLES
from service.api.problems import STATUS
from service.app import create_app
from service.domain.event import KINDS
from service.domain.notice import NOTICE_TYPES
from service.environment import Environment
from tests.api.documented import COMMITTED, DOCUMENT, LINES, assert_told, faults, operations, resolved
from tests.running import Json, Running, running

SERVICE: Final = Path(service.__file__).parent


def app() -> Any:
    return create_app(Environment(database_url="postgresql://"))


def test_the_committed_document_is_up_to_date() -> None:
    made = json.loads(json.dumps(document_of(app())))
    assert json.loads(COMMITTED.read_text("utf-8")) == made, "run: spindle-ledger openapi > openapi/openapi.json"


def test_every_route_is_in_the_document_and_no_other() -> None:
    served = {
        (route.path_format, method.lower())
        for route in app().routes
        if isinstance(route, HTTPRoute)
        for method in route.methods
        if method != "OPTIONS"
    }
    assert served == {(path, method) for path, method, _ in operations()}


def test_every_operation_has_an_id_of_its_own_a_line_and_a_tag_that_is_told() -> None:
    told = [each for _, _, each in operations()]
    assert len({each["operationId"] for each in told}) == len(told)
    assert all(each["summary"] and each["description"] for each in told)
    assert {tag for each in told for tag in each["tags"]} == {tag["name"] for tag in DOCUMENT["tags"]}


def test_every_parameter_is_said_what_it_is() -> None:
    told = [resolved(each) for _, _, operation in operations() for each in operation.get("parameters", ())]
    assert [each["name"] for each in told if not each.get("description")] == []


def test_every_operation_names_the_scope_of_its_key() -> None:
    for path, method, told in operations():
        if "security" in told:
            ((scope,),) = [each["key"] for each in told["security"]]
            assert f"`{scope}`" in told["description"], f"{method} {path}"
            assert {"401", "403"} <= set(told["responses"])
        else:
            assert told["tags"] == ["running"], f"{method} {path}"


def test_every_schema_is_a_schema_and_every_reference_leads_somewhere() -> None:
    for schema in DOCUMENT["components"]["schemas"].values():
        Draft202012Validator.check_schema(schema)
    for reference in re.findall(r'"\$ref": "([^"]+)"', COMMITTED.read_text("utf-8")):
        assert resolved({"$ref": reference})


def _codes() -> set[str]:
    """Every code that is raised anywhere: of refusals, of problems, and of faults."""
    found: set[str] = set()
    for path in SERVICE.rglob("*.py"):
        if path.name.startswith("document"):
            continue
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.ClassDef) and any("Refusal" in ast.unparse(base) for base in node.bases):
                texts = [ast.unparse(line.value) for line in node.body if isinstance(line, ast.Assign)]
                found |= {ast.literal_eval(text) for text in texts if re.fullmatch(r"'[a-z_]+'", text)}
            if not isinstance(node, ast.Call):
                continue
            called = ast.unparse(node.func)
            arguments = [each.value for each in node.args if isinstance(each, ast.Constant)]
            named = {each.arg: each.value.value for each in node.keywords if isinstance(each.value, ast.Constant)}
            if called == "problem":
                found |= {str(each) for each in arguments[:1]}
            elif called == "_fault":
                found |= {str(each) for each in arguments if re.fullmatch(r"[a-z]+(_[a-z]+)+", str(each))}
            elif called == "Fault":
                found |= {str(named["code"])} if "code" in named else set()
            elif called == "ValueError" and node.args:
                text = re.match(r"f?['\"]([a-z]+(?:_[a-z]+)+): ", ast.unparse(node.args[0]))
                found |= {text.group(1)} if text else set()
    return found


def test_every_code_that_is_raised_is_in_a_closed_list_and_no_other() -> None:
    never_answered = {"bootstrap_key_too_short"}
    found = _codes()
    assert {"unit_unknown", "limits_reversed", "cursor_malformed", "internal", "member_missing"} <= found
    assert found - never_answered - set(PROBLEMS) - set(PLACES) == set()
    of_statuses = {"not_found", "method_not_allowed", "body_too_large"}
    assert (set(PROBLEMS) | set(PLACES)) - found == of_statuses


def test_every_type_of_notice_is_said_what_it_tells_and_is_told_by_some_module() -> None:
    assert list(NOTICES) == list(NOTICE_TYPES)
    lists_of_them = {"notice.py", "notice_data.py"}
    telling = [path for path in SERVICE.rglob("*.py") if not path.name.startswith("document")]
    texts = [path.read_text("utf-8") for path in telling if path.name not in lists_of_them]
    for name, said in NOTICES.items():
        # The five of rechecks are named by the episode's state.
        assert said, name
        assert name.startswith("recheck.") or any(f'"{name}"' in text for text in texts), name


def test_every_problem_of_the_closed_list_stands_at_some_operation() -> None:
    text = COMMITTED.read_text("utf-8")
    only_in_items = {"line_too_long", "place_ambiguous", "method_not_allowed", "not_settled_yet"}
    assert {code for code in PROBLEMS if f"`{code}`" not in text} - only_in_items == set()
    assert {code: STATUS_OF[code] for code in STATUS} == STATUS


EVENTS: Final[dict[str, Json]] = {
    name: each["value"] for name, each in EXAMPLES["post_events"]["application/json"].items()
}


def test_there_is_an_example_of_every_type_of_event() -> None:
    assert {event["type"] for event in EVENTS.values()} == set(KINDS)


async def test_every_example_is_as_documented_and_answered_as_documented(database_url: str) -> None:
    answers: list[Any] = []
    async with running(database_url) as ledger:
        for path, method, told in operations():
            for media, content in told.get("requestBody", {}).get("content", {}).items():
                examples = content.get("examples", {}).values()
                answers += [
                    await _sent(ledger, method, path, media, content["schema"], each["value"]) for each in examples
                ]
    wanted = [
        (schema, example["value"])
        for _, _, told in operations()
        for response in told["responses"].values()
        for content in resolved(response).get("content", {}).values()
        for schema, example in ((content["schema"], each) for each in content.get("examples", {}).values())
    ]
    assert len(wanted) >= 4
    for schema, value in wanted:
        assert faults(schema, value, closed=True) == []
        assert _lasting(value) in [_lasting(answer) for answer in answers]


def _lasting(answer: Any) -> Any:
    """An answer without what is another every time: its place in the ledger, and what holds at the moment."""
    if not isinstance(answer, dict) or "entry" not in answer:
        return answer
    entry = {name: answer["entry"][name] for name in ("subject", "sequence")}
    return answer | {"entry": entry, "state_now": None}


async def _sent(ledger: Running, method: str, path: str, media: str, schema: Json, value: Any) -> Any:
    if media == LINES:
        assert [faults(schema["x-line"], json.loads(line)) for line in value.splitlines()] == [[]]
    else:
        assert faults(schema, value) == []
    content = value if isinstance(value, str) else json.dumps(value)
    answer = await ledger.client.request(method, path, content=content, headers={"Content-Type": media})
    assert answer.is_success, (path, value, answer.text)
    assert_told(answer)
    assert '"refused"' not in answer.text or path == "/v1/counter-readings", (value, answer.text)
    return answer.text if media == LINES else answer.json()
