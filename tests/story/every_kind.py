"""A teller for the stories of every kind of event: what it sends through HTTP has to be found again, as it was sent."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import datetime, timedelta
from typing import Any, Final

from tests.domain import skerrow
from tests.domain.skerrow import mm, q
from tests.running import Json, Running, running
from tests.story.loading import ENDED, START_COUNT, ago, assert_whole, event

SPINDLE: Final = "H2-M04-S1"
PLACE: Final = {"plant": "skerrow", "hall": "2", "machine": "H2-M04", "position": "1"}
BEGUN: Final = ago(days=3)
"""When the spindle is commissioned; what follows happens a minute later each, unless a time is named."""
_DUE: Final = (ENDED + timedelta(days=200)).date().isoformat()
GAUGES: Final[dict[str, tuple[Json, Json]]] = {
    "DG-03": (skerrow.GAUGE, {"expanded_uncertainty": mm("0.006"), "k": "2", "due": _DUE}),
    "FG-01": (
        {"kind": "force", "resolution": q("10", "N"), "repeatability": q("60", "N"), "interface": "HSK-A63"},
        {"expanded_uncertainty": q("200", "N"), "k": "2", "due": _DUE},
    ),
    "RG-02": (
        {"kind": "run_out", "resolution": q("0.1", "um"), "repeatability": q("0.2", "um")},
        {"expanded_uncertainty": q("0.5", "um"), "k": "2", "due": _DUE},
    ),
}
"""What is registered and calibrated before every story."""


class Story:
    """Facts told one after the other to a service, each answered, and each found again at the end."""

    def __init__(self, ledger: Running) -> None:
        self.ledger = ledger
        self.now = BEGUN
        self.told: list[tuple[Json, Json]] = []
        self.readings = 0

    async def tell(
        self,
        event_type: str,
        data: Json,
        *,
        of: str = f"spindles/{SPINDLE}",
        at: datetime | None = None,
        **changes: Any,
    ) -> Json:
        """The receipt of a fact that is accepted, at the end of its subject's stream."""
        sent = self.sent(event_type, data, of, at, changes)
        receipt = await self.ledger.record(sent)
        before = sum(1 for earlier, _ in self.told if earlier["subject"] == of)
        assert (receipt["status"], receipt["entry"]["subject"]) == ("accepted", of)
        assert receipt["entry"]["sequence"] == before + 1 + (self.readings if of == f"spindles/{SPINDLE}" else 0)
        self.told.append((sent, receipt))
        return receipt

    async def refused(
        self,
        event_type: str,
        data: Json,
        *,
        of: str = f"spindles/{SPINDLE}",
        at: datetime | None = None,
        **changes: Any,
    ) -> tuple[int, str]:
        """The status and the code that a fact is refused with; nothing of it is kept."""
        answer = await self.ledger.send(self.sent(event_type, data, of, at, changes))
        return answer.status_code, answer.json()["code"]

    def sent(self, event_type: str, data: Json, of: str, at: datetime | None, changes: Json) -> Json:
        self.now = self.now + timedelta(minutes=1) if at is None else at
        return event(event_type, of, self.now, data, **changes)

    async def commission(self, key: str = SPINDLE, **changes: Any) -> Json:
        counter = {"start": START_COUNT, "modulus": 1_000_000}
        data = {"serial": f"SP-{key}", "sheet": "SKERROW-A", "counter": counter} | PLACE | changes
        return await self.tell("spindle.commissioned", data, of=f"spindles/{key}", actor="r.t. engineer")

    async def measure(self, depth: str = "11.40", **data: Any) -> Json:
        """Two opposed readings of the same depth; 11.35 to 11.45 conforms."""
        readings = [{"angle": q(angle, "deg"), "depth": mm(depth)} for angle in ("0", "180")]
        whole = {"readings": readings, "gauge": "DG-03", "gauge_zeroed": True, "draw_bar": "released"} | data
        return await self.tell("setting.measured", whole)

    async def pull(self, *kilonewtons: str, **data: Any) -> Json:
        pulls = [{"value": q(value, "kN")} for value in kilonewtons]
        whole = {"pulls": pulls, "gauge": "FG-01", "gauge_zeroed": True, "draw_bar": "clamped"} | data
        return await self.tell("draw_force.measured", whole)

    async def rebuild(self, **data: Any) -> Json:
        whole = {"segments_seated": 6, "o_ring_fitted": True, "reason": "worn"} | data
        return await self.tell("clamping_set.replaced", whole)

    async def prepare(self) -> None:
        """Torqued and run in by hand."""
        await self.tell("nose.torqued", {"torque": q("37", "N.m"), "how": "set"})
        await self.tell("clamp.exercised", {"cycles": 3})

    async def push(self, reading: int, at: datetime) -> Json:
        """The counter in bulk, a new reading or one that was pushed before."""
        answer = await self.ledger.read_counters(at, {SPINDLE: reading})
        self.readings += answer["accepted"]
        self.now = max(self.now, at)
        return answer

    async def count(self, reading: int, at: datetime | None = None) -> Json:
        """The counter, an hour later unless a time is named."""
        return await self.tell("counter.read", {"count": reading}, at=at or self.now + timedelta(hours=1))

    async def seen(self, key: str = SPINDLE) -> Json:
        return await self.ledger.spindle(key)

    async def read(self, path: str) -> Json:
        answer = await self.ledger.client.get(path)
        assert answer.status_code == 200, answer.text
        found: Json = answer.json()
        return found

    async def assert_kept(self) -> None:
        """Every fact stands in its stream and in the feed as it was sent, people by their labels; no hash is off."""
        feed = {each["id"]: each for each in (await self.read("/v1/events?limit=1000"))["items"]}
        pushed = {name for name in feed if name.startswith("reading:")}
        assert set(feed) - pushed == {sent["id"] for sent, _ in self.told}
        assert len(pushed) == self.readings
        for sent, receipt in self.told:
            found = feed[sent["id"]]
            assert {name: found[name] for name in sent if name != "time"} == without_time(sent)
            assert datetime.fromisoformat(found["time"]) == datetime.fromisoformat(sent["time"])
            place = {name: value for name, value in receipt["entry"].items() if name != "subject"}
            assert {name: found[name] for name in place} == place
        for key in sorted(
            {sent["subject"].partition("/")[2] for sent, _ in self.told if "spindles/" in sent["subject"]}
        ):
            mine = [each for each in feed.values() if each["subject"] == f"spindles/{key}"]
            history = [
                {name: each[name] for name in each if name != "superseded"} for each in await self.ledger.history(key)
            ]
            assert history == sorted(mine, key=lambda each: each["sequence"])
        tally = await assert_whole(self.ledger.database, self.ledger.url)
        assert tally.faults == []


