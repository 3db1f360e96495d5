"""Sheets, gauges and lots: every kind of their events through HTTP, and how they reach the spindles they judge."""

from tests.domain.skerrow import mm, q
from tests.story.every_kind import BEGUN, reasons, sheet_of, standing, telling
from tests.story.loading import ENDED, ago

DEEPER = {"quantity": "depth", "nominal": mm("11.60"), "lower": mm("-0.05"), "upper": mm("0.05")}


async def test_a_measurement_is_judged_by_the_revision_that_was_valid_then(database_url: str) -> None:
    async with telling(database_url) as story:
        first = await story.measure("11.40")
        assert (first["verdict"]["outcome"], first["verdict"]["basis"]["sheet_revision"]) == ("conforming", 1)
        second = sheet_of(setting_depth=DEEPER, revision=2, valid_from=ago(days=2).isoformat())
        receipt = await story.tell("sheet.issued", second, of="sheets/SKERROW-A", at=ago(days=2.5))
        assert receipt["state"] is None

        sheet = await story.read("/v1/sheets/SKERROW-A")
        assert (sheet["revision"], sheet["revisions"], sheet["sequence"]) == (2, [1, 2], 2)
        assert [each["data"] for each in sheet["issued"]] == [sheet_of(), second]

        story.now = ago(days=1)
        later = await story.measure("11.40")
        assert (later["verdict"]["outcome"], later["verdict"]["basis"]["sheet_revision"]) == ("nonconforming", 2)
        assert later["verdict"]["limits"] == {"lower": mm("11.55"), "upper": mm("11.65")}
        await story.ledger.sweep()
        items = (await story.read("/v1/spindles/H2-M04-S1/measurements"))["items"]
        assert [each["outcome"] for each in items] == ["conforming", "nonconforming"]


async def test_a_revision_that_was_valid_before_a_measurement_judges_it_anew(database_url: str) -> None:
    async with telling(database_url) as story:
        assert standing((await story.measure("11.40"))["state"]) == ("normal", "cleared")
        earlier = sheet_of(setting_depth=DEEPER, revision=2, valid_from=ago(days=250).isoformat())
        await story.tell("sheet.issued", earlier, of="sheets/SKERROW-A", at=ENDED)
        assert standing(await story.seen()) == ("normal", "cleared"), "until the spindle has been settled"
        await story.ledger.sweep()
        seen = await story.seen()
        assert (standing(seen), reasons(seen)) == (("out_of_specification", "withheld"), ["setting_nonconforming"])
        assert seen["last_setting"]["verdict"]["basis"]["sheet_revision"] == 2


async def test_the_number_of_a_revision_stands_for_one_content(database_url: str) -> None:
    async with telling(database_url, commissioned=False) as story:
        other = sheet_of(run_in_cycles=5)
        assert await story.refused("sheet.issued", other, of="sheets/SKERROW-A") == (422, "sheet_revision_exists")
        await story.tell("sheet.issued", sheet_of(), of="sheets/SKERROW-A", at=ENDED)
        assert (await story.read("/v1/sheets/SKERROW-A"))["revisions"] == [1]


