"""The check values with their sources, by id."""

import json
from pathlib import Path
from typing import Any

_FILE = Path(__file__).parent / "decision_and_uncertainty.json"
CHECKS: dict[str, dict[str, Any]] = {check["id"]: check for check in json.loads(_FILE.read_text())["checks"]}
