"""The parts of the screen, each a pure function of a Snapshot that returns lines. Positions are fixed."""

from __future__ import annotations

from math import isfinite

from rich.cells import cell_len

from livemon.quantities import NO_SENSOR_C
from livemon.records import Estimate, LinkNews
from livemon.views.lines import Ink, Line, band, bar, big, fitted, number, rise, rule, spread, wrapped
from livemon.views.sentences import CAUSES, REGIME, SHORT, clock, percent, quantity, road_kmh, vague
from livemon.views.snapshot import Snapshot

SLIP_WINDOW_S = 60.0
SLIP_FLOOR_RPM, SLIP_CEILING_RPM = 3.0, 3000.0  # three decades: one a row on the smallest screen
ESSENTIAL = frozenset({"engine_rpm", "vehicle_kmh", "turbine_rpm", "output_rpm"})
MARKS = 20  # drawn at most
KEYS = "m mark  q quit"
NARROW, WIDE = 72, 100  # below, not everything has room; from here on there is room to spare


def title(s: Snapshot, width: int, ink: Ink) -> list[Line]:
    """Who and when."""
    name = ink.text(s.vehicle.name or "vehicle without a file")
    source = ink.text(s.source.replace("\\", "/").rstrip("/").rsplit("/", 1)[-1])  # the folders say less
    marks = f"{len(s.markers)} marked  " if s.markers else ""
    return [[(spread(f" {clock(s.time_s)}  {name}  {source}", f"  {marks}{KEYS} ", width), "head")]]


