"""One pusher of the soak: sends its share of a plant, repeats, reorders, retries, and may be killed at any time.

It remembers how far it is only now and then, so that after a kill it sends again what it has sent already.
"""

import gzip
import http.client
import json
import random
import sys
import time
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import msgspec
from msgspec import Struct

WINDOW = 8
"""Minutes within which the order of sending is shuffled."""
REMEMBERED_EVERY = 10
AGAIN = 0.1
ANOTHERS = 0.05
AS_LINES = 0.1
START = 1000


class Share(Struct, frozen=True, kw_only=True):
    """What a pusher is told: of `pushers` it is the one with this number. `progress` and `log` are its files."""

    address: str
    key: str
    spindles: int
    minutes: int
    begins: datetime
    pushers: int
    number: int
    progress: str
    log: str


def key_of(spindle: int) -> str:
    return f"soak-{spindle}"


def truth(spindle: int, minute: int) -> int:
    """The counter of a spindle at a minute: one to three cycles more than the minute before."""
    return START + 2 * minute + (spindle * 31 + minute // 2 * 17 + minute) % 2


def push(share: Share) -> None:
    """Sends everything from where it was remembered to be to the end."""
    chance = random.Random(f"{share.number} {time.time_ns()}")
    progress, log = Path(share.progress), Path(share.log)
    done = int(progress.read_text("utf-8")) if progress.exists() else 0
    sender = _Sender(share)
    with log.open("a", encoding="utf-8") as told:
        for sent, (window, minute) in enumerate(_minutes(share, done, chance), start=1):
            for number in _of(share, chance):
                seconds, answer = sender.send(number, minute, as_lines=chance.random() < AS_LINES)
                told.write(json.dumps([minute, sum(answer.values()), seconds, answer]) + "\n")
            told.flush()
            if sent % REMEMBERED_EVERY == 0:
                _remember(progress, window)
    _remember(progress, share.minutes)


def _remember(progress: Path, minute: int) -> None:
    """Whole or not at all, whenever it is killed."""
    written = progress.with_suffix(".new")
    written.write_text(str(minute), "utf-8")
    written.replace(progress)


def _minutes(share: Share, done: int, chance: random.Random) -> Iterator[tuple[int, int]]:
    """Minutes in shuffled windows, each with the beginning of its window: before that everything was sent."""
    for begin in range(done, share.minutes, WINDOW):
        window = list(range(begin, min(begin + WINDOW, share.minutes)))
        chance.shuffle(window)
        for minute in window:
            yield begin, minute


def _of(share: Share, chance: random.Random) -> list[int]:
    """Whose spindles are sent for a minute: its own, now and then twice, now and then another pusher's as well."""
    numbers = [share.number]
    if chance.random() < AGAIN:
        numbers.append(share.number)
    if chance.random() < ANOTHERS:
        numbers.append(chance.randrange(share.pushers))
    return numbers


class _Sender:
    """Sends until it is answered."""

    def __init__(self, share: Share) -> None:
        self._share = share
        self._connection = http.client.HTTPConnection(share.address.removeprefix("http://"), timeout=120)

    def send(self, number: int, minute: int, *, as_lines: bool) -> tuple[float, dict[str, int]]:
        """The seconds it took and the counts of the answer. Raises RuntimeError where anything is refused."""
        share = self._share
        at = (share.begins + timedelta(minutes=minute)).isoformat()
        readings = {key_of(n): truth(n, minute) for n in range(number, share.spindles, share.pushers)}
        headers = {"Authorization": f"Bearer {share.key}", "Content-Type": "application/json"}
        body = msgspec.json.encode({"source": "/soak", "time": at, "readings": readings})
        if as_lines:
            headers |= {"Content-Type": "application/x-ndjson", "Content-Encoding": "gzip"}
            lines = ({"source": "/soak", "time": at, "spindle": k, "count": n} for k, n in readings.items())
            body = gzip.compress(b"\n".join(map(msgspec.json.encode, lines)), 1)
        began = time.perf_counter()
        answer = self._answered(body, headers)
        if answer["refused"]:
            raise RuntimeError(f"refused: {answer['items'][:3]}")
        return time.perf_counter() - began, {name: n for name, n in answer.items() if name != "items" and n}

    def _answered(self, body: bytes, headers: dict[str, str]) -> dict[str, Any]:
        while True:
            try:
                self._connection.request("POST", "/v1/counter-readings", body, headers)
                answer = self._connection.getresponse()
                said = answer.read()
            except (OSError, http.client.HTTPException):
                self._connection.close()
                time.sleep(0.1)
                continue
            if answer.status == 200:
                found: dict[str, Any] = msgspec.json.decode(said)
                return found
            if answer.status < 500:
                raise RuntimeError(f"{answer.status}: {said[:500]!r}")
            time.sleep(0.1)


if __name__ == "__main__":
    push(msgspec.json.decode(sys.argv[1].encode(), type=Share))
