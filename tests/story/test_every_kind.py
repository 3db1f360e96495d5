"""No kind of event is without its story."""

from pathlib import Path

from service.domain.event import KINDS


def test_every_kind_of_event_is_told_in_a_story() -> None:
    told = "".join(path.read_text("utf-8") for path in Path(__file__).parent.glob("*every_kind*.py"))
    assert [kind for kind in KINDS if f'"{kind}"' not in told] == []
