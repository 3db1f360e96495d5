"""Every benchmark, each beside its bare limit in the same run on the same server: `python -m tests.bench`."""

import asyncio
from collections.abc import Awaitable, Callable

from tests.bench import counting, folding, foreseeing, health, lives, peer, reading, writing
from tests.bench.ground import Ground, Row, ground


async def _rows(at: Ground) -> list[Row]:
    rows: list[Row] = []
    measures: tuple[Callable[[Ground], Awaitable[Row | list[Row] | None]], ...] = (
        *writing.MEASURES,
        *counting.MEASURES,
        *reading.MEASURES,
        *folding.MEASURES,
        *lives.MEASURES,
        *health.MEASURES,
        *foreseeing.MEASURES,
        *peer.MEASURES,
    )
    for measure in measures:
        found = await measure(at)
        if found is None:
            print(f"  {measure.__module__} is left out: install the extra `bench`", flush=True)
        for row in [found] if isinstance(found, Row) else found or []:
            print(f"  {row.name}: {row.ours} against {row.bare}", flush=True)
            rows.append(row)
    return rows


def main() -> None:
    with ground() as at:
        rows = asyncio.run(_rows(at))
    width = max(len(row.name) for row in rows)
    print(f"\n{'what':<{width}}  {'ours':>22}  {'bare limit':>22}  {'ratio':>7}  aim")
    for row in rows:
        print(f"{row.name:<{width}}  {row.ours:>22}  {row.bare:>22}  {row.ratio:>7.2f}  {row.aim}")


if __name__ == "__main__":
    main()
