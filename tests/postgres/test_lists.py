"""Lists: every shape prepares, pages follow each other whatever is written meanwhile, cursors are checked."""

import ast
import asyncio
from base64 import urlsafe_b64decode, urlsafe_b64encode
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import asyncpg
import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service import listed_spindles, lists
from service.cursors import CursorMalformed, read_cursor, write_cursor
from service.listed_deliveries import DELIVERIES
from service.listed_spindles import LISTINGS
from service.listed_work_orders import WORK_ORDERS
from service.lists import Asked
from service.postgres import ROLE, Database

SERVICE = Path(__file__).parents[2] / "service"
QUESTION = ["spindles", "key", []]

OF_LISTS = {"lists.py", "list_columns.py", "listed_deliveries.py", "listed_spindles.py", "listed_work_orders.py"}


@pytest.fixture
async def database(database_url: str) -> AsyncIterator[Database]:
    opened = await Database.open(database_url)
    yield opened
    await opened.close()


async def test_every_shape_prepares_and_its_sorts_are_never_null(database_url: str) -> None:
    connection = await asyncpg.connect(database_url)
    try:
        await connection.execute(f"SET ROLE {ROLE}")
        shapes = list(lists.every_shape([*LISTINGS, DELIVERIES, WORK_ORDERS]))
        for statement in shapes:
            prepared = await connection.prepare(statement.sql)
            assert len(prepared.get_parameters()) == len(statement.binds), statement.sql
    finally:
        await connection.close()
    assert len({statement.sql for statement in shapes}) == len(shapes) > 100


def test_a_shape_is_compiled_once() -> None:
    shape = (listed_spindles.SPINDLES, frozenset({"plant", "health"}), "health")
    assert lists.statement_of(*shape, further=True) is lists.statement_of(*shape, further=True)
    assert lists.statement_of(*shape, further=True) is not lists.statement_of(*shape, further=False)


@pytest.mark.parametrize(
    ("library", "importers"),
    [
        (
            "sqlalchemy",
            {"lists.py", "list_columns.py", "listed_deliveries.py", "listed_spindles.py", "listed_work_orders.py"},
        ),
        ("asyncpg", {"migrate.py", "postgres.py"}),
    ],
)
def test_nothing_else_of_the_service_reaches_past_the_stores(library: str, importers: set[str]) -> None:
    found = set()
    for path in SERVICE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            named = [each.name for each in node.names] if isinstance(node, ast.Import) else []
            named += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            if any(name.partition(".")[0] == library for name in named):
                found.add(path.relative_to(SERVICE).as_posix())
    assert found == importers


async def add(connection: Any, kind: str, *keys: str) -> None:
    await connection.executemany(
        "INSERT INTO ledger.subject (kind, key, log, sequence, head) VALUES ($1, $2, 0, 1, '')",
        [(kind, key) for key in keys],
    )


async def keys_of(database: Database, limit: int, cursor: str | None = None) -> tuple[list[str], str | None]:
    asked = Asked(listing=listed_spindles.SUBJECTS, filters={"kind": "lots"}, sort="key", limit=limit, cursor=cursor)
    async with database.transaction(snapshot=True) as tx:
        return await lists.page(tx, asked, lambda row: str(row["key"]))


async def test_a_walk_meets_each_thing_once_while_others_come_in_before_and_behind(
    database: Database, database_url: str
) -> None:
    connection = await asyncpg.connect(database_url)
    there = [f"M-{number:03}" for number in range(50)]
    await add(connection, "lots", *there)
    await add(connection, "gauges", "M-000")
    met: list[str] = []
    cursor: str | None = None
    for turn in range(100):
        items, cursor = await keys_of(database, 7, cursor)
        met += items
        await add(connection, "lots", f"A-{turn:03}", f"Z-{turn:03}", f"M-{turn:03}x")
        if cursor is None:
            break
        if turn == 20:
            there.append("Z-999")
            await add(connection, "lots", "Z-999")
    await connection.close()
    assert len(met) == len(set(met))
    assert set(there) <= set(met)
    assert met == sorted(met)


