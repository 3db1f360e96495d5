"""Every layout of data that a release has stored is read for good: a sample for each, which never changes.

A file is `<type>.<schema>.json`, or `<type>.<schema>.<what>.json` where one sample cannot hold every member. Each is
data as the ledger keeps it, people replaced by their numbers; all values are invented. `sha256sums.txt` is a list
that `sha256sum -c` reads: a new sample adds a line to it, no line of it ever changes.
"""

from hashlib import sha256
from pathlib import Path
from typing import Any, Final

import msgspec
import pytest

from service.domain.event import KINDS, SchemaTooNew, decode_data

SAMPLES: Final = {path.name: path for path in Path(__file__).parent.glob("*.json")}
DIGESTS: Final = Path(__file__).parent / "sha256sums.txt"


def layout_of(name: str) -> tuple[str, int]:
    """Type and schema from the name of a sample."""
    subject, what, schema, *_ = name.split(".")
    return f"{subject}.{what}", int(schema)


def decoded(name: str) -> Any:
    event_type, schema = layout_of(name)
    return decode_data(event_type, SAMPLES[name].read_bytes(), schema)


def test_every_layout_of_every_kind_has_a_sample() -> None:
    layouts = {(name, schema) for name, kind in KINDS.items() for schema in range(1, kind.schema + 1)}
    assert {layout_of(name) for name in SAMPLES} == layouts


@pytest.mark.parametrize("name", sorted(SAMPLES))
def test_a_sample_is_read_and_nothing_of_it_is_lost(name: str) -> None:
    whole = msgspec.json.decode(msgspec.json.encode(decoded(name)))
    assert lost(msgspec.json.decode(SAMPLES[name].read_bytes()), whole) == []


def lost(stored: Any, whole: Any, place: str = "") -> list[str]:
    """Where what was stored is not in what was read, by JSON pointer."""
    if isinstance(stored, dict) and isinstance(whole, dict):
        pairs = [(name, value, whole.get(name)) for name, value in stored.items()]
    elif isinstance(stored, list) and isinstance(whole, list) and len(stored) == len(whole):
        pairs = [(str(at), *pair) for at, pair in enumerate(zip(stored, whole, strict=True))]
    else:
        return [] if stored == whole else [place]
    return [found for name, one, other in pairs for found in lost(one, other, f"{place}/{name}")]


@pytest.mark.parametrize("event_type", sorted(KINDS))
def test_the_samples_of_the_current_layout_use_every_member(event_type: str) -> None:
    current = (event_type, KINDS[event_type].schema)
    used: set[str] = set()
    for name in SAMPLES:
        if layout_of(name) == current:
            used |= members_used(decoded(name), msgspec.json.decode(SAMPLES[name].read_bytes()))
    assert members_of(msgspec.inspect.type_info(KINDS[event_type].data)) - used == set()


def members_used(value: Any, stored: Any) -> set[str]:
    """The members, as `Struct.member`, that stored data spells."""
    if isinstance(value, tuple):
        return {used for each, written in zip(value, stored, strict=True) for used in members_used(each, written)}
    if not isinstance(value, msgspec.Struct):
        return set()
    found: set[str] = set()
    for field in msgspec.structs.fields(value):
        if field.encode_name in stored:
            found.add(f"{type(value).__name__}.{field.encode_name}")
            found |= members_used(getattr(value, field.name), stored[field.encode_name])
    return found


def members_of(found: msgspec.inspect.Type) -> set[str]:
    """The members that a type knows, with those of all that it holds."""
    if isinstance(found, msgspec.inspect.StructType):
        own = {f"{found.cls.__name__}.{field.encode_name}" for field in found.fields}
        return own.union(*(members_of(field.type) for field in found.fields))
    if isinstance(found, msgspec.inspect.UnionType):
        return set().union(*(members_of(each) for each in found.types))
    if isinstance(found, msgspec.inspect.VarTupleType):
        return members_of(found.item_type)
    return set()


def test_samples_never_change() -> None:
    found = [f"{sha256(SAMPLES[name].read_bytes()).hexdigest()}  {name}" for name in sorted(SAMPLES)]
    assert found == DIGESTS.read_text("utf-8").splitlines()


@pytest.mark.parametrize("event_type", sorted(KINDS))
def test_a_layout_from_a_newer_release_is_refused_by_name(event_type: str) -> None:
    newer = KINDS[event_type].schema + 1
    with pytest.raises(SchemaTooNew, match=rf"{event_type} in layout {newer} .* newer release"):
        decode_data(event_type, b"{}", newer)


def test_a_kind_from_a_newer_release_is_refused_by_name() -> None:
    with pytest.raises(SchemaTooNew, match=r"spindle\.balanced in layout 1 .* newer release"):
        decode_data("spindle.balanced", b"{}", 1)
