"""Bodies that come compressed (RFC 9110, 8.4): unpacked as they come, in bounded memory, never to more than is fair."""

import asyncio
import zlib
from collections.abc import AsyncIterator, Iterator
from typing import Any, Final, Protocol

import zstandard
from litestar import Request
from litestar.exceptions.http_exceptions import RequestEntityTooLarge

from service.domain.refusal import Refusal

CODINGS: Final = ("gzip", "zstd")
ACCEPTED: Final = ", ".join(CODINGS)
RATIO_MAX: Final = 200
"""A body may unpack to so many times its length; readings as lines come to some 30."""
FREE_BYTES: Final = 1024 * 1024
"""Below that nobody asks for the ratio."""
WINDOW_BYTES_MAX: Final = 8 * 1024 * 1024
"""The window that a zstd decoder must support and an encoder should keep to (RFC 9659)."""
_PORTION_BYTES: Final = 64 * 1024


class EncodingUnknown(Refusal):
    """The body is coded in a way that is not taken; the answer says which are (RFC 9110, 15.5.16)."""

    code = "content_encoding_unknown"


class UnpacksTooFar(Refusal):
    """The body unpacks to more than it may: beyond its ratio, or beyond what one body may be."""

    code = "unpacks_too_far"


class PackedMalformed(Refusal):
    """The body is not in the coding that it names, or was cut short."""

    code = "content_encoding_malformed"


class _Unpacking(Protocol):
    """One body on its way; `ended` once it is whole."""

    @property
    def ended(self) -> bool: ...

    def portions(self, packed: bytes) -> Iterator[bytes]: ...


class _Gzip:
    """RFC 1952: one member after another."""

    def __init__(self) -> None:
        self._one = zlib.decompressobj(wbits=31)
        self.ended = False

    def portions(self, packed: bytes) -> Iterator[bytes]:
        while packed:
            if self._one.eof:
                self._one = zlib.decompressobj(wbits=31)
            self.ended = False
            yield self._one.decompress(packed, _PORTION_BYTES)
            packed = self._one.unused_data if self._one.eof else self._one.unconsumed_tail
        while not self._one.eof and (more := self._one.decompress(b"", _PORTION_BYTES)):
            yield more
        self.ended = self._one.eof


class _Zstd:
    """RFC 8878: one frame after another. What comes is handed on in bites that unpack to 4 MiB at most: a block has at
    most 128 KiB and at least four bytes."""

    _BITE_BYTES: Final = 128

    def __init__(self) -> None:
        self._made = zstandard.ZstdDecompressor(max_window_size=WINDOW_BYTES_MAX)
        self._one: Any = None
        self.ended = False

    def portions(self, packed: bytes) -> Iterator[bytes]:
        for begin in range(0, len(packed), self._BITE_BYTES):
            bite = packed[begin : begin + self._BITE_BYTES]
            while bite:
                if self._one is None or self._one.eof:
                    self._one = self._made.decompressobj(write_size=_PORTION_BYTES)
                yield self._one.decompress(bite)
                bite = self._one.unused_data if self._one.eof else b""
        self.ended = self._one is not None and self._one.eof


def refuse_unknown_encoding(request: Request[Any, Any, Any]) -> None:
    """Raises EncodingUnknown unless the body is plain or in one of the codings."""
    _coding(request)


def _coding(request: Request[Any, Any, Any]) -> str:
    said = ",".join(request.headers.getall("content-encoding", []))
    named = [each.strip().lower() for each in said.split(",") if each.strip()]
    named = ["gzip" if each == "x-gzip" else each for each in named if each != "identity"]
    if len(named) > 1 or any(each not in CODINGS for each in named):
        raise EncodingUnknown(f"a body comes plain, or in one of {ACCEPTED}; not in {said!r}")
    return named[0] if named else ""


async def unpacked(request: Request[Any, Any, Any], *, bytes_max: int | None = None) -> AsyncIterator[bytes]:
    """The body as it was before it was coded, in portions of some 64 KiB.

    Raises EncodingUnknown, PackedMalformed, UnpacksTooFar; of a plain body longer than `bytes_max` the framework's
    RequestEntityTooLarge.
    """
    coding = _coding(request)
    if bytes_max is not None and (request.content_length or 0) > bytes_max:
        raise RequestEntityTooLarge
    came = went = 0
    made: dict[str, type[_Unpacking]] = {"gzip": _Gzip, "zstd": _Zstd}
    unpacking = made[coding]() if coding else None
    async for chunk in request.stream():
        came += len(chunk)
        if unpacking is None:
            went = came
            if bytes_max is not None and went > bytes_max:
                raise RequestEntityTooLarge
            yield chunk
            continue
        for portion in _checked(unpacking.portions(chunk)):
            went += len(portion)
            if went > max(FREE_BYTES, came * RATIO_MAX) or (bytes_max is not None and went > bytes_max):
                most = f"{RATIO_MAX} times its length" if bytes_max is None else f"{bytes_max} bytes"
                raise UnpacksTooFar(f"the body unpacks to more than {most}; send less at a time")
            if portion:
                yield portion
                # A small body may unpack to much that means nothing: others have their turn meanwhile.
                await asyncio.sleep(0)
    if unpacking is not None and came and not unpacking.ended:
        raise PackedMalformed(f"the body is cut short: its {coding} does not end", pointer="")


def _checked(portions: Iterator[bytes]) -> Iterator[bytes]:
    try:
        yield from portions
    except (zlib.error, zstandard.ZstdError) as error:
        raise PackedMalformed(f"the body cannot be unpacked: {error}", pointer="") from error


async def whole(request: Request[Any, Any, Any], bytes_max: int) -> bytes:
    """A body in one piece. Raises as `unpacked`."""
    body = bytearray()
    async for portion in unpacked(request, bytes_max=bytes_max):
        body += portion
    return bytes(body)
