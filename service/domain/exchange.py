"""Which counter counted a spindle's cycles when: what its facts say of counters that were exchanged or reset."""

from collections.abc import Iterable

from service.domain.event import Fact
from service.domain.event.spindles import Commissioned, Counter, CounterReplaced, Installed
from service.domain.use_series import Exchanged
from service.domain.week_pattern import hours_of

TYPES = ("spindle.commissioned", "spindle.installed", "counter.replaced")
"""The kinds of fact that may put another counter in place."""


def exchanges(facts: Iterable[Fact]) -> list[Exchanged]:
    """The counters of a spindle in the order of time, from its facts that stand, in that order."""
    found: list[Exchanged] = []
    for fact in facts:
        hour = hours_of(fact.occurred)
        counter = fact.data.counter if isinstance(fact.data, Commissioned | Installed) else None
        if counter is not None:
            found.append(_fresh(hour, counter))
        elif isinstance(fact.data, CounterReplaced) and found:
            data, before = fact.data, found[-1]
            found.append(
                Exchanged(
                    hour=hour,
                    old_end=data.old_end,
                    new_start=data.new_start,
                    cycles_per_count=before.cycles_per_count,
                    modulus=before.modulus if data.modulus is None else data.modulus,
                    max_per_second=before.max_per_second,
                )
            )
    return found


def _fresh(hour: float, counter: Counter) -> Exchanged:
    return Exchanged(
        hour=hour,
        old_end=None,
        new_start=counter.start,
        cycles_per_count=counter.cycles_per_count,
        modulus=counter.modulus,
        max_per_second=counter.max_per_second,
    )
