"""Metric threads of ISO 261 from M24 to M60: which pitches a diameter has, for noticing a slip in a sheet.

Coarse and fine pitches in mm. Read in two public tables; M24, M27, M60 and the 1 mm pitch of M30 from memory. The
maker's documentation says what a nose has; nothing is refused by this table.
"""

from decimal import Decimal
from typing import Final

_PITCHES: Final = {
    "M24": "3 2 1.5 1",
    "M27": "3 2 1.5 1",
    "M30": "3.5 3 2 1.5 1",
    "M33": "3.5 3 2 1.5",
    "M36": "4 3 2 1.5",
    "M39": "4 3 2 1.5",
    "M42": "4.5 4 3 2 1.5",
    "M45": "4.5 4 3 2 1.5",
    "M48": "5 4 3 2 1.5",
    "M52": "5 4 3 2 1.5",
    "M56": "5.5 4 3 2 1.5",
    "M60": "5.5 4 3 2 1.5",
}


def pitches(size: str) -> tuple[Decimal, ...]:
    """All pitches of a size, the coarse one first; empty where the table has no such size."""
    return tuple(Decimal(pitch) for pitch in _PITCHES.get(size, "").split())


def pitch_doubt(size: str, pitch_mm: Decimal) -> str | None:
    """Why a pitch may be a slip of the pen, None where the table has it or does not know the size."""
    known = pitches(size)
    if not known or pitch_mm in known:
        return None
    listed = ", ".join(format(pitch, "f") for pitch in known)
    return f"ISO 261 has {size} with a pitch of {listed} mm; the sheet says {pitch_mm.normalize():f} mm."
