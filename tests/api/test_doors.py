"""Every door of the application: a key, its scope, its methods, its content type, and no parameter it does not know."""

import re
from typing import Any

import httpx
import pytest
from litestar.handlers import HTTPRouteHandler

from service.access import SCOPES
from tests.running import Running, running

PUBLIC = {"/livez", "/readyz", "/metrics", "/openapi.json", "/asyncapi.json", "/docs", "/.well-known/jwks.json"}


def doors(app: Any) -> list[tuple[str, str, HTTPRouteHandler]]:
    """Method, address and handler of every route, the parameters in the address filled in."""
    return [
        (method, re.sub(r"\{\w+:int\}", "1", re.sub(r"\{\w+(:str)?\}", "X", route.path)), handler)
        for route in app.routes
        for handler in getattr(route, "route_handlers", ())
        for method in sorted(handler.http_methods)
        if method != "OPTIONS"
    ]


async def ask(ledger: Running, method: str, path: str, token: str | None) -> httpx.Response:
    headers = {"Authorization": "" if token is None else f"Bearer {token}"}
    return await ledger.client.request(method, path, headers=headers)


async def test_without_a_key_every_door_but_the_public_ones_is_closed(database_url: str) -> None:
    async with running(database_url) as ledger:
        every = doors(ledger.app)
        for method, path, _ in every:
            for token in (None, "slk_of-nobody", "ä"):
                headers = [(b"authorization", b"" if token is None else b"Bearer " + token.encode())]
                request = ledger.client.build_request(method, path)
                request.headers = httpx.Headers(headers)
                answer = await ledger.client.send(request)
                if path in PUBLIC:
                    assert answer.status_code < 400, path
                else:
                    assert (answer.status_code, answer.json()["code"]) == (401, "key_missing"), (method, path)
                    assert answer.headers["www-authenticate"] == "Bearer"
    assert len(every) > 25
    assert {path for _, path, handler in every if handler.opt.get("public")} <= PUBLIC


async def test_a_key_opens_the_doors_of_its_scope_and_no_other(database_url: str) -> None:
    async with running(database_url) as ledger:
        tokens = {scope: (await ledger.key(scope))[1] for scope in SCOPES}
        for method, path, handler in doors(ledger.app):
            if path in PUBLIC:
                continue
            wanted = handler.opt["scope"]
            assert wanted in SCOPES
            for scope, token in tokens.items():
                answer = await ask(ledger, method, path, token)
                refused = answer.status_code == 403 and answer.json()["code"] == "scope_missing"
                assert refused is (scope not in (wanted, "admin")), (method, path, scope, answer.text)


async def test_another_method_is_told_which_there_are(database_url: str) -> None:
    async with running(database_url) as ledger:
        methods: dict[str, set[str]] = {}
        for method, path, _ in doors(ledger.app):
            methods.setdefault(path, {"OPTIONS"}).update({method, "HEAD"} if method == "GET" else {method})
        for path, allowed in methods.items():
            refused = await ledger.client.request("PUT", path)
            assert (refused.status_code, refused.json()["code"]) == (405, "method_not_allowed")
            told = await ledger.client.options(path)
            assert told.status_code == 204
            for answer in (refused, told):
                assert set(answer.headers["allow"].split(", ")) == allowed, path


async def test_head_answers_as_get_does_without_the_body(database_url: str) -> None:
    async with running(database_url) as ledger:
        for method, path, _ in doors(ledger.app):
            if method != "GET":
                continue
            one, other = await ledger.client.head(path), await ledger.client.get(path)
            assert (one.status_code, one.content) == (other.status_code, b""), path
            assert one.headers["content-type"] == other.headers["content-type"]


async def test_an_unknown_parameter_is_refused_by_name_wherever_it_stands(database_url: str) -> None:
    async with running(database_url) as ledger:
        for method, path, _ in doors(ledger.app):
            answer = await ledger.client.request(method, f"{path}?colour=red")
            assert (answer.status_code, answer.json()["code"]) == (400, "query_parameter_unknown"), (method, path)
            assert [each["parameter"] for each in answer.json()["errors"]] == ["colour"]


@pytest.mark.parametrize(
    "media", ["text/plain", "application/xml", "", "application/json; charset=latin-1", "multipart/form-data"]
)
async def test_a_body_of_another_kind_is_refused(database_url: str, media: str) -> None:
    async with running(database_url) as ledger:
        for path in (
            "/v1/events",
            "/v1/counter-readings",
            "/v1/keys",
            "/v1/webhook-endpoints",
            "/v1/evaluations/setting",
            "/v1/evaluations/conformity",
        ):
            answer = await ledger.client.post(path, content=b"{}", headers={"Content-Type": media})
            assert (answer.status_code, answer.json()["code"]) == (415, "content_type_unknown"), path
        for media_taken in ("application/json", "Application/JSON; charset=UTF-8"):
            answer = await ledger.client.post("/v1/keys", content=b"{}", headers={"Content-Type": media_taken})
            assert answer.status_code == 400


async def test_an_address_that_is_none_is_not_found(database_url: str) -> None:
    async with running(database_url) as ledger:
        for method, path in (("GET", "/v1/kettles"), ("OPTIONS", "/v1/kettles"), ("GET", "/v1/keys/one")):
            answer = await ledger.client.request(method, path)
            assert (answer.status_code, answer.json()["code"]) == (404, "not_found")
