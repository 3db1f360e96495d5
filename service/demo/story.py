"""The story the demo tells: a rebuild, two measurements, five hundred cycles, a recheck; all of it invented.

It calls the service's own address like any client, with a key of its own, and hears the notices on a receiver of its
own. What it prints is what the service answered.
"""

import secrets
from datetime import UTC, datetime
from functools import partial
from typing import Any, Final

import aiohttp
from msgspec.structs import replace

from service.demo import scenario
from service.demo.receiver import Receiver
from service.demo.scenario import ENGINEER, FITTER, Clock, Writer
from service.domain.address import Network
from service.embedded import default_data_folder
from service.environment import Environment, loopback_networks
from service.postgres import Database
from service.serve import serve
from service.verify import verify

OPENING: Final = """\
The Skerrow Pump Works is invented, and so is every number in this story.
The site's procedure, the maker's documentation, local rules and qualified people come first; nothing here says that a
machine is safe."""


class StoryBroken(Exception):
    """The service answered something else than the story expects."""


def tell(environment: Environment, *, once: bool) -> int:
    """Tells the story through HTTP on an embedded PostgreSQL, and goes on serving unless told `once`.

    Its data folder is the demo's own, and DATABASE_URL is passed over: no invention enters a real ledger.
    """
    key = environment.bootstrap_key or secrets.token_urlsafe(32)
    networks: tuple[Network, ...] = (*environment.webhook_networks, *loopback_networks())
    data = environment.data or default_data_folder().with_name("spindle-ledger-demo")
    prepared = replace(environment, database_url=None, data=data, bootstrap_key=key, webhook_networks=networks)
    return serve(prepared, beside=partial(_tell, key, once))


async def _tell(key: str, once: bool, address: str, environment: Environment) -> int | None:
    receiver = Receiver()
    heard_at = await receiver.start()
    headers = {"Authorization": f"Bearer {key}"}
    try:
        async with aiohttp.ClientSession(address, headers=headers) as session:
            story = _Story(session, receiver, datetime.now(UTC))
            try:
                await story.run(heard_at)
            finally:
                await story.leave()
        await _verify(environment)
    except (StoryBroken, TimeoutError) as broken:
        _say("", f"The story broke off: {str(broken) or 'a notice did not arrive in time'}")
        return 1
    finally:
        await receiver.stop()
    if once:
        return 0
    _say("", f"The service goes on at {address} until Ctrl-C. A key for it, made for this telling:", f"  {key}")
    _say(f"  curl -H 'Authorization: Bearer {key}' {address}/v1/spindles/{story.spindle}")
    return None


def _say(*lines: str) -> None:
    for line in lines:
        print(line, flush=True)


async def _verify(environment: Environment) -> None:
    assert environment.database_url is not None
    database = await Database.open(environment.database_url, size=2)
    try:
        tally = [found async for found in verify(database)][-1]
    finally:
        await database.close()
    if tally.faults:
        raise StoryBroken("the ledger does not verify")
    _say(
        "",
        f"Verify: {tally.facts} facts and {tally.readings} counter readings read again, every hash as it was written.",
    )


