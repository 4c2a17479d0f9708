"""The sentences about shaking: of the converter clutch, and of the engine."""

from __future__ import annotations

from typing import Final

from livemon.diagnose.seen import Seen
from livemon.diagnose.shudder import FELT_RPM
from livemon.rarity import once_in
from livemon.records import MISFIRES

TELLS_ORDER: Final = 2.0  # ln evidence for or against half an order of engine speed that is worth a sentence
_STRONG: Final = 0.3
_OPEN_TOO: Final = 0.15  # of the time with the clutch open
_SMOOTHER: Final = 0.3  # of the share with the clutch on; less is smooth beside it
_OPEN_BLOCKS: Final = 4  # so many show how the engine runs with the clutch open


def felt(d: Seen) -> bool:
    """Whether engine speed shakes with the clutch on, by enough to be felt."""
    return d.shakes.strength >= _STRONG and d.shakes.on.strongest_rpm > FELT_RPM


def _open_too(d: Seen) -> bool:
    """Whether it shakes with the clutch open as well, which is then not the clutch."""
    share = d.shakes.open.share
    return share > _OPEN_TOO or share > _SMOOTHER * d.shakes.on.share


def engine_shakes(d: Seen) -> bool:
    """Whether what shakes keeps to half an order of engine speed, as a cylinder does that misfires."""
    return d.shakes.strength >= _STRONG and d.shakes.order > TELLS_ORDER


def shakes(d: Seen) -> list[str]:
    """What scatters in engine speed, and what that is like."""
    if d.shakes.strength < _STRONG:
        return []
    on, others = d.shakes.on, d.shakes.open
    text = (
        f"Engine speed shakes by up to {on.strongest_rpm:.0f} rpm (rms) for {100 * on.share:.0f} % of the "
        "time with the converter clutch on"
    )
    if engine_shakes(d):
        text += f", at half an order of engine speed, {MISFIRES}."
    else:
        text += (
            "; it was read too slowly to tell the frequency. Ask engine speed more often, and see whether it "
            "stops when a light brake tap lets the clutch go."
        )
    lines = [text]
    if d.shakes.order < -TELLS_ORDER:
        lines.append(
            "Slow as they are, the readings do not line up with half an order of engine speed, as a "
            "misfire's would."
        )
    if others.count >= _OPEN_BLOCKS and not _open_too(d):
        lines.append(
            "Under power with the converter clutch open it does so for "
            f"{100 * others.share:.0f} % of the time."
        )
    return lines


def shakes_open(d: Seen) -> list[str]:
    """What of the shaking speaks against the clutch."""
    lines: list[str] = []
    others = d.shakes.open
    if others.count < _OPEN_BLOCKS:
        lines.append(
            "Too little was driven under power with the converter clutch open to tell whether the engine "
            "shakes there as well."
        )
    elif _open_too(d):
        lines.append(
            f"Engine speed also shakes for {100 * others.share:.0f} % of the time under power with the "
            "converter clutch open, which the clutch cannot cause."
        )
    if d.shakes.order > -TELLS_ORDER and not any(e.stopped_at_release for e in d.shudder.firm):
        lines.append("The clutch was not seen to release while it shook, so misfire is not excluded.")
    orders = [e.engine_order for e in d.shudder.firm if e.engine_order is not None]
    if orders:
        lines.append(
            f"In {len(orders)} episodes the swing followed engine speed (order {orders[0]:.1f}), as misfire "
            "does."
        )
    return lines


def shudder(d: Seen) -> list[str]:
    firm = d.shudder.firm
    if not firm:
        return []
    strongest = max(firm, key=lambda e: e.amplitude_rpm)
    by_chance = min(1.0, strongest.looks * strongest.false_alarm_probability)  # the least of so many looks
    lines = [
        f"Slip swung in {len(firm)} episode{'s' if len(firm) > 1 else ''} with the converter clutch on, at "
        f"{strongest.frequency_hz:.1f} Hz and up to {strongest.amplitude_rpm:.0f} rpm (noise alone does so "
        f"{once_in(by_chance)} such stretches)."
    ]
    stopped = sum(e.stopped_at_release for e in firm)
    if stopped:
        lines.append(f"It stopped as the clutch let go {stopped} time{'s' if stopped > 1 else ''}.")
    return lines
