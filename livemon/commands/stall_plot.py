"""A stall drawn in plain characters: engine torque against what the pump asks at rest."""

from __future__ import annotations

from typing import Final

from livemon.vehicle_stall import StallSheet

WIDTH: Final = 64
HEIGHT: Final = 14


def plot(sheet: StallSheet) -> list[str]:
    """Lines of text: torque upward, engine speed to the right; X where they meet."""
    right = min(1.5 * sheet.expected.rpm, sheet.redline_rpm)
    left = 0.3 * sheet.expected.rpm
    top = 1.25 * max(sheet.full_load(left + (right - left) * i / WIDTH)[0] for i in range(WIDTH + 1))
    canvas = [[" "] * WIDTH for _ in range(HEIGHT)]

    def put(rpm: float, nm: float, mark: str) -> None:
        column, row = round((rpm - left) / (right - left) * (WIDTH - 1)), round(nm / top * (HEIGHT - 1))
        if 0 <= column < WIDTH and 0 <= row < HEIGHT:
            canvas[HEIGHT - 1 - row][column] = mark

    for i in range(4 * WIDTH):
        rpm = left + (right - left) * i / (4 * WIDTH)
        put(rpm, (rpm / (sheet.k0 * sheet.lost_ratio)) ** 2, "o")
        put(rpm, (rpm / sheet.k0) ** 2, "*")
        put(rpm, sheet.full_load(rpm)[0], "-")
    put(sheet.lost.rpm, sheet.lost.torque_nm, "x")
    put(sheet.expected.rpm, sheet.expected.torque_nm, "X")
    lines = [
        f"{top * (HEIGHT - 1 - row) / (HEIGHT - 1):>6.0f} |{''.join(cells).rstrip()}"
        if row % 3 == 1
        else f"       |{''.join(cells).rstrip()}"
        for row, cells in enumerate(canvas)
    ]
    middle = 0.5 * (left + right)
    axis = f"        {left:<{WIDTH // 2 - 2}.0f}{middle:<{WIDTH // 2 - 4}.0f}{right:.0f} rpm"
    legend = "   N m   - engine at full load   * pump, sound converter   o pump, stator not holding"
    where = "         X expected stall   x stall with the stator not holding"
    return [legend, where, *lines, "       +" + "-" * WIDTH, axis]