async def test_pages_end_where_the_list_ends(database: Database, database_url: str) -> None:
    connection = await asyncpg.connect(database_url)
    await add(connection, "lots", "A", "B", "C", "D")
    await connection.close()
    assert await keys_of(database, 4) == (["A", "B", "C", "D"], None)
    items, cursor = await keys_of(database, 2)
    assert items == ["A", "B"]
    assert await keys_of(database, 2, cursor) == (["C", "D"], None)


async def test_a_page_that_lets_rows_go_is_filled_up_and_at_last_answered_short(
    database: Database, database_url: str
) -> None:
    connection = await asyncpg.connect(database_url)
    await add(connection, "lots", *(f"{number:03}" for number in range(200)))
    await connection.close()

    async def taken(wanted: str, cursor: str | None = None) -> tuple[list[str], str | None]:
        asked = Asked(listing=listed_spindles.SUBJECTS, filters={"kind": "lots"}, sort="key", limit=2, cursor=cursor)
        async with database.transaction(snapshot=True) as tx:
            return await lists.page(tx, asked, lambda row: row["key"] if row["key"].endswith(wanted) else None)

    assert (await taken("5"))[0] == ["005", "015"]
    items, cursor = await taken("150")
    walked = items
    while cursor is not None:
        items, cursor = await taken("150", cursor)
        walked += items
    assert walked == ["150"]


async def test_many_readers_of_one_new_shape_are_answered_alike(database: Database) -> None:
    assert set(map(str, await asyncio.gather(*(keys_of(database, 1) for _ in range(8))))) == {"([], None)"}


@given(
    st.lists(
        st.integers(-(2**63) + 1, 2**63 - 1)
        | st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0")),
        min_size=1,
        max_size=4,
    )
)
def test_a_cursor_comes_back_as_it_was(values: list[int | str]) -> None:
    cursor = write_cursor(QUESTION, values)
    if len(cursor) <= 2000:
        assert read_cursor(QUESTION, [type(value) for value in values], cursor) == values


def test_a_cursor_altered_anywhere_cut_or_taken_elsewhere_is_refused() -> None:
    cursor = write_cursor(QUESTION, ["H2-M04-S1"])
    letters = "AQgwZ9-_"
    altered = {cursor[:place] + letter + cursor[place + 1 :] for place in range(len(cursor)) for letter in letters} - {
        cursor
    }
    cut = {cursor[:length] for length in range(len(cursor))} | {
        cursor + "A",
        cursor + "=",
        cursor + "\n",
        "x" * 5000,
        "ä",
    }
    for wrong in altered | cut:
        with pytest.raises(CursorMalformed):
            read_cursor(QUESTION, [str], wrong)
    for question in (["rechecks", "key", []], ["spindles", "due", []], ["spindles", "key", [["plant", "skerrow"]]]):
        with pytest.raises(CursorMalformed):
            read_cursor(question, [str], cursor)


@pytest.mark.parametrize(
    "values", [[1], ["a", "b"], [True], ["a\0"], [2**63], [None], [1.5], [["a"]], {"a": 1}, "a", []]
)
def test_a_cursor_of_other_values_is_refused_though_its_checksum_fits(values: Any) -> None:
    with pytest.raises(CursorMalformed):
        read_cursor(QUESTION, [str], write_cursor(QUESTION, values))


@pytest.mark.parametrize("value", [2**63, -(2**63) - 1, 10**30])
def test_a_number_that_no_column_holds_is_refused(value: int) -> None:
    with pytest.raises(CursorMalformed):
        read_cursor(QUESTION, [int], write_cursor(QUESTION, [value]))


def test_a_cursor_that_is_no_json_is_refused() -> None:
    raw = urlsafe_b64decode(write_cursor(QUESTION, ["a"]) + "==")
    broken = raw[:9] + b'["a'
    with pytest.raises(CursorMalformed):
        read_cursor(QUESTION, [str], urlsafe_b64encode(broken).rstrip(b"=").decode())
    assert msgspec.json.decode(raw[9:]) == ["a"]
