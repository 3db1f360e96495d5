"""Rules of the house that no other tool keeps: names, sizes, what the documents must name, what must not be said."""

import ast
import re
from collections import Counter
from pathlib import Path

import pytest

PROJECT = Path(__file__).parents[1]
SERVICE = PROJECT / "service"
TOP_LEVEL = {
    *("README.md", "DEVELOPERS.md", "pyproject.toml", "constraints.txt", "docker-compose.yml"),
    *("openapi", "migrations", "tests", "service"),
}
MADE_BY_TOOLS = {"__pycache__", "build", "dist"}
VAGUE = ("util", "helper", "manager", "service", "common", "base", "misc")
LINES_OF_A_FILE = 400
LINES_OF_A_FUNCTION = 50
LONG_BY_NATURE = {"apply"}
"""One line for each kind of event."""

MODULES = sorted(path for folder in ("service", "migrations", "tests") for path in (PROJECT / folder).rglob("*.py"))
WRITTEN = sorted([*MODULES, *(path for folder in (SERVICE, PROJECT / "migrations") for path in folder.rglob("*.sql"))])


def place(path: Path) -> str:
    return path.relative_to(PROJECT).as_posix()


def texts() -> dict[str, str]:
    """Every text of the project but this one, by its place."""
    folders = [PROJECT / name for name in ("service", "migrations", "tests", "openapi", ".ci")]
    files = [path for folder in folders for path in folder.rglob("*") if "__pycache__" not in path.parts]
    files += [PROJECT / name for name in TOP_LEVEL]
    return {
        place(path): path.read_text(encoding="utf-8", errors="replace")
        for path in files
        if path.is_file() and path != Path(__file__)
    }


def test_the_top_level_has_the_agreed_entries_and_no_other() -> None:
    found = {path.name for path in PROJECT.iterdir() if not path.name.startswith(".")} - MADE_BY_TOOLS
    assert found == TOP_LEVEL


def test_file_names_say_what_is_inside() -> None:
    assert [place(path) for path in WRITTEN if any(word in path.stem for word in VAGUE)] == []


def test_files_are_short_enough_to_read_at_once() -> None:
    lengths = {place(path): len(path.read_text(encoding="utf-8").splitlines()) for path in WRITTEN}
    assert {name: lines for name, lines in lengths.items() if lines > LINES_OF_A_FILE} == {}


@pytest.mark.parametrize("folder", ["service", "migrations", "tests"])
def test_functions_are_short_enough_to_read_at_once(folder: str) -> None:
    too_long = [
        f"{place(path)}:{node.lineno} {node.name}"
        for path in MODULES
        if path.is_relative_to(PROJECT / folder)
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        if node.name not in LONG_BY_NATURE and (node.end_lineno or 0) - node.lineno + 1 >= LINES_OF_A_FUNCTION
    ]
    assert too_long == []


def test_every_module_opens_with_a_sentence() -> None:
    silent = []
    for path in MODULES:
        said = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
        if not said.partition("\n\n")[0].rstrip().endswith((".", ":")):
            silent.append(place(path))
    assert silent == []


def test_the_developers_page_names_every_module() -> None:
    page = (PROJECT / "DEVELOPERS.md").read_text(encoding="utf-8")
    modules = [path for path in SERVICE.rglob("*.py") if path.name != "__init__.py"]
    alike = Counter(path.name for path in modules)
    unnamed = [
        place(path)
        for path in modules
        # Where two modules share a name, the folder tells them apart: api/sheets.py.
        for name in [path.name if alike[path.name] == 1 else f"{path.parent.name}/{path.name}"]
        if not re.search(rf"(?<![\w.]){re.escape(name)}\b", page)
    ]
    assert sorted(unnamed) == []


def test_the_readme_names_everything_that_is_read_from_the_environment() -> None:
    names = set(
        re.findall(r"\b(?:SPINDLE_LEDGER_[A-Z0-9_]+|DATABASE_URL)\b", (SERVICE / "environment.py").read_text("utf-8"))
    )
    assert "DATABASE_URL" in names
    readme = set(re.findall(r"\b[A-Z][A-Z0-9_]+\b", (PROJECT / "README.md").read_text("utf-8")))
    assert sorted(names - readme) == []


def test_only_tests_look_outside_the_project() -> None:
    assert [name for name, text in texts().items() if "../shared" in text and not name.startswith("tests/")] == []


def test_nothing_names_the_machine_it_was_written_on() -> None:
    told = re.compile(r"(?<![\w.])/(?:work|root|home/\w+)/|/var/tmp/sl/|/opt/(?:pypi|wheels)")
    assert [name for name, text in texts().items() if told.search(text)] == []


def test_constraints_pin_versions_and_name_no_address() -> None:
    lines = (PROJECT / "constraints.txt").read_text(encoding="utf-8").splitlines()
    assert [line for line in lines if not re.fullmatch(r"[A-Za-z0-9._-]+==[A-Za-z0-9.]+", line)] == []
