"""What is written to stderr: warnings as text; where it is asked for, a line for each request too, as text or JSON."""

import json
import logging
import sys
from datetime import UTC, datetime
from typing import Final, Literal

Form = Literal["json", "text"]
FORMS: Final[tuple[Form, ...]] = ("json", "text")
REQUESTS: Final = "service.requests"


class _Text(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        fields = getattr(record, "fields", {})
        return " ".join([super().format(record), *(f"{name}={value}" for name, value in fields.items())])


class _Json(logging.Formatter):
    """One object a line; a request's fields are its members."""

    def format(self, record: logging.LogRecord) -> str:
        line = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
            **getattr(record, "fields", {}),
        }
        if record.exc_info:
            line["exception"] = self.formatException(record.exc_info)
        return json.dumps(line, ensure_ascii=False, default=str)


def set_up(form: Form | None) -> None:
    """For the whole process. Without a form requests are not logged."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(_Json() if form == "json" else _Text("%(asctime)s %(levelname)s %(name)s: %(message)s"))
    logging.basicConfig(level=logging.WARNING, handlers=[handler], force=True)
    logging.getLogger(REQUESTS).setLevel(logging.NOTSET if form is None else logging.INFO)
