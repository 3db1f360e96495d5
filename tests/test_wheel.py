"""The built wheel carries the migrations and every statement, and migrates a database from anywhere."""

import asyncio
import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import asyncpg
import pytest

from service.migrate import head

PROJECT = Path(__file__).parents[1]


@pytest.fixture(scope="session")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel of this checkout, built without a registry."""
    folder = tmp_path_factory.mktemp("wheel")
    built = subprocess.run(
        [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(folder), str(PROJECT)],
        capture_output=True,
        text=True,
        check=False,
        cwd=folder,
    )
    assert built.returncode == 0, built.stdout + built.stderr
    (found,) = folder.glob("spindle_ledger-*.whl")
    return found


@pytest.fixture(scope="session")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The scripts folder of a fresh environment that has the wheel, and borrows only its dependencies from ours."""
    home = tmp_path_factory.mktemp("fresh")
    venv.EnvBuilder(with_pip=False, symlinks=True).create(home)
    places = {"base": str(home), "platbase": str(home)}
    pure = Path(sysconfig.get_path("purelib", vars=places))
    scripts = Path(sysconfig.get_path("scripts", vars=places))
    put = subprocess.run(
        [
            *(sys.executable, "-m", "pip", "--python", str(scripts / "python"), "--disable-pip-version-check"),
            *("install", "--quiet", "--no-deps", "--no-index", str(wheel)),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert put.returncode == 0, put.stdout + put.stderr
    # Plain lines of a .pth come after the environment's own folder, and the .pth files in the borrowed one, an editable
    # install of this checkout among them, are not read.
    borrowed = {sysconfig.get_path("purelib"), sysconfig.get_path("platlib")}
    (pure / "borrowed.pth").write_text("\n".join(sorted(borrowed)) + "\n")
    return scripts


def test_it_carries_the_migrations_and_every_statement(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        carried = set(archive.namelist())
    parts = [path for path in (PROJECT / "service").rglob("*") if path.suffix in {".py", ".sql"}]
    steps = [path for path in (PROJECT / "migrations").rglob("*") if path.suffix in {".py", ".sql", ".mako"}]
    wanted = {path.relative_to(PROJECT).as_posix() for path in parts}
    wanted |= {f"service/{path.relative_to(PROJECT).as_posix()}" for path in steps}
    assert any(name.startswith("service/migrations/versions/") and name.endswith(".sql") for name in wanted)
    assert wanted - carried == set()
    assert {name for name in carried if name.startswith("tests/")} == set()


def test_the_installed_command_migrates_from_another_folder(
    installed: Path, empty_database_url: str, tmp_path: Path
) -> None:
    environment = {"PATH": str(installed), "DATABASE_URL": empty_database_url}

    def run(*words: str | Path) -> str:
        done = subprocess.run(words, capture_output=True, text=True, check=False, cwd=tmp_path, env=environment)
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout.strip()

    imported = run(installed / "python", "-c", "import service; print(service.__file__)")
    assert Path(imported).is_relative_to(installed.parent), "the checkout is tested, not the wheel"
    run(installed / "spindle-ledger", "migrate")
    assert asyncio.run(revision(empty_database_url)) == head()


async def revision(url: str) -> str:
    connection = await asyncpg.connect(url)
    try:
        return str(await connection.fetchval("SELECT version_num FROM public.alembic_version"))
    finally:
        await connection.close()
