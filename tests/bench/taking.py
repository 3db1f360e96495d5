"""A receiver of webhooks that does next to nothing, in a process of its own: `python -m tests.bench.taking`.

A path that begins with /dead is taken and never answered. GET answers how many whole POSTs each path has had.
"""

import asyncio
import json
from collections import Counter
from typing import Final

TAKEN: Final[Counter[str]] = Counter()


class Taking(asyncio.Protocol):
    """HTTP/1.1 as far as our own client speaks it: heads with Content-Length, one after the other."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self._buffer = b""

    def data_received(self, data: bytes) -> None:
        self._buffer += data
        while (end := self._buffer.find(b"\r\n\r\n")) >= 0:
            head = self._buffer[:end].lower()
            _, _, rest = head.partition(b"content-length: ")
            length = int(rest.partition(b"\r\n")[0] or 0)
            if len(self._buffer) < end + 4 + length:
                return
            method, path = self._buffer[:end].split(b" ", 2)[:2]
            self._buffer = self._buffer[end + 4 + length :]
            self._answer(method, path.decode())

    def _answer(self, method: bytes, path: str) -> None:
        if method == b"GET":
            body = json.dumps(TAKEN).encode()
            self._transport.write(b"HTTP/1.1 200 OK\r\nContent-Length: %d\r\n\r\n%b" % (len(body), body))
            return
        TAKEN[path] += 1
        if not path.startswith("/dead"):
            self._transport.write(b"HTTP/1.1 204 No Content\r\n\r\n")


async def _serve() -> None:
    server = await asyncio.get_running_loop().create_server(Taking, "127.0.0.1", 0)
    print(f"taking serves at http://127.0.0.1:{server.sockets[0].getsockname()[1]}", flush=True)
    await server.serve_forever()


if __name__ == "__main__":
    asyncio.run(_serve())
