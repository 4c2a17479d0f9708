"""What to check next: cheapest and least invasive first. Common practice, no source.

The order is the order of work: look and read, then drive, then gauges, then hands, and only then tools.
"""

from __future__ import annotations

from typing import Final

STALL_CAUTION: Final = (
    "stall check only if the vehicle maker's procedure allows it and as it says: wheels chocked, parking "
    "and service brakes hard on, nobody in front or behind, five seconds at most, a minute in neutral "
    "between tries, stop at once if a wheel turns"
)
_FLUID: Final = (
    "transmission fluid level and condition at the temperature the maker gives (level, smell, dark, metal)"
)
CODES: Final = "read stored and pending codes of engine and transmission control units"
REPLAY: Final = (
    "gear ratios, final drive and tyre belong in the vehicle file: give them and replay this recording; "
    "it needs no new drive"
)
FILE: Final = (
    "the vehicle file against the maker's data and the vehicle as it was driven: ratios, axle, tyre fitted, "
    "mass, stall speed; a correction is judged by replaying this recording, without a new drive"
)
AIR_FLOW: Final = (
    "the air-flow reading against the maker's figures at idle and at 2500 rpm: torque is worked out from it"
)
# Where the engine shakes by itself. Common practice, no source.
ENGINE_SHAKES: Final = (
    "misfire counters and misfire codes, then ignition coils, plugs and injectors of the cylinder they name",
    "engine and transmission mounts by eye",
)
REPEAT: Final = (
    "repeat the launches on level road, two people aboard, at half pedal or more, and replay both drives"
)
CRUISE: Final = "a level cruise at 80-100 km/h for two minutes, fully warm, light pedal"
CRUISE_LASTS_S: Final = 120.0

CHECKS: Final[dict[str, tuple[str, ...]]] = {
    "stator_not_holding": (
        _FLUID,
        CODES,
        REPEAT,
        "fuel pressure and exhaust back-pressure, to rule out an engine that only looks like it",
        "line pressure at idle and under load by the maker's procedure",
        STALL_CAUTION + "; compare with `livemon stall` for this vehicle",
        "converter out: stator one-way clutch must hold one way and turn freely the other",
    ),
    "stator_seized": (
        _FLUID,
        CODES,
        "transmission fluid temperature on a ten-minute drive above 60 km/h with the clutch kept off by "
        "light throttle changes; stop at the maker's limit or at any smell",
        "exhaust back-pressure and air intake: they also cost top-end pull",
        "repeat a full-pedal pull from 40 to 90 km/h with the clutch open, both ways on the same road",
        "converter out: stator one-way clutch must turn freely one way",
    ),
    "lockup_shudder": (
        _FLUID,
        CODES,
        "misfire counters: misfire shakes the same way",
        "light brake tap with the pedal held, nobody behind: shudder stops as the clutch lets go, misfire "
        "does not",
        "engine and transmission mounts by eye",
        "fluid change with the maker's own fluid, then drive again",
        "clutch apply pressure and apply-solenoid duty by the maker's procedure",
    ),
    "lockup_slip": (
        _FLUID,
        CODES,
        "clutch command or solenoid duty on a scan tool while it slips: full command with slip means it "
        "cannot hold",
        "clutch apply pressure by the maker's procedure",
        "valve body and apply circuit leakage before the converter comes out",
        "converter out: clutch lining and piston seal",
    ),
    "lockup_never_applied": (
        _FLUID,
        CODES,
        "selector in D and fully warm: sport, tow and manual programs and a cold transmission keep the "
        "clutch off by design, and some close it above 90 km/h only",
        "brake switch: a brake light that stays on keeps the clutch off",
        CRUISE,
        "clutch command on a scan tool; then wiring and apply solenoid resistance",
        "apply pressure by the maker's procedure",
    ),
    "gear_slip": (
        _FLUID,
        CODES,
        "ratio of input-shaft to output-shaft speed in that gear on a scan tool, against the other gears",
        "line pressure in that gear by the maker's procedure",
        "adaptation values of that gear's clutch, if the maker publishes limits",
        "pan off: friction material and metal in the pan",
    ),
    "engine_low_output": (
        CODES,
        "air filter, intake hoses and charge-air hoses by eye",
        "fuel trims and misfire counters",
        "barometric pressure and altitude: 1000 m costs a naturally aspirated engine about 11 %",
        "fuel pressure under load",
        "exhaust back-pressure ahead of the catalyst",
        "ignition and cam timing, boost pressure where fitted, compression",
        "leave the transmission alone until the engine makes its torque",
    ),
    "driveline_drag": (
        "after a drive without hard braking, compare the four wheels for heat, by infrared thermometer or a "
        "hand near them, not on them: discs, rims and hubs burn",
        CODES,
        "tyre pressures; roof load, trailer, load in the vehicle",
        "coast-down from 80 km/h in neutral on level road, both ways",
        "wheels off the ground: turn each by hand with the brakes released; parking brake cables",
        "wheel bearings, drive shafts and axle oil level",
    ),
    "none": (
        _FLUID,
        CODES,
        "ask when the complaint shows itself (cold, hot, loaded, which speed) and record that",
    ),
}
