"""Laws of the fold over invented lives of a spindle: what holds whatever happened, in whatever order it came."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any, Final

import msgspec
from hypothesis import assume, event, given, settings
from hypothesis import strategies as st
from msgspec import structs

from service.domain import recheck
from service.domain.counter import fits, reading_at
from service.domain.event import Fact
from service.domain.fold import View, next_limit, next_look, replay, step, view
from service.domain.recheck import Moment
from service.domain.refusal import Refusal
from service.domain.spindle import SpindleState
from tests.domain.one_spindle import BED_IN, COUNTER, FORCE_QUARTERLY, PLACE, Spindle
from tests.domain.one_spindle import recheck as rule
from tests.domain.skerrow import guarded

KEY: Final = "H2-M04-S1"
TINY: Final = timedelta(microseconds=1)
FAR: Final = timedelta(days=4_000)
RULES: Final = (
    BED_IN,
    FORCE_QUARTERLY,
    rule("settle", "setting", "rebuild", after_days=3, early_days=3, grace_days=2, overdue="withhold"),
    rule("look", "visual", "commissioning", after_days=20, after_cycles=9_000, early_days=5, repeat=True),
    rule("grease", "grease", "last_check", after_cycles=4_000, grace_cycles=100, repeat=True),
    rule("turned", "setting", "adjustment", after_cycles=50, early_cycles=50, grace_days=1),
    rule("crash", "run_out", "condition", after_days=2, grace_cycles=700, codes=["collision"]),
)
STATE: Final = msgspec.json.Decoder(SpindleState)

Act = Callable[[Spindle, int], Any]


def counted(spindle: Spindle, rise: int) -> None:
    spindle.count((spindle.state.counter.reading + rise) % 130_000)


def put_off(spindle: Spindle, number: int) -> None:
    running = sorted(spindle.running()) or ["none"]
    until: dict[str, Any] = {"until": (spindle.now + timedelta(hours=number)).isoformat()}
    if number % 2:
        until = {"until_count": spindle.state.counter.count + number}
    data = {"recheck": running[number % len(running)], "reason": "no gauge", "approved_by": "r.t."}
    spindle.tell("recheck.deferred", data | until)


def concede(spindle: Spindle, number: int) -> None:
    data = {
        "until": (spindle.now + timedelta(hours=number)).isoformat(),
        "until_count": spindle.state.counter.count + number,
        "reason": "no set in stock",
        "approved_by": "r.t.",
    }
    spindle.tell("concession.granted", data)


def reinstalled(spindle: Spindle, number: int) -> None:
    counter = {"counter": COUNTER | {"start": number}} if number % 2 and spindle.state.away else {}
    spindle.tell("spindle.installed", PLACE | {"machine": f"M{number % 3}"} | counter)


def condition(spindle: Spindle, number: int) -> None:
    noted = {"component": "spindle", "code": "collision"}
    if number % 3:
        spindle.tell("condition.noted", noted | {"unusable": number % 2 == 0})
    else:
        spindle.tell("condition.resolved", noted | {"done": "looked at"})


ACTS: Final[tuple[Act, ...]] = (
    counted,
    counted,
    counted,
    lambda spindle, _: spindle.rebuild(),
    lambda spindle, _: spindle.adjust(),
    lambda spindle, number: spindle.torque("34" if number % 5 == 0 else "37"),
    lambda spindle, number: spindle.exercise(number % 4 + 1),
    lambda spindle, number: spindle.measure(("11.40", "11.41", "11.449", "11.50")[number % 4]),
    lambda spindle, number: spindle.measure("11.50", count=(spindle.state.counter.reading + number) % 130_000),
    lambda spindle, _: spindle.measure("11.50", gauge_zeroed=False),
    lambda spindle, _: spindle.accept(),
    lambda spindle, number: spindle.pull(("21", "18", "16")[number % 3], gauge_zeroed=number % 7 != 0),
    lambda spindle, number: spindle.run_out(("4", "7")[number % 2]),
    lambda spindle, _: spindle.tell("visual.checked", {}),
    lambda spindle, _: spindle.tell("clamping_set.greased", {}),
    lambda spindle, number: spindle.tell("counter.read", {"count": number}),
    lambda spindle, number: spindle.tell(
        "counter.replaced", {"old_end": spindle.state.counter.reading + number % 50, "new_start": number}
    ),
    lambda spindle, number: spindle.tell("spindle.removed", {"to": ("store", "repair")[number % 2]}),
    reinstalled,
    condition,
    put_off,
    concede,
)


@st.composite
def lives(draw: st.DrawFn) -> Spindle:
    """A spindle after up to fourteen facts; what makes no sense is refused and leaves no fact."""
    spindle = Spindle(*RULES, counter=COUNTER | {"modulus": 130_000}, decision_rule=guarded("1"))
    acts = st.tuples(st.integers(0, len(ACTS) - 1), st.integers(1, 6_000), st.integers(0, 240))
    for act, number, hours in draw(st.lists(acts, min_size=1, max_size=14)):
        spindle.now += timedelta(hours=hours)
        try:
            ACTS[act](spindle, number)
        except Refusal:
            event("something was refused")
    return spindle


def plainly(seen: View) -> Any:
    """A view without what depends on the order of arrival: numbers of entries, ids and texts made of them."""
    return stripped(msgspec.to_builtins(seen))


def stripped(value: Any) -> Any:
    if isinstance(value, dict):
        return {
            name: stripped(member)
            for name, member in value.items()
            if name not in ("sequence", "entry", "episode", "text")
        }
    return [stripped(member) for member in value] if isinstance(value, list | tuple) else value


def looks(seen: View) -> Any:
    """What a view says, whenever it is taken."""
    return seen.rechecks, seen.assessment


law = settings(max_examples=20, deadline=None)


@law
@given(lives())
def test_a_state_kept_as_json_between_any_two_facts_is_the_state_of_the_whole_replay(spindle: Spindle) -> None:
    state: SpindleState | None = None
    for fact in spindle.facts:
        state = STATE.decode(msgspec.json.encode(step(state, KEY, fact, spindle.known).state))
    assert state == spindle.state
    assert list(replay(KEY, spindle.facts, spindle.known))[-1].state == spindle.state


@law
@given(lives(), st.randoms(use_true_random=False))
def test_facts_that_arrive_in_any_order_end_in_the_same_view(spindle: Spindle, order: Any) -> None:
    sequences = [fact.sequence for fact in spindle.facts]
    order.shuffle(sequences)
    arrived = [
        structs.replace(fact, sequence=sequence) for fact, sequence in zip(spindle.facts, sequences, strict=True)
    ]
    folded: list[Fact] = sorted(arrived, key=lambda each: (each.occurred, each.sequence))
    state = list(replay(KEY, folded, spindle.known))[-1].state
    for later in (timedelta(), timedelta(days=9), FAR):
        assert plainly(view(state, spindle.now + later)) == plainly(view(spindle.state, spindle.now + later))


@law
@given(lives(), st.integers(0, 200), st.integers(0, 200), st.integers(0, 3_000))
def test_advancing_in_two_steps_is_advancing_in_one(spindle: Spindle, first: int, second: int, rise: int) -> None:
    state = spindle.state
    early = spindle.now + timedelta(hours=first)
    late = early + timedelta(hours=second)
    look = Moment(time=early, count=state.counter.count, sequence=None)
    later = Moment(time=late, count=state.counter.count, sequence=None)
    fact = Moment(time=late, count=state.counter.count + rise, sequence=len(spindle.facts) + 1)
    for episode in state.rechecks:
        between = recheck.advance(episode, look, away=state.away)
        for end in (later, fact):
            whole = recheck.advance(episode, end, away=state.away)
            assert recheck.advance(between, end, away=state.away) == whole
            assert recheck.advance(whole, end, away=state.away) == whole


@law
@given(lives(), st.floats(0, 1, exclude_max=True))
def test_until_the_next_look_nothing_changes_and_then_something_does(spindle: Spindle, part: float) -> None:
    seen = view(spindle.state, spindle.now)
    for _ in range(30):
        look = next_look(spindle.state, seen)
        if look is None:
            break
        between = min(seen.now.time + (look - seen.now.time) * part, look - TINY)
        assert looks(view(spindle.state, between)) == looks(seen)
        assert looks(view(spindle.state, look - TINY)) == looks(seen)
        after = view(spindle.state, look)
        assert looks(after) != looks(seen) or look == seen.quiet, "or it is asked whether the pause is usual"
        seen = after
    assert next_look(spindle.state, seen) is None
    assert looks(view(spindle.state, seen.now.time + FAR)) == looks(seen)


@law
@given(lives(), st.floats(0, 1, exclude_max=True))
def test_below_the_next_limit_a_reading_changes_nothing_and_at_it_something(spindle: Spindle, part: float) -> None:
    state = spindle.state
    limit, until = next_limit(state)
    count = state.counter.count
    top = count + 100_000 if limit is None else limit
    now = max(spindle.now + TINY, state.counter.read_at + timedelta(seconds=top - count))
    assume(until is None or now < until)

    def at_count(reached: int) -> Any:
        return looks(view(state, now, (reading_at(state.counter, reached), now)))

    unmoved = at_count(count)
    assert at_count(count + int((top - count) * part)) == unmoved
    assert at_count(top - 1) == unmoved
    if not state.away:
        assert (at_count(top) != unmoved) == (limit is not None)


@law
@given(lives(), st.integers(0, 50), st.integers(60, 3_600))
def test_a_plain_reading_is_seen_as_it_would_be_as_a_fact(spindle: Spindle, rise: int, seconds: int) -> None:
    state, at = spindle.state, spindle.now + timedelta(seconds=seconds)
    limit, until = next_limit(state)
    assume(state.counter.pushed and not state.away)
    assume((limit is None or state.counter.count + rise < limit) and (until is None or at < until))
    reading = state.counter.reading + rise
    assume(reading < 130_000 and fits(rise, state.counter.read_at, at, state.counter.max_per_second))
    as_plain = view(state, at, (reading, at))
    spindle.tell("counter.read", {"count": reading}, (at - spindle.facts[0].occurred) / timedelta(days=1))
    assert plainly(view(spindle.state, at)) == plainly(as_plain)