def now(s: Snapshot, width: int, ink: Ink) -> list[Line]:
    """The speeds, big, with their bands; then what the vehicle is doing."""
    e = s.estimate
    engine = e.engine_rpm if e else None
    turbine, slip, gear = (e.turbine_rpm, e.slip_rpm, e.gear) if e else (None, None, None)
    if e and vague(slip, e.slip_sd_rpm):
        slip = None
    if e and vague(turbine, e.turbine_sd_rpm):
        turbine = None
    turbine_sd = e.turbine_sd_rpm if e and turbine is not None else None
    slip_sd = e.slip_sd_rpm if e and slip is not None else None
    side = len(band(None, 4, ink))
    blocks = (
        ("ENGINE rpm", number(engine, 4), "", 16),
        ("TURBINE rpm", number(turbine, 4), band(turbine_sd, 4, ink), 16 + side),
        ("SLIP rpm", number(slip, 4), band(slip_sd, 4, ink), 16 + side),
        ("GEAR", gear_letter(gear).rjust(2), "", 8),
    )
    room, kept = width - 1, set()
    for i in (2, 0, 3, 1):  # slip gives way last; a gear without room of its own stands in the line below
        if blocks[i][3] <= room:
            kept.add(i)
            room -= blocks[i][3] + 1
    shown = [blocks[i] for i in sorted(kept)]
    gap = max(1, (width - sum(block[3] for block in shown) - 2) // max(1, len(shown) - 1))
    rows: list[Line] = [[(ink.rule, "rule")], [(" ", "")], [(" ", "")], [(" ", "")]]
    for label, digits, sd, block in shown:
        head = f" {label} "
        rows[0].append((head + ink.rule * (block + gap - len(head)), "head"))
        for row, part in zip(rows[1:], big(digits, ink), strict=True):
            row += [
                (part, "value"),
                ((f" {sd}" if row is rows[2] else "").ljust(block + gap - len(part)), "label"),
            ]
    rows[0].append((ink.rule * width, "rule"))
    return [*rows, state(s, width, ink)]


def gear_letter(gear: int | None) -> str:
    """The gear as a driver reads it: R, n or a number."""
    if gear is None or gear > 99:
        return "-"
    return "R" if gear < 0 else str(gear) if gear else "n"


def state(s: Snapshot, width: int, ink: Ink) -> Line:
    """One line: what the vehicle is doing, as much of it as the width has room for."""
    e = s.estimate
    wide = width >= WIDE
    ratio = e.speed_ratio if e and not vague(e.slip_rpm, e.slip_sd_rpm) else None
    sd = e.speed_ratio_sd if e and ratio is not None else None
    regime = REGIME.get(e.regime, e.regime) if e else REGIME["unknown"]
    gear = ("gear ", f"{gear_letter(e.gear if e else None):<2}")
    coolant = s.coolant_c if s.coolant_c is not None and s.coolant_c > NO_SENSOR_C else None
    parts = [
        ("", f"{regime:<17}"),
        gear if width < NARROW else ("lockup ", f"{lockup(e):<9}"),
        ("SR ", number(ratio, 4, 2) + (f" {band(sd, 4, ink, 2)}" if wide else "")),
        ("", f"{number(road_kmh(e), 3)} km/h"),
        ("pedal ", f"{number(e.pedal_pct if e else None, 3)} %"),
        ("coolant ", f"{number(coolant, 3)} {'°C' if ink.unicode else 'C'}"),
    ]
    line: Line = []
    gap, room = (3, width - 2) if wide else (1, width)
    for label, value in parts:
        room -= gap + len(label) + len(value)
        if room < 0:
            break
        line += [(" " * (gap if line else 1) + label, "label"), (value, "value")]
    return line


def lockup(e: Estimate | None) -> str:
    """Whether the converter clutch is applied, as far as it can be told."""
    if e is None or not isfinite(e.locked_probability) or e.slip_rpm is None:
        return "not known"
    if e.locked_probability > 0.9 or e.regime == "locked":
        return "applied"
    return "open" if e.locked_probability < 0.1 else "not sure"


def slip(s: Snapshot, width: int, rows: int, ink: Ink) -> list[Line]:
    """Slip over the last minute, a column a span, on a scale that shows 5 rpm as well as 2000."""
    columns = max(1, width - 8)
    per_column_s = SLIP_WINDOW_S / columns
    start_s = s.time_s - SLIP_WINDOW_S
    sums: list[float | None] = [None] * columns
    for span in s.slip:
        place = (span.start_s - start_s) / per_column_s
        if 0.0 <= place < columns and isfinite(span.mean_rpm):
            column = int(place)
            before = sums[column]
            sums[column] = span.mean_rpm if before is None else max(before, span.mean_rpm)
    sums = _without_pinholes(sums, per_column_s)
    drawn = rise(sums, rows, SLIP_FLOOR_RPM, SLIP_CEILING_RPM, ink)
    for marker in s.markers[-MARKS:]:
        place = (marker.time_s - start_s) / per_column_s
        if 0.0 <= place < columns and drawn:
            drawn[0] = drawn[0][: int(place)] + "m" + drawn[0][int(place) + 1 :]
    decade = max(1, rows // 3)
    lines: list[Line] = []
    for i, text in enumerate(drawn):
        decades, inside = divmod(rows - 1 - i, decade)
        label = f" >{SLIP_FLOOR_RPM * 10**decades:<5.0f}" if inside == 0 and decades < 3 else " " * 7
        lines.append([(label, "label"), (text, "value")])
    note = shake_note(s)
    return [rule(f"Slip in rpm, last {SLIP_WINDOW_S:.0f} s", note, width, ink), *lines]


def shake_note(s: Snapshot) -> str:
    """What the swing of slip shows now, and up to which frequency the readings could show one."""
    shake = s.shake
    if shake is None or not isfinite(shake.highest_visible_hz) or s.time_s - shake.time_s > 3.0:
        return "shake: looked for when locked"
    if shake.highest_visible_hz < 4.0:
        return "shake: readings too slow to see one"
    sees = f"sees up to {number(shake.highest_visible_hz, 2)} Hz"
    if shake.false_alarm_probability < 0.01:
        return f"shake {number(shake.amplitude_rpm, 3)} rpm at {number(shake.frequency_hz, 4, 1)} Hz, {sees}"
    return f"no shake, {sees}"


def _without_pinholes(values: list[float | None], per_column_s: float) -> list[float | None]:
    """Columns narrower than a span take their left neighbour's value; a real gap stays a gap."""
    reach = max(1, int(0.6 / per_column_s))
    out: list[float | None] = []
    last, age = None, 0
    for value in values:
        last, age = (value, 0) if value is not None else (last, age + 1)
        out.append(last if age <= reach else None)
    return out


def causes(s: Snapshot, width: int, ink: Ink) -> list[Line]:
    """Every possible cause with its probability, always in the same place; the leading one is marked."""
    lead = max(s.standing, key=s.standing.__getitem__, default=None)
    half = width // 2
    words = max(8, min(24, half - 10))  # on a narrow screen the words give way, never the number
    length = max(0, half - words - 10)
    cells: list[Line] = []
    for name in CAUSES:
        p = s.standing.get(name)
        share = p if p is not None and isfinite(p) else 0.0
        style = "value" if name == lead else "label"
        head = f" {'>' if name == lead else ' '} {SHORT[name][:words]:<{words}}{bar(share, length, ink)} "
        cells.append([(head + (percent(share) if p is not None else "-").rjust(5), style)])
    rows = (len(cells) + 1) // 2
    pairs = [(cells[i], cells[i + rows] if i + rows < len(cells) else []) for i in range(rows)]
    return [rule("Possible causes", "", width, ink), *[[*fitted(a, half), *b] for a, b in pairs]]


def still(s: Snapshot, width: int, limits_too: bool, ink: Ink) -> Line:
    """What is still to be driven, as much as there is room for; else what cannot be judged, if asked for."""
    title, items = "STILL TO DRIVE", s.still_to_drive
    if not items and limits_too and s.cannot_judge:
        title, items = "NOT JUDGED SO FAR", s.cannot_judge
    if not items:
        return [(f" {title}: ", "label"), ("nothing" if s.estimate else "-", "value")]
    head, texts = f" {title}: ", [ink.text(item) for item in items]
    room = width - len(head)
    shown, more = texts[0], ""
    for i in range(len(texts)):
        left = len(texts) - 1 - i
        tail = f" +{left} more" if left else ""
        joined = "; ".join(texts[: i + 1])
        if i and cell_len(joined + tail) > room:
            break
        shown, more = joined, tail
    if cell_len(shown + more) > room:  # even the first has to be cut: how many follow matters less
        more = ""
    parts = wrapped(shown, room, 1, ink)
    return [(head, "label"), (parts[0] if parts else "", "value"), (more, "label")]


def link(s: Snapshot, width: int, ink: Ink) -> Line:
    """How well the vehicle answers."""
    answers = any(r.age_s <= 2.0 and r.quantity in ESSENTIAL for r in s.rates)
    if s.notice and not isinstance(s.notice, LinkNews):
        return [(f" ! link: {ink.text(s.notice)}", "alarm")]
    if s.notice and not answers:
        return [(f" link: {ink.text(s.notice)}", "label")]
    if not s.rates:
        return [(" link: nothing received yet", "label")]
    stale = next((r for r in s.rates if r.age_s > 2.0 and r.quantity in ESSENTIAL), None)
    alarm = f"  ! {ink.text(quantity(stale.quantity))} stopped" if stale else ""
    text = " readings/s:"
    for r in s.rates:
        part = f"  {ink.text(quantity(r.quantity))}{number(r.per_s, 4, 0 if r.per_s >= 9.95 else 1)}"
        if len(text) + len(part) + len(alarm) > width:
            break
        text += part
    return [(text, "label"), (alarm, "alarm")]


def limits(s: Snapshot, rows: int, ink: Ink) -> list[Line]:
    """What cannot be judged on this vehicle or drive, as far as there is room."""
    shown = [ink.text(sentence) for sentence in s.cannot_judge]
    lines: list[Line] = [[(f"   not judged so far: {part}", "label")] for part in shown[:rows]]
    if len(shown) > rows > 0:
        lines[-1] = [(f"   not judged so far: +{len(shown) - rows + 1} more", "label")]
    return lines + [[] for _ in range(rows - len(lines))]
