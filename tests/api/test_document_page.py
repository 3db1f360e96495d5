"""The page at /docs: the whole document without a script, a key, or anything from elsewhere."""

import re
from base64 import b64encode
from copy import deepcopy
from hashlib import sha256
from html.parser import HTMLParser
from typing import Final

import httpx

from service.api.document_page import page_of
from tests.api.documented import DOCUMENT, operations
from tests.running import BOOTSTRAP, running

_VOID: Final = frozenset({"meta", "br"})


class _Elements(HTMLParser):
    """The elements with their attributes; ends that do not belong to a beginning are noted."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.wrong: list[str] = []
        self._open: list[str] = []
        self.feed(page)
        self.wrong += self._open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))
        if tag not in _VOID:
            self._open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if not self._open or self._open.pop() != tag:
            self.wrong.append(tag)


async def test_the_page_needs_no_key_no_script_and_nothing_from_elsewhere(database_url: str) -> None:
    async with running(database_url) as ledger:
        answer = await ledger.client.get("/docs", headers={"Authorization": ""})
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert BOOTSTRAP not in answer.text
    _assert_self_contained(answer)
    named = {attributes["id"] for _, attributes in _Elements(answer.text).found if "id" in attributes}
    assert {told["operationId"] for _, _, told in operations()} <= named
    assert all(f"<code>{name}</code>" in answer.text for name in DOCUMENT["webhooks"])
    assert {f"shape-{name}" for name in DOCUMENT["components"]["schemas"]} <= named


def _assert_self_contained(answer: httpx.Response) -> None:
    elements = _Elements(answer.text)
    assert elements.wrong == []
    assert not {"script", "link", "img", "iframe", "form"} & {tag for tag, _ in elements.found}
    named = {attributes.get("id") for _, attributes in elements.found}
    for tag, attributes in elements.found:
        assert not any(name == "src" or name == "style" or name.startswith("on") for name in attributes), tag
        target = attributes.get("href") or "/openapi.json"
        assert target in ("/openapi.json", "/asyncapi.json") or (target[0] == "#" and target[1:] in named), target
    (style,) = re.findall(r"<style>(.*?)</style>", answer.text, re.DOTALL)
    digest = b64encode(sha256(style.encode()).digest()).decode()
    policy = answer.headers["content-security-policy"]
    assert policy.startswith("default-src 'none'; ")
    assert f"style-src 'sha256-{digest}'" in policy


def test_what_the_document_says_is_escaped() -> None:
    hostile = deepcopy(DOCUMENT)
    word = "<script>alert(1)</script>\"'"
    hostile["info"]["description"] = word
    hostile["paths"]["/v1/events"]["post"] |= {"summary": word, "description": word}
    hostile["components"]["schemas"]["Receipt"]["description"] = word
    hostile["components"]["schemas"]["Receipt"]["properties"] = {word: {"const": word, "description": word}}
    page = page_of(hostile)
    assert page.count("&lt;script&gt;alert(1)") == 8
    assert "script" not in {tag for tag, _ in _Elements(page).found}
