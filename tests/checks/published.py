"""The check values with their sources, by id."""

import json
from pathlib import Path
from typing import Any

_FILES = [Path(__file__).parent / name for name in ("decision_and_uncertainty.json", "evaluations.json")]
CHECKS: dict[str, dict[str, Any]] = {
    check["id"]: check for file in _FILES for check in json.loads(file.read_text("utf-8"))["checks"]
}
