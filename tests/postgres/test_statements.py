"""Every named statement prepares against the migrated schema, casts what is bound, has one name and is used."""

import importlib
import pkgutil
import re
from pathlib import Path
from types import ModuleType

import asyncpg

import service
from service.postgres import ROLE, Statement, Statements

SERVICE = Path(__file__).parents[2] / "service"
STORES = sorted(SERVICE.rglob("*.sql"))
UNCAST = re.compile(r"(?<![:\w])(?<!CAST\():([a-z_][a-z0-9_]*)(?!\w)(?!::)")


def modules() -> list[ModuleType]:
    names = [found.name for found in pkgutil.walk_packages(service.__path__, "service.")]
    return [importlib.import_module(name) for name in names if not name.startswith("service.migrations")]


def statements() -> dict[str, Statement]:
    """Those of every store by its name, and those that stand in a module."""
    found = {f"{store.stem}.{each.name}": each for store in STORES for each in Statements(store)}
    for module in modules():
        for name, value in vars(module).items():
            if isinstance(value, Statement):
                found[f"{module.__name__}.{name}"] = value
    return found


async def test_every_statement_prepares_against_the_migrated_schema(database_url: str) -> None:
    connection = await asyncpg.connect(database_url)
    failed = {}
    try:
        await connection.execute(f"SET ROLE {ROLE}")
        for name, statement in statements().items():
            try:
                prepared = await connection.prepare(statement.sql)
                assert len(prepared.get_parameters()) == len(statement.binds), name
            except asyncpg.PostgresError as error:
                failed[name] = str(error)
    finally:
        await connection.close()
    assert failed == {}
    assert len(STORES) >= 7


def test_every_statement_of_a_store_is_used() -> None:
    code = "\n".join(path.read_text("utf-8") for path in SERVICE.rglob("*.py"))
    unused = [
        f"{store.name}: {each.name}" for store in STORES for each in Statements(store) if f'"{each.name}"' not in code
    ]
    assert unused == []


def test_a_name_stands_once_in_its_store() -> None:
    for store in STORES:
        names = re.findall(r"^-- name: (.*)$", store.read_text("utf-8"), re.MULTILINE)
        assert sorted(names) == sorted(each.name for each in Statements(store))


def test_whatever_is_bound_is_cast() -> None:
    uncast = {}
    for store in STORES:
        code = re.sub(r"--.*", "", store.read_text("utf-8"))
        found = [match.group(1) for match in UNCAST.finditer(re.sub(r"'[^']*'", "''", code))]
        if found:
            uncast[store.name] = found
    assert uncast == {}