async def test_a_gauge_proves_something_from_its_calibration_to_its_withdrawal(database_url: str) -> None:
    gauge = "gauges/DG-09"
    registered = {
        "kind": "depth",
        "resolution": mm("0.01"),
        "repeatability": q("4", "um"),
        "zeroing": {"included": True},
    }
    due = (ENDED.date().replace(year=ENDED.year + 1)).isoformat()
    calibrated = {
        "expanded_uncertainty": q("6", "um"),
        "k": 2,
        "as_left": mm("0.000"),
        "due": due,
        "certificate": "C-9",
    }
    async with telling(database_url) as story:
        assert (await story.measure(gauge="DG-09"))["verdict"]["reasons"] == ["gauge_unknown"]

        await story.tell("gauge.registered", registered, of=gauge)
        shown = await story.read("/v1/gauges/DG-09")
        assert (shown["kind"], shown["in_calibration"], shown["due"]) == ("depth", False, None)
        assert shown["registered"]["data"] == registered
        assert (await story.measure(gauge="DG-09"))["verdict"]["reasons"] == ["gauge_overdue"]

        await story.tell("gauge.calibrated", calibrated, of=gauge)
        shown = await story.read("/v1/gauges/DG-09")
        assert (shown["in_calibration"], shown["due"]) == (True, due)
        assert [each["data"] for each in shown["calibrations"]] == [calibrated]
        proven = await story.measure(gauge="DG-09")
        assert (proven["verdict"]["outcome"], proven["verdict"]["basis"]["calibration"]) == ("conforming", 2)

        withdrawn = await story.tell("gauge.withdrawn", {"reason": "dropped"}, of=gauge, actor="q.a. inspector")
        shown = await story.read("/v1/gauges/DG-09")
        assert (shown["withdrawn"]["entry"], shown["withdrawn"]["reason"]) == (3, "dropped")
        assert withdrawn["entry"]["sequence"] == 3
        assert (await story.measure(gauge="DG-09"))["verdict"]["reasons"] == ["gauge_withdrawn"]
        assert standing(await story.seen()) == ("normal", "cleared"), "what was proven before stays proven"


async def test_a_withdrawal_from_before_a_measurement_takes_its_proof(database_url: str) -> None:
    async with telling(database_url) as story:
        measured = await story.measure()
        assert standing(measured["state"]) == ("normal", "cleared")
        await story.tell("gauge.withdrawn", {"reason": "found bent"}, of="gauges/DG-03", at=BEGUN)
        await story.ledger.sweep()
        seen = await story.seen()
        assert (standing(seen), reasons(seen)) == (("function_check", "restricted"), ["never_proven"])
        (item,) = (await story.read("/v1/spindles/H2-M04-S1/measurements"))["items"]
        assert (item["outcome"], item["verdict"]["reasons"]) == ("not_admissible", ["gauge_withdrawn"])


async def test_what_a_gauge_begins_with(database_url: str) -> None:
    async with telling(database_url, commissioned=False) as story:
        unknown = await story.refused("gauge.withdrawn", {"reason": "lost"}, of="gauges/DG-77")
        assert unknown == (422, "subject_unknown")
        another_kind = {"kind": "force"}
        assert await story.refused("gauge.registered", another_kind, of="gauges/DG-03") == (422, "gauge_kind_changed")


async def test_a_lot_arrives_in_deliveries_and_is_withdrawn(database_url: str) -> None:
    lot = "lots/L-2291"
    async with telling(database_url) as story:
        await story.tell("lot.received", {"sheet": "SKERROW-A", "quantity": 12}, of=lot, actor="s.b. stores")
        await story.tell("lot.received", {"sheet": "SKERROW-A", "quantity": 4}, of=lot, actor="s.b. stores")
        shown = await story.read("/v1/lots/L-2291")
        assert (shown["sheet"], shown["quantity"], shown["withdrawn"]) == ("SKERROW-A", 16, None)
        assert [(each["entry"], each["quantity"]) for each in shown["received"]] == [(1, 12), (2, 4)]
        other = {"sheet": "SKERROW-B", "quantity": 1}
        assert await story.refused("lot.received", other, of=lot) == (422, "lot_sheet_changed")

        await story.rebuild(lot="L-2291")
        assert (await story.seen())["clamping_set"]["lot"] == "L-2291"
        await story.tell("lot.withdrawn", {"reason": "segments too soft"}, of=lot, actor="q.a. inspector")
        shown = await story.read("/v1/lots/L-2291")
        assert (shown["withdrawn"]["entry"], shown["withdrawn"]["reason"]) == (3, "segments too soft")
        assert await story.ledger.sweep() == 1, "the spindle that the lot went into is settled"
