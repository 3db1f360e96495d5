"""Which of the media types that an address can answer a request wants (RFC 9110, 12.5.1)."""

from collections.abc import Sequence
from typing import Any

from litestar import Request

from service.domain.refusal import Refusal


class NotAcceptable(Refusal):
    """What the Accept header asks for cannot be answered here."""

    code = "not_acceptable"


def chosen(request: Request[Any, Any, Any], offered: Sequence[str]) -> str:
    """The offered type with the highest quality; of those alike the first. Raises NotAcceptable where none will do."""
    asked = ", ".join(request.headers.getall("accept", [])) or "*/*"
    qualities = [_quality(asked, media) for media in offered]
    if max(qualities) == 0:
        raise NotAcceptable(f"this is answered as {' or '.join(offered)}")
    return offered[qualities.index(max(qualities))]


def _quality(asked: str, media: str) -> float:
    """How much a type is wanted: by the most specific range that holds it."""
    ranges = {"*/*": 0, f"{media.partition('/')[0]}/*": 1, media: 2}
    found = (-1, 0.0)
    for part in asked.split(","):
        name, *parameters = (each.strip().lower() for each in part.split(";"))
        if name in ranges:
            found = max(found, (ranges[name], _weight(parameters)))
    return found[1]


def _weight(parameters: Sequence[str]) -> float:
    for each in parameters:
        name, _, value = each.partition("=")
        if name.strip() == "q":
            try:
                return min(1.0, max(0.0, float(value)))
            except ValueError:
                return 0.0
    return 1.0
