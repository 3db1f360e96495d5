"""The question `spring`: force and energy of a disc spring, of a stack of them, and of one with a broken disc."""

from typing import Annotated, Final

from msgspec import Meta, Raw, Struct, field

from service.domain.disc_spring import Disc, Stack, check_disc, with_one_broken
from service.domain.question import (
    QuestionRefused,
    above_zero,
    absent,
    plain,
    plain_or_none,
    rounded,
)

METHOD: Final = (
    "EN 16984 (formerly DIN 2092): F = 4E/(1 - nu^2) t^4/(K1 De^2) K4^2 s/t [K4^2 (h0/t - s/t)(h0/t - s/(2t)) + 1], "
    "with t' and h0' = t + h0 - t' for discs with contact flats (K4 from memory; 1 without). Stack: parallel discs add "
    "forces, packets in series add travel; friction F / (1 -+ w_M (n - 1) -+ w_R). one_broken: the stack held at the "
    "same length, the broken disc pulling nothing (our model); without friction"
)
_CURVE: Final = 20


class StackAsked(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`parallel` discs in each packet, `series` packets; friction shares between faces (w_M) and at edges (w_R)."""

    parallel: Annotated[int, Meta(ge=1, le=100)] = 1
    series: Annotated[int, Meta(ge=1, le=1000)] = 1
    w_M: Raw = field(default_factory=absent)
    w_R: Raw = field(default_factory=absent)


class SpringAsked(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Symbols of EN 16984; lengths in mm, E in N/mm2. State the cone height h0 or the overall height l0.

    s is the deflection of one disc, 0 to flat; `t_reduced` is t' of discs with contact flats.
    """

    De: Raw
    Di: Raw
    t: Raw
    h0: Raw = field(default_factory=absent)
    l0: Raw = field(default_factory=absent)
    s: Raw
    E: Raw
    nu: Raw
    t_reduced: Raw = field(default_factory=absent)
    stack: StackAsked | None = None


class Factors(Struct, frozen=True, kw_only=True):
    K1: str
    K2: str
    K3: str
    K4: str


class BrokenDisc(Struct, frozen=True, kw_only=True):
    """`loss` is the share of the force that is lost; `flat` where the packet of the broken disc lies flat."""

    force: str
    loss: str
    deflection: str
    flat: bool


class StackEvaluated(Struct, frozen=True, kw_only=True):
    """Forces in N, lengths in mm, energy in N.mm; `force` is without friction, between loading and unloading."""

    parallel: int
    series: int
    force: str
    force_loading: str
    force_unloading: str
    travel: str
    energy: str
    length: str
    one_broken: BrokenDisc


class SpringAt(Struct, frozen=True, kw_only=True):
    s: str
    force: str


class SpringEvaluated(Struct, frozen=True, kw_only=True):
    """Of one disc: N, N.mm, N/mm and N/mm2. `curve` is its force from unloaded to flat, where its force is
    `force_flat`."""

    force: str
    energy: str
    rate: str
    force_flat: str
    factors: Factors
    stresses: dict[str, str]
    curve: tuple[SpringAt, ...]
    stack: StackEvaluated | None
    method: str = METHOD


def evaluate_spring(asked: SpringAsked) -> SpringEvaluated:
    """Raises QuestionRefused, naming the member that cannot be taken."""
    disc = _disc(asked)
    check_disc(disc)
    s = plain(asked.s, "/s")
    if s < 0 or float(s) > disc.travel * (1 + 1e-12):
        raise QuestionRefused(f"s lies between 0 and flat, {rounded(disc.travel)} mm", pointer="/s")
    at = float(s)
    places = [disc.travel * place / _CURVE for place in range(_CURVE + 1)]
    return SpringEvaluated(
        force=rounded(disc.force(at)),
        energy=rounded(disc.energy(at)),
        rate=rounded(disc.rate(at)),
        force_flat=rounded(disc.force(disc.travel)),
        factors=Factors(K1=rounded(disc.k1), K2=rounded(disc.k2), K3=rounded(disc.k3), K4=rounded(disc.k4)),
        stresses={name: rounded(stress) for name, stress in disc.stresses(at).items()},
        curve=tuple(SpringAt(s=rounded(place), force=rounded(disc.force(place))) for place in places),
        stack=None if asked.stack is None else _stack(asked.stack, disc, at),
    )


def _disc(asked: SpringAsked) -> Disc:
    names = ("De", "Di", "t", "E")
    outer, inner, thickness, modulus = (above_zero(getattr(asked, name), f"/{name}") for name in names)
    h0 = None if asked.h0 == absent() else above_zero(asked.h0, "/h0")
    if (h0 is None) == (asked.l0 == absent()):
        raise QuestionRefused("state either the cone height h0 or the overall height l0", pointer="/h0")
    if h0 is None:
        h0 = float(plain(asked.l0, "/l0") - plain(asked.t, "/t"))
        if h0 <= 0:
            raise QuestionRefused("the overall height l0 is above the thickness t", pointer="/l0")
    return Disc(
        outer=outer,
        inner=inner,
        thickness=thickness,
        height=h0,
        modulus=modulus,
        poisson=float(plain(asked.nu, "/nu")),
        reduced=None if asked.t_reduced == absent() else above_zero(asked.t_reduced, "/t_reduced"),
    )


def _stack(asked: StackAsked, disc: Disc, s: float) -> StackEvaluated:
    shares = []
    for name in ("w_M", "w_R"):
        share = plain_or_none(getattr(asked, name), f"/stack/{name}")
        if share is not None and not 0 <= share < 1:
            raise QuestionRefused("a share of friction is zero or more, and below 1", pointer=f"/stack/{name}")
        shares.append(0.0 if share is None else float(share))
    stack = Stack(
        disc=disc, parallel=asked.parallel, series=asked.series, face_friction=shares[0], edge_friction=shares[1]
    )
    if stack.friction >= 1:
        raise QuestionRefused("friction takes the whole force: w_M (parallel - 1) + w_R is below 1", pointer="/stack")
    broken = with_one_broken(stack, s)
    return StackEvaluated(
        parallel=stack.parallel,
        series=stack.series,
        force=rounded(stack.force(s)),
        force_loading=rounded(stack.loading(s)),
        force_unloading=rounded(stack.unloading(s)),
        travel=rounded(stack.travel(s)),
        energy=rounded(stack.energy(s)),
        length=rounded(stack.length),
        one_broken=BrokenDisc(
            force=rounded(broken.force),
            loss=rounded(broken.loss),
            deflection=rounded(broken.deflection),
            flat=broken.flat,
        ),
    )