class _Story:
    """One telling. Times are the story's own; the last of them is now."""

    def __init__(self, session: aiohttp.ClientSession, receiver: Receiver, end: datetime) -> None:
        self._session, self._receiver = session, receiver
        self._clock = Clock(end)
        self._telling = f"telling-{end:%Y%m%dT%H%M%S%f}"
        self._writer = Writer(self._telling)
        self._endpoint: str | None = None
        self.spindle, self._position = "H2-M04-S1", "1"

    async def run(self, heard_at: str) -> None:
        _say("", OPENING, "")
        await self._register(heard_at)
        await self._prepare()
        await self._rebuild()
        await self._adjust()
        await self._count()
        await self._recheck()
        await self._correct()
        await self._recall()

    async def leave(self) -> None:
        """Takes the demo's own endpoint away: nobody listens there afterwards."""
        if self._endpoint is not None:
            await self._session.delete(f"/v1/webhook-endpoints/{self._endpoint}")

    async def _call(self, method: str, path: str, body: Any = None) -> dict[str, Any]:
        async with self._session.request(method, path, json=body) as answer:
            content: dict[str, Any] = await answer.json(content_type=None)
            if answer.status >= 400:
                raise StoryBroken(f"{method} {path} was answered {answer.status}: {content}")
            return content

    async def _send(self, event_type: str, subject: str, time: datetime, actor: str, data: Any) -> dict[str, Any]:
        return await self._call("POST", "/v1/events", self._writer.event(event_type, subject, time, actor, data))

    async def _spindle(self, event_type: str, minutes: float, data: Any) -> dict[str, Any]:
        time = self._clock.before_end(minutes=minutes)
        return await self._send(event_type, f"spindles/{self.spindle}", time, FITTER, data)

    async def _register(self, heard_at: str) -> None:
        added = await self._call("POST", "/v1/webhook-endpoints", {"url": heard_at, "description": "the demo's own"})
        self._receiver.secret, self._endpoint = added["secret"], added["id"]
        await self._call("POST", f"/v1/webhook-endpoints/{added['id']}/ping")
        await self._receiver.of_type("endpoint.ping")
        _say("A receiver listens on loopback; a signed ping has reached it and its signature holds.")

    async def _prepare(self) -> None:
        """Sheet, gauge and spindle; a later telling takes the next position of the machine."""
        for position in range(1, 1000):
            async with self._session.get(f"/v1/spindles/H2-M04-S{position}") as answer:
                if answer.status == 404:
                    self.spindle, self._position = f"H2-M04-S{position}", str(position)
                    break
        code, gauge = f"SKERROW-A.{self._telling}", f"DG-03.{self._telling}"
        self._gauge = gauge
        began = self._clock.before_end(days=56)
        await self._send("sheet.issued", f"sheets/{code}", began, ENGINEER, scenario.sheet(began))
        await self._send("gauge.registered", f"gauges/{gauge}", began, ENGINEER, scenario.GAUGE)
        calibrated = scenario.calibration(self._clock.before_end(days=-300))
        await self._send("gauge.calibrated", f"gauges/{gauge}", began, ENGINEER, calibrated)
        data = scenario.commissioning(self._position, code)
        time = self._clock.before_end(days=55)
        receipt = await self._send("spindle.commissioned", f"spindles/{self.spindle}", time, ENGINEER, data)
        _say(
            f"Spindle {self.spindle} is commissioned at count {receipt['state']['count']}; sheet and gauge are known.",
            f"  {_standing(receipt)}",
        )

    async def _rebuild(self) -> None:
        receipt = await self._spindle("clamping_set.replaced", 200, scenario.REBUILD)
        _say(
            "",
            "Rebuild: a worn clamping set is replaced, six segments seated, o-ring fitted.",
            f"  {_standing(receipt)}",
        )
        await self._spindle("nose.torqued", 190, scenario.TORQUE)
        await self._spindle("clamp.exercised", 188, scenario.RUN_IN)
        receipt = await self._measure(185, "11.52", "11.48")
        self._expect(receipt["verdict"]["outcome"], "nonconforming")
        advice = receipt["instruction"]
        turn, expected = advice["turn"], advice["expected_depth"]
        _say(
            f"  Turn the nose {turn['value']} {turn['unit']} {advice['direction']}, {advice['rotation_from_front']} "
            f"seen from the front; expected depth {expected['value']} {expected['unit']}.",
            *(f"    {sentence}" for sentence in advice["then"]),
            "  Cautions:",
            *(f"    {sentence}" for sentence in advice["cautions"]),
        )

    async def _adjust(self) -> None:
        await self._spindle("nose.adjusted", 181, {"turn": {"value": "24", "unit": "deg"}, "direction": "out"})
        await self._spindle("nose.torqued", 179, scenario.TORQUE)
        await self._spindle("clamp.exercised", 177, scenario.RUN_IN)
        _say("", "The nose is turned 24 deg out, torqued with 37 N.m, and run in with 3 cycles.")
        receipt = await self._measure(174, "11.41", "11.39", scenario.ACCEPTED_AT)
        self._expect(receipt["verdict"]["outcome"], "conforming")
        opened = receipt["opened"][0]
        _say(f"  Accepted. Recheck {opened['recheck']} is {opened['state']}; due at count {opened['due_at_count']}.")

    async def _count(self) -> None:
        _say("", "The machine runs, and its counter is pushed:")
        for minutes, cycles in ((130, 250), (100, 449), (90, 450), (60, 499)):
            await self._push(minutes, cycles)
        due = [each for each in self._receiver.taken.values() if each["type"] == "recheck.due"]
        self._expect(len(due), 0)
        _say("  Nothing is due at 499.")
        await self._push(58, 500)
        notice = await self._receiver.of_type("recheck.due")
        _say(
            f"  At 500 the recheck is due: webhook {notice['type']} received, signature verified,",
            f"  id {notice['id']}.",
        )

    async def _push(self, minutes: float, cycles: int) -> None:
        reading = scenario.ACCEPTED_AT + cycles
        body = {
            "source": f"/skerrow/mes/{self._telling}",
            "time": self._clock.before_end(minutes=minutes).isoformat(),
            "readings": {self.spindle: reading},
        }
        await self._call("POST", "/v1/counter-readings", body)
        state = await self._call("GET", f"/v1/spindles/{self.spindle}")
        bed_in = next(each for each in state["rechecks"] if each["recheck"] == "bed-in")
        _say(f"  {cycles:>3} cycles since acceptance: {bed_in['recheck']} is {bed_in['state']}; {_standing_of(state)}")

    async def _recheck(self) -> None:
        _say("", "The fitter comes back and measures again:")
        receipt = await self._measure(5, "11.42", "11.39", scenario.ACCEPTED_AT + 502)
        self._expect([each["state"] for each in receipt["closed"]], ["satisfied"])
        notice = await self._receiver.of_type("recheck.satisfied")
        _say(f"  The recheck is satisfied: webhook {notice['type']} received, signature verified.")
        if receipt["shift"] is not None:
            moved = "has moved" if receipt["shift"]["moved"] else "has not moved beyond the gauge's doubt"
            shift = receipt["shift"]["difference"]
            _say(f"  Against the measurement before, the depth {moved} ({shift['value']} {shift['unit']}).")

    async def _correct(self) -> None:
        _say("", "The paper at the machine says 11.37 for the second reading. The entry is corrected, not changed:")
        data = {**scenario.measured("11.42", "11.37", scenario.ACCEPTED_AT + 502), "gauge": self._gauge}
        said = {"target": self._measured, "data": data, "reason": "a nine for a seven"}
        receipt = await self._spindle("entry.corrected", 4, said)
        mean = receipt["verdict"]["mean"]
        _say(
            f"  Judged again: mean {mean['value']} mm, {receipt['verdict']['outcome'].upper()}; both entries stay in "
            "the history.",
            f"  {_standing(receipt)}",
        )

    async def _recall(self) -> None:
        _say("", "The depth gauge comes back from calibration: it was 0.06 mm out.")
        found = scenario.found_out(self._clock.before_end(days=-300))
        at = self._clock.before_end(minutes=3)
        await self._send("gauge.calibrated", f"gauges/{self._gauge}", at, ENGINEER, found)
        notice = await self._receiver.of_type("gauge.suspect")
        told = notice["data"]
        self._expect([each["spindle"] for each in told["spindles"]], [self.spindle])
        proof = told["spindles"][0]["last_proof"]["setting"]
        state = await self._call("GET", f"/v1/spindles/{self.spindle}")
        _say(
            f"  Webhook {notice['type']} received, signature verified: {told['in_doubt']} of {told['judged_again']} "
            "spindles in doubt.",
            "  When the error arose is unknown, so what it would change is undecided.",
            *(
                [f"  Last proof at count {proof['count']}."]
                if proof is not None
                else ["  No earlier proof is beyond that doubt."]
            ),
            f"  {_standing_of(state)}",
            "The gauge is adjusted, and the spindle measured again:",
        )
        receipt = await self._measure(1, "11.41", "11.39", scenario.ACCEPTED_AT + 503)
        self._expect(receipt["verdict"]["outcome"], "conforming")

    async def _measure(self, minutes: float, first: str, second: str, count: int | None = None) -> dict[str, Any]:
        data = {**scenario.measured(first, second, count), "gauge": self._gauge}
        receipt = await self._spindle("setting.measured", minutes, data)
        self._measured = self._writer.newest
        verdict = receipt["verdict"]
        mean, deviation = verdict["mean"], verdict["deviation"]
        doubt = verdict["uncertainty"]["U"]
        _say(
            f"  Measured {first} mm at 0 deg and {second} mm at 180 deg: mean {mean['value']} mm, deviation "
            f"{deviation['value']} mm, U (k = 2) {doubt['value']} mm: {verdict['outcome'].upper()}.",
            f"  {_standing(receipt)}",
        )
        return receipt

    def _expect(self, found: object, wanted: object) -> None:
        if found != wanted:
            raise StoryBroken(f"{wanted!r} was expected, {found!r} was answered")


def _standing(receipt: dict[str, Any]) -> str:
    return _standing_of(receipt["state"])


def _standing_of(state: dict[str, Any]) -> str:
    reasons = ", ".join(reason["code"] for reason in state["reasons"])
    return f"health {state['health']}{f' ({reasons})' if reasons else ''}, clearance {state['clearance']}"
