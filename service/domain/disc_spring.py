"""Disc springs and stacks of them: force, energy and stresses by EN 16984 (formerly DIN 2092; Almen and Laszlo, 1936).

Lengths in mm, forces in N, moduli and stresses in N/mm2, energies in N.mm. The formulas stand in public texts that
quote the standard; those of K4, for discs with contact flats, and of the stresses are from memory.
"""

from math import log, pi, sqrt
from typing import Final

from msgspec import Struct

from service.domain.question import QuestionRefused

_SCAN: Final = 400


class Disc(Struct, frozen=True, kw_only=True):
    """Outer and inner diameter, thickness, cone height of the unloaded disc, and its material.

    `reduced` is the thickness t' of a disc with contact flats, None for one without.
    """

    outer: float
    inner: float
    thickness: float
    height: float
    modulus: float
    poisson: float
    reduced: float | None = None

    @property
    def ratio(self) -> float:
        return self.outer / self.inner

    @property
    def body(self) -> float:
        """The thickness that bends: t, or t' with contact flats."""
        return self.thickness if self.reduced is None else self.reduced

    @property
    def free(self) -> float:
        """The overall height of the unloaded disc, which contact flats do not change."""
        return self.thickness + self.height

    @property
    def travel(self) -> float:
        """From unloaded to flat."""
        return self.free - self.body

    @property
    def k1(self) -> float:
        d = self.ratio
        return ((d - 1) / d) ** 2 / ((d + 1) / (d - 1) - 2 / log(d)) / pi

    @property
    def k2(self) -> float:
        d = self.ratio
        return 6 / pi * ((d - 1) / log(d) - 1) / log(d)

    @property
    def k3(self) -> float:
        d = self.ratio
        return 3 / pi * (d - 1) / log(d)

    @property
    def k4(self) -> float:
        """1 without contact flats."""
        if self.reduced is None:
            return 1.0
        thin, tall = self.reduced / self.thickness, self.free / self.thickness
        c1 = thin**2 / ((tall / 4 - thin + 0.75) * (5 * tall / 8 - thin + 0.375))
        c2 = c1 / thin**3 * (5 / 32 * (tall - 1) ** 2 + 1)
        return sqrt(-c1 / 2 + sqrt(c1 * c1 / 4 + c2))

    @property
    def _plate(self) -> float:
        return 4 * self.modulus / (1 - self.poisson**2) * self.body**2 / (self.k1 * self.outer**2)

    def force(self, s: float) -> float:
        """At a deflection s of one disc, without friction."""
        t, h, k = self.body, self.travel, self.k4**2
        return self._plate * t**2 * k * s / t * (k * (h / t - s / t) * (h / t - s / (2 * t)) + 1)

    def energy(self, s: float) -> float:
        """Stored from unloaded to s: the force summed up over the deflection."""
        t, h, k = self.body, self.travel, self.k4**2
        return self._plate * t**3 / 2 * k * (s / t) ** 2 * (k * (h / t - s / (2 * t)) ** 2 + 1)

    def rate(self, s: float) -> float:
        """How much force another mm brings at s, in N/mm; below zero where the disc snaps through."""
        t, h, k = self.body, self.travel, self.k4**2
        return self._plate * t * k * (k * ((h / t) ** 2 - 3 * h / t * s / t + 1.5 * (s / t) ** 2) + 1)

    def stresses(self, s: float) -> dict[str, float]:
        """At the edges I to IV and in the middle of the upper face (OM); tension above zero."""
        t, h, k, d = self.body, self.travel, self.k4, self.ratio
        scale, slope = -self._plate * k * s / t, h / t - s / (2 * t)
        return {
            "OM": scale * 3 / pi,
            "I": scale * (k * self.k2 * slope + self.k3),
            "II": scale * (k * self.k2 * slope - self.k3),
            "III": scale / d * (k * (self.k2 - 2 * self.k3) * slope - self.k3),
            "IV": scale / d * (k * (self.k2 - 2 * self.k3) * slope + self.k3),
        }


