"""The command line: `spindle-ledger demo | serve | deliver | sweep | migrate | rebuild | verify | key | openapi |
asyncapi | follow-mtconnect`.
"""

import argparse
import asyncio
import json
import signal
import sys
from collections.abc import Awaitable, Callable, Sequence
from datetime import timedelta
from pathlib import Path

from msgspec.structs import replace

from service import access, logs
from service.access import SCOPES
from service.api.document import document_of
from service.api.document_notices import async_document
from service.app import PARTS, clocks_of, create_app, dispatcher, ready_seal
from service.demo.story import tell
from service.domain.refusal import Refusal
from service.embedded import EmbeddedUnavailable
from service.environment import Environment, EnvironmentWrong, read_environment
from service.follow import Following, follow
from service.foresee import Foreseer
from service.migrate import MigrationRefused, migrate
from service.postgres import CannotConnect, Database
from service.rebuild import rebuild
from service.serve import NotServed, refuse_missing_ledger, serve, with_database
from service.spool import CannotFollow
from service.sweep import sweep, sweep_once
from service.verify import verify


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs one command; answers its exit status."""
    options = _parser().parse_args(arguments)
    try:
        environment = _with_options(read_environment(), options)
        logs.set_up(environment.log)
        run: Callable[[Environment, argparse.Namespace], int] = options.run
        return run(environment, options)
    except (CannotFollow, EnvironmentWrong, MigrationRefused, NotServed, Refusal) as error:
        print(f"spindle-ledger: {error}", file=sys.stderr)
        return 2
    except EmbeddedUnavailable as error:
        print(f"spindle-ledger: {error}", file=sys.stderr)
        return error.exit_status
    except CannotConnect as error:
        print(f"spindle-ledger: the database or the address cannot be used: {error}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 0


def _with_options(environment: Environment, options: argparse.Namespace) -> Environment:
    given = {name: value for name in ("host", "port", "data") if (value := getattr(options, name, None)) is not None}
    return replace(environment, **given)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="spindle-ledger", description=__doc__)
    commands = parser.add_subparsers(required=True, metavar="command")

    def add(name: str, run: Callable[[Environment, argparse.Namespace], int], text: str) -> argparse.ArgumentParser:
        command = commands.add_parser(name, help=text, description=text)
        command.set_defaults(run=run)
        command.add_argument("--data", type=Path, help="data folder of the embedded PostgreSQL, without DATABASE_URL")
        return command

    story = add("demo", _demo, "tell the invented Skerrow story on an embedded PostgreSQL, then keep serving")
    story.add_argument("--once", action="store_true", help="stop after the story")
    story.add_argument("--port", type=_port, help="port to serve at; 0 takes a free one")
    served = add("serve", _serve, "serve the API, and sweep and deliver beside it")
    served.add_argument("--host", help="address to bind")
    served.add_argument("--port", type=_port, help="port to bind; 0 takes a free one")
    served.add_argument("--without", default="", help="parts to leave out: sweep, deliver")
    add(
        "deliver",
        _deliver,
        "send webhooks, apart from serve and as often as wanted; SIGTERM lets what is on its way end",
    )
    swept = add("sweep", _sweep, "let time pass: settle what falls due by days, apart from serve")
    swept.add_argument("--once", action="store_true", help="one round")
    add("migrate", _migrate, "bring the database to this release")
    rebuilt = add("rebuild", _rebuild, "replay every spindle's facts and compare what is derived from them")
    rebuilt.add_argument("--write", action="store_true", help="put right what differs")
    rebuilt.add_argument("--after", metavar="SUBJECT", help="go on after this one, as shown by a run that was stopped")
    add("verify", _verify, "prove that nothing in the ledger was altered")
    minted = add("key", _key, "mint a key and print it once")
    minted.add_argument("name", help="whose key it is")
    minted.add_argument("--scope", action="append", required=True, choices=SCOPES, help="may be given several times")
    minted.add_argument("--plant", action="append", help="bind it to a plant; may be given several times")
    minted.add_argument("--days", type=int, help="how long it holds")
    add("openapi", _openapi, "print the OpenAPI document")
    add("asyncapi", _asyncapi, "print the AsyncAPI document of the notices")
    _add_follow(add("follow-mtconnect", _follow, "follow an MTConnect agent and send what is new to a service"))
    return parser


def _add_follow(command: argparse.ArgumentParser) -> None:
    command.add_argument("agent", metavar="URL", help="the agent, or a device of it, such as http://host:5000/M04")
    command.add_argument("--service", default="http://127.0.0.1:8460", help="where the service is")
    command.add_argument("--spool", type=Path, required=True, help="folder that keeps what is not yet sent")
    command.add_argument("--spool-megabytes", type=_megabytes, default=256, help="how much it keeps at most")
    command.add_argument("--interval", type=_seconds, default=10.0, help="seconds between requests")
    command.add_argument("--count", type=_count, default=1000, help="observations asked for at once")
    command.add_argument("--ca", type=Path, help="certificates to trust, for https")
    command.add_argument("--once", action="store_true", help="ask for all that is there, send it, and stop")


def _within(lowest: float, highest: float, what: str) -> Callable[[str], float]:
    def read(text: str) -> float:
        try:
            number = float(text)
        except ValueError:
            number = highest + 1
        if not lowest <= number <= highest:
            raise argparse.ArgumentTypeError(f"{what} from {lowest:g} to {highest:g}, not {text!r}")
        return number

    return read


_seconds = _within(0.1, 86_400, "seconds")


def _count(text: str) -> int:
    return int(_within(1, 10_000, "observations")(text))


def _megabytes(text: str) -> int:
    return int(_within(10, 1_000_000, "megabytes")(text))


def _port(text: str) -> int:
    if not (text.isascii() and text.isdigit() and int(text) <= 65_535):
        raise argparse.ArgumentTypeError(f"a port is a whole number from 0 to 65535, not {text!r}")
    return int(text)


def _demo(environment: Environment, options: argparse.Namespace) -> int:
    return tell(environment, once=options.once)


def _serve(environment: Environment, options: argparse.Namespace) -> int:
    without = {part for part in options.without.split(",") if part}
    if without - PARTS:
        raise EnvironmentWrong(f"--without takes {', '.join(sorted(PARTS))}")
    return serve(environment, parts=PARTS - without)


def _deliver(environment: Environment, _options: argparse.Namespace) -> int:
    async def run(database: Database, stop: asyncio.Event) -> int:
        sending = dispatcher(database, await ready_seal(database, environment), environment)
        print("spindle-ledger delivers", flush=True)
        await sending.run(stop)
        return 0

    return _with_pool(environment, run)


def _sweep(environment: Environment, options: argparse.Namespace) -> int:
    async def run(database: Database, stop: asyncio.Event) -> int:
        if options.once:
            settled = await sweep_once(database)
            foreseen = await Foreseer(database, clocks_of(environment)).once()
            print(f"{settled} spindles settled, {foreseen} foreseen")
        else:
            await sweep(database, stop, clocks_of(environment))
        return 0

    return _with_pool(environment, run)


def _migrate(environment: Environment, _options: argparse.Namespace) -> int:
    with with_database(environment) as (ready, _server):
        assert ready.database_url is not None
        migrate(ready.database_url)
    print("the database is at this release")
    return 0


def _verify(environment: Environment, _options: argparse.Namespace) -> int:
    async def run(database: Database, _stop: asyncio.Event) -> int:
        tally = None
        async for tally in verify(database):
            print(f"{tally.subjects} subjects, {tally.facts} facts, {tally.readings} readings", file=sys.stderr)
        assert tally is not None
        for fault in tally.faults:
            print(f"ALTERED: {fault.place}: {fault.what}")
        words = f"{tally.facts} facts and {tally.readings} readings of {tally.subjects} subjects"
        print(f"{words}: " + (f"{len(tally.faults)} faults" if tally.faults else "every hash is as it was written"))
        return 1 if tally.faults else 0

    return _with_pool(environment, run)


def _rebuild(environment: Environment, options: argparse.Namespace) -> int:
    async def run(database: Database, stop: asyncio.Event) -> int:
        spindles = facts = differing = wrong = 0
        async for looked in rebuild(database, write=options.write, after=options.after):
            spindles, facts = spindles + 1, facts + looked.facts
            differing += bool(looked.differences) and not looked.waits
            wrong += looked.wrong
            for difference in () if looked.waits else looked.differences:
                print(f"{looked.subject} {difference}")
            if looked.failed is not None:
                print(f"{looked.subject} FAILED: {looked.failed}")
            if spindles % 100 == 0 or stop.is_set():
                print(f"{spindles} spindles, {facts} facts; the last was {looked.subject}", file=sys.stderr)
            if stop.is_set():
                print(f"stopped; to go on: spindle-ledger rebuild --after {looked.subject}", file=sys.stderr)
                return 1
        words = "differed and were put right" if options.write and not wrong else "differ"
        print(f"{facts} facts of {spindles} spindles: " + (f"{differing} {words}" if differing else "nothing differs"))
        return 1 if wrong else 0

    return _with_pool(environment, run)


def _key(environment: Environment, options: argparse.Namespace) -> int:
    async def run(database: Database, _stop: asyncio.Event) -> int:
        async with database.transaction() as tx:
            expires = None if options.days is None else tx.now + timedelta(days=options.days)
            made, token = await access.mint(
                tx, name=options.name, scopes=options.scope, plants=options.plant, expires=expires
            )
        print(token)
        print(f"key number {made.key}; it holds until it is revoked or expires", file=sys.stderr)
        return 0

    return _with_pool(environment, run)


def _openapi(environment: Environment, _options: argparse.Namespace) -> int:
    app = create_app(replace(environment, database_url="postgresql://"))
    print(json.dumps(document_of(app), indent=1, ensure_ascii=False))
    return 0


def _asyncapi(environment: Environment, _options: argparse.Namespace) -> int:
    app = create_app(replace(environment, database_url="postgresql://"))
    print(json.dumps(async_document(document_of(app)), indent=1, ensure_ascii=False))
    return 0


def _follow(environment: Environment, options: argparse.Namespace) -> int:
    if environment.key is None:
        raise EnvironmentWrong("SPINDLE_LEDGER_KEY needs a key with the scope counters:write")
    following = Following(
        agent=options.agent,
        service=options.service,
        key=environment.key,
        spool=options.spool,
        interval=options.interval,
        count=options.count,
        spool_bytes=options.spool_megabytes * 1024 * 1024,
        authorities=options.ca,
    )

    async def run() -> bool:
        stop = asyncio.Event()
        for number in (signal.SIGINT, signal.SIGTERM):
            asyncio.get_running_loop().add_signal_handler(number, stop.set)
        return await follow(following, stop, lambda text: print(text, file=sys.stderr, flush=True), once=options.once)

    return 0 if asyncio.run(run()) or not options.once else 1


def _with_pool(environment: Environment, run: Callable[[Database, asyncio.Event], Awaitable[int]]) -> int:
    """Runs on the database until done or told to stop (SIGINT, SIGTERM)."""

    async def inside(dsn: str) -> int:
        stop = asyncio.Event()
        for number in (signal.SIGINT, signal.SIGTERM):
            asyncio.get_running_loop().add_signal_handler(number, stop.set)
        database = await Database.open(dsn, size=environment.pool_size)
        try:
            return await run(database, stop)
        finally:
            await database.close()

    refuse_missing_ledger(environment)
    with with_database(environment) as (ready, _server):
        assert ready.database_url is not None
        return asyncio.run(inside(ready.database_url))


if __name__ == "__main__":
    sys.exit(main())
