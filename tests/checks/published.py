"""The check values with their sources, by id."""

import json
from pathlib import Path
from typing import Any

_NAMES = ("decision_and_uncertainty.json", "evaluations.json", "wear_and_life.json")
_FILES = [Path(__file__).parent / name for name in _NAMES]
CHECKS: dict[str, dict[str, Any]] = {
    check["id"]: check for file in _FILES for check in json.loads(file.read_text("utf-8"))["checks"]
}