class Stack(Struct, frozen=True, kw_only=True):
    """`series` packets on each other, each of `parallel` discs lying in each other.

    `face_friction` (w_M) is lost between the faces of discs in parallel, `edge_friction` (w_R) at the edges of loading.
    """

    disc: Disc
    parallel: int = 1
    series: int = 1
    face_friction: float = 0.0
    edge_friction: float = 0.0

    def force(self, s: float) -> float:
        """Discs in parallel add their forces (s is the deflection of each disc); without friction."""
        return self.parallel * self.disc.force(s)

    def travel(self, s: float) -> float:
        """Packets in series add their deflections."""
        return self.series * s

    def energy(self, s: float) -> float:
        return self.parallel * self.series * self.disc.energy(s)

    @property
    def length(self) -> float:
        """Of the unloaded stack."""
        return self.series * (self.disc.free + (self.parallel - 1) * self.disc.body)

    @property
    def friction(self) -> float:
        """The share of the force that friction takes one way and gives the other."""
        return self.face_friction * (self.parallel - 1) + self.edge_friction

    def loading(self, s: float) -> float:
        """The force while it is compressed further: F = n F1 / (1 - w_M (n - 1) - w_R) (EN 16984)."""
        return self.force(s) / (1 - self.friction)

    def unloading(self, s: float) -> float:
        return self.force(s) / (1 + self.friction)


class OneBroken(Struct, frozen=True, kw_only=True):
    """What a stack still pulls with one disc broken; `deflection` is that of the discs in the packet it lies in."""

    force: float
    loss: float
    deflection: float
    flat: bool


def check_disc(disc: Disc) -> None:
    """Raises QuestionRefused for what is no disc spring: it names the member by the symbol of the standard."""
    if disc.inner >= disc.outer:
        raise QuestionRefused("the inner diameter is below the outer", pointer="/Di")
    if not 1.05 <= disc.ratio <= 100:
        raise QuestionRefused("the diameters' ratio De/Di lies between 1.05 and 100", pointer="/Di")
    if not 0 <= disc.poisson <= 0.5:
        raise QuestionRefused("Poisson's ratio lies between 0 and 0.5", pointer="/nu")
    if disc.thickness > disc.outer - disc.inner:
        raise QuestionRefused("a disc is thinner than its ring is wide", pointer="/t")
    if disc.height > disc.outer - disc.inner:
        raise QuestionRefused("the cone is lower than its ring is wide", pointer="/h0")
    if disc.reduced is not None and not 0.8 * disc.thickness <= disc.reduced <= disc.thickness:
        raise QuestionRefused("contact flats leave a thickness between 0.8 t and t", pointer="/t_reduced")


def with_one_broken(stack: Stack, s: float) -> OneBroken:
    """The force of a stack, held at the length it has when each whole disc is deflected by s, with one disc broken.

    The broken disc pulls nothing and keeps its thickness; its packet goes on with one disc fewer and gives way, at
    most to flat, until all packets pull alike; the others slacken by as much. Without friction. The model is ours,
    from the formulas of the standard: a disc that is only cracked still pulls a part.
    """
    whole, disc, n, i = stack.force(s), stack.disc, stack.parallel, stack.series
    total = stack.travel(s)

    def packet(deflection: float) -> float:
        return (n - 1) * disc.force(deflection)

    def others(deflection: float) -> float:
        return n * disc.force(max((total - deflection) / (i - 1), 0.0))

    if i == 1:
        return _broken(whole, packet(s), s, disc)
    if n == 1:
        flat = min(disc.travel, total)
        return _broken(whole, others(flat), flat, disc)
    end = min(disc.travel, total)
    before = s
    for step in range(1, _SCAN + 1):
        at = s + (end - s) * step / _SCAN
        if packet(at) >= others(at):
            low, high = before, at
            for _ in range(100):
                middle = (low + high) / 2
                low, high = (low, middle) if packet(middle) >= others(middle) else (middle, high)
            return _broken(whole, others(high), high, disc)
        before = at
    return _broken(whole, others(end), end, disc)


def _broken(whole: float, force: float, deflection: float, disc: Disc) -> OneBroken:
    return OneBroken(
        force=force,
        loss=0.0 if whole == 0 else 1 - force / whole,
        deflection=deflection,
        flat=deflection >= disc.travel * (1 - 1e-12),
    )
