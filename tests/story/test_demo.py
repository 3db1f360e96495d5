"""The demo from the outside: it tells its story through HTTP, hears its own webhooks, and ends as asked."""

import contextlib
import os
import signal
import subprocess
import sys
import tempfile
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

TOLD = (
    "mean 11.50 mm, deviation 0.10 mm, U (k = 2) 0.00920145 mm: NONCONFORMING",
    "Turn the nose 24 deg out, counterclockwise seen from the front; expected depth 11.40 mm.",
    "mean 11.40 mm, deviation 0.00 mm, U (k = 2) 0.00920145 mm: CONFORMING",
    "499 cycles since acceptance: bed-in is open",
    "Nothing is due at 499.",
    "500 cycles since acceptance: bed-in is due; health maintenance_required (recheck_due), clearance cleared",
    "webhook recheck.due received, signature verified",
    "webhook recheck.satisfied received, signature verified",
    "every hash as it was written",
)


@pytest.fixture
def data_folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(dir="/var/tmp" if Path("/var/tmp").is_dir() else None) as folder:
        Path(folder).chmod(0o755)
        yield Path(folder) / "data"


def _command(data: Path, *more: str) -> list[str]:
    return [sys.executable, "-m", "service", "demo", "--port", "0", "--data", str(data), *more]


def _environment() -> dict[str, str]:
    return {name: value for name, value in os.environ.items() if name != "DATABASE_URL"}


def test_the_story_is_told_in_order_and_a_second_telling_takes_another_spindle(data_folder: Path) -> None:
    for spindle in ("H2-M04-S1", "H2-M04-S2"):
        run = subprocess.run(
            _command(data_folder, "--once"),
            env=_environment(),
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        assert run.returncode == 0, run.stdout + run.stderr
        places = [run.stdout.find(sentence) for sentence in (f"Spindle {spindle} is commissioned", *TOLD)]
        assert -1 not in places
        assert places == sorted(places)
        assert "invented" in run.stdout
        assert run.stderr == ""


def test_without_once_it_goes_on_serving_until_ctrl_c(data_folder: Path) -> None:
    with subprocess.Popen(
        _command(data_folder), env=_environment(), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ) as demo:
        assert demo.stdout is not None
        try:
            said = []
            for line in demo.stdout:
                said.append(line)
                if "curl -H" in line:
                    break
            address = next(line.split()[-1] for line in said if "serves at" in line)
            with urllib.request.urlopen(f"{address}/livez", timeout=10) as answer:
                assert answer.status == 200
            demo.send_signal(signal.SIGINT)
            assert demo.wait(timeout=30) == 0
        finally:
            with contextlib.suppress(ProcessLookupError):
                demo.kill()
