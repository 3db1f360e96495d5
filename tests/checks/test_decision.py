"""Decisions and probabilities of conformity against published values (JCGM 106:2012) and constructed edges."""

from decimal import Decimal
from functools import partial

import pytest

from service.domain.decision import conformity_probability, decide
from service.domain.sheet import Revision
from tests.checks.published import CHECKS
from tests.domain import skerrow


def dec(value: float | str) -> Decimal:
    return Decimal(str(value))


def test_cf_01_one_upper_limit() -> None:
    """JCGM 106:2012, 7.3.3 (Zener diode); found."""
    given, want, within = CHECKS["CF-01"]["inputs"], CHECKS["CF-01"]["expected"], CHECKS["CF-01"]["tolerance"]
    found = conformity_probability(y=dec(given["y"]), u=dec(given["u"]), upper=dec(given["T_U"]))
    assert found == pytest.approx(want["p_c"], abs=within["p_c"])
    assert found == pytest.approx(conformity_probability(y=Decimal(0), u=Decimal(1), upper=dec(want["z"])), abs=1e-12)


def test_cf_03_two_limits() -> None:
    """JCGM 106:2012, 7.4, equation 11 (motor-oil viscosity); found."""
    given, check = CHECKS["CF-03"]["inputs"], CHECKS["CF-03"]
    found = conformity_probability(
        y=dec(given["y"]), u=dec(given["u"]), lower=dec(given["T_L"]), upper=dec(given["T_U"])
    )
    assert found == pytest.approx(check["expected"]["p_c"], abs=check["tolerance"])
    assert found == pytest.approx(0.662630, abs=5e-7), "the unrounded value that the check's note gives"


def test_cf_04_table_of_z() -> None:
    """JCGM 106:2012, Table 1; found. The z that yields p lies within half a printed digit of the table's."""
    check = CHECKS["CF-04"]
    half = dec(check["tolerance"])
    for p, z in zip(check["inputs"]["p_c"], check["expected"]["z"], strict=True):
        for side in ("upper", "lower"):
            sign = 1 if side == "upper" else -1
            short, far = (
                conformity_probability(y=Decimal(0), u=Decimal(1), **{side: sign * (dec(z) + off)})
                for off in (-half, half)
            )
            assert short <= p <= far, (p, z, side)


def test_cf_19_what_a_guard_band_lets_through_at_worst() -> None:
    """JCGM 106:2012, 8.3.2.3; r = 0 and 1 are in the source, the others were computed. U = 2 u, w = r U."""
    check = CHECKS["CF-19"]
    for r, worst in zip(check["inputs"]["r"], check["expected"]["max_pfa"], strict=True):
        factor = 2 * dec(r)
        judge = partial(decide, u=Decimal("0.01"), lower=None, upper=Decimal(1), rule="guarded", guard_factor=factor)
        anywhere = judge(total=Decimal(0))
        assert anywhere.acceptance is not None
        assert anywhere.acceptance.upper is not None
        on_limit = judge(total=anywhere.acceptance.upper)
        assert on_limit.outcome == "conforming"
        assert on_limit.probability_of_conformity is not None
        assert 1 - float(on_limit.probability_of_conformity) == pytest.approx(worst, abs=check["tolerance"])


@pytest.mark.parametrize(("first", "second"), [("10.57", "10.63"), ("10.40", "10.80"), ("10.46", "10.74")])
def test_cf_23_a_mean_on_the_limit_conforms(first: str, second: str) -> None:
    """Constructed: these means are 10.6, on the limit, and binary floats put them beyond it."""
    check = CHECKS["CF-23"]
    assert (float(first) + float(second)) / 2 > float(check["inputs"]["upper_limit"])
    verdict = skerrow.judged(skerrow.opposed(first, second), _sheet_up_to(check["inputs"]["upper_limit"]))
    assert Decimal(verdict.mean.value) == Decimal(check["expected"]["mean"])
    assert (verdict.outcome, verdict.outside) == ("conforming", False)


def test_gu_15_nothing_is_rounded_before_it_is_judged() -> None:
    """Constructed: the mean 10.6005 is beyond 10.60, though it reads 10.60 with two decimals."""
    check = CHECKS["GU-15"]
    given = check["inputs"]
    verdict = skerrow.judged(
        skerrow.opposed(str(given["r0"]), str(given["r180"])), _sheet_up_to(f"{given['upper']:.2f}")
    )
    assert verdict.mean.value == str(check["expected"]["mean"])
    assert (verdict.outcome, verdict.outside) == ("nonconforming", True)


def _sheet_up_to(upper: str) -> Revision:
    nominal = Decimal(upper) - Decimal("0.10")
    depth = {
        "quantity": "depth",
        "nominal": skerrow.mm(str(nominal)),
        "lower": skerrow.mm("-0.10"),
        "upper": skerrow.mm("0.10"),
    }
    return skerrow.revision(setting_depth=depth)
