"""The sentences about shaking: of the converter clutch, and of the engine."""

from __future__ import annotations

from math import floor, log10
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from livemon.diagnose.diagnoser import Diagnoser

TELLS_ORDER: Final = 2.0  # ln evidence for or against half an order of engine speed that is worth a sentence
_OPEN_BLOCKS: Final = 4  # so many show how the engine runs with the clutch open


def shakes(d: Diagnoser) -> list[str]:
    if d.shakes.strength < 0.3:
        return []
    on, others = d.shakes.on, d.shakes.open
    lines = [
        f"Engine speed shakes by up to {on.strongest_rpm:.0f} rpm (rms) for {100 * on.share:.0f} % of the "
        "time with the converter clutch on; at this rate of reading the frequency cannot be told. Ask engine "
        "speed more often, and see whether it stops when a light brake tap lets the clutch go."
    ]
    if d.shakes.order > TELLS_ORDER:
        lines.append("The shake keeps to half an order of engine speed, as a cylinder does that misfires.")
    elif d.shakes.order < -TELLS_ORDER:
        lines.append("The shake does not keep to half an order of engine speed, as misfire would.")
    if others.count >= _OPEN_BLOCKS and others.share < 0.3 * on.share:
        lines.append("Under power with the converter clutch open the engine runs smoothly.")
    return lines


def shudder(d: Diagnoser) -> list[str]:
    firm = d.shudder.firm
    if not firm:
        return []
    strongest = max(firm, key=lambda e: e.amplitude_rpm)
    lines = [
        f"Slip swung in {len(firm)} episode{'s' if len(firm) > 1 else ''} with the converter clutch on, at "
        f"{strongest.frequency_hz:.1f} Hz and up to {strongest.amplitude_rpm:.0f} rpm (noise alone does so "
        f"less than once in {_once_in(strongest.false_alarm_probability)} such stretches)."
    ]
    stopped = sum(e.stopped_at_release for e in firm)
    if stopped:
        lines.append(f"It stopped as the clutch let go {stopped} time{'s' if stopped > 1 else ''}.")
    return lines


def _once_in(probability: float) -> str:
    """How rare, as a power of ten that is not too large."""
    power = floor(-log10(min(max(probability, 1e-6), 0.1)) + 1e-9)
    return f"{10**power:,}".replace(",", " ")