def without_time(sent: Json) -> Json:
    return {name: value for name, value in sent.items() if name != "time"}


@asynccontextmanager
async def telling(
    url: str, *rechecks: Json, commissioned: bool = True, since_days: int = 200, kept: bool = True, **sheet: Any
) -> AsyncIterator[Story]:
    """A story of the Skerrow works, its sheet with these rechecks; members of the sheet are changed by name.

    Sheet and gauges are entered so many days ago. At its end everything told is looked for, unless `kept` is false.
    """
    async with running(url) as ledger:
        story = Story(ledger)
        await story.tell("sheet.issued", sheet_of(*rechecks, **sheet), of="sheets/SKERROW-A", at=ago(days=since_days))
        for key, (registered, calibrated) in GAUGES.items():
            await story.tell("gauge.registered", registered, of=f"gauges/{key}", at=ago(days=since_days - 1))
            await story.tell("gauge.calibrated", calibrated, of=f"gauges/{key}", at=ago(days=since_days - 2))
        story.now = BEGUN - timedelta(minutes=1)
        if commissioned:
            await story.commission()
        yield story
        if kept:
            await story.assert_kept()


def sheet_of(*rechecks: Json, **changes: Any) -> Json:
    return skerrow.SHEET | {"valid_from": ago(days=300).isoformat(), "rechecks": list(rechecks)} | changes


def reasons(state: Json) -> list[str]:
    return [reason["code"] for reason in state["reasons"]]


def standing(state: Json) -> tuple[str | None, str]:
    """Health and clearance."""
    return state["health"], state["clearance"]


def recheck(state: Json, code: str) -> Json:
    """The episode of that code that runs, else the newest closed one."""
    return dict([each for each in state["rechecks"] if each["recheck"] == code][-1])
