"""The short form of `tests.bench.worn`: what is said of wear and of steps, against spindles whose truth is known."""

from tests.bench.worn import KINDS, tallied


def test_intervals_hold_and_breaks_are_found_with_few_false_alarms() -> None:
    """Eight spindles of every kind; the long form's figures are in `tests/bench/worn.md`."""
    tallies = tallied(4, 8)
    assert set(tallies) == {kind.name for kind in KINDS}
    told = sum(tally.told for tally in tallies.values())
    assert told >= 60
    assert sum(tally.in_95 for tally in tallies.values()) >= 0.85 * told
    assert 0.6 * told <= sum(tally.in_80 for tally in tallies.values()) <= 0.95 * told
    often = [tally for name, tally in tallies.items() if name != "quarterly"]
    assert sum(tally.breaks for tally in often) >= 10
    assert sum(tally.found for tally in often) >= 0.5 * sum(tally.breaks for tally in often)
    assert sum(tally.alarms for tally in tallies.values()) <= 0.25 * sum(tally.years for tally in tallies.values())
