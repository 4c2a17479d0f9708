"""Trouble codes: two bytes <-> five characters (SAE J2012), and the names a transmission check needs."""

from __future__ import annotations

from typing import Final

# Wording: SAE J2012 as public lists give it; "*" marks wording from memory. Not the whole standard: the codes
# that bear on a converter, a transmission, or the engine torque and sensors the judgement leans on.
NAMES: Final[dict[str, str]] = {
    "P0068": "MAP/MAF - Throttle Position Correlation",  # *
    "P0087": "Fuel Rail/System Pressure - Too Low",  # *
    "P0101": "Mass or Volume Air Flow Circuit Range/Performance",  # *
    "P0102": "Mass or Volume Air Flow Circuit Low Input",  # *
    "P0103": "Mass or Volume Air Flow Circuit High Input",  # *
    "P0106": "Manifold Absolute Pressure/Barometric Pressure Circuit Range/Performance",  # *
    "P0121": "Throttle/Pedal Position Sensor A Circuit Range/Performance",  # *
    "P0171": "System Too Lean (Bank 1)",  # *
    "P0172": "System Too Rich (Bank 1)",  # *
    "P0174": "System Too Lean (Bank 2)",  # *
    "P0175": "System Too Rich (Bank 2)",  # *
    "P0218": "Transmission Fluid Over Temperature Condition",
    "P0234": "Turbocharger/Supercharger Overboost Condition",  # *
    "P0299": "Turbocharger/Supercharger Underboost",  # *
    "P0300": "Random/Multiple Cylinder Misfire Detected",  # *
    **{f"P03{n:02d}": f"Cylinder {n} Misfire Detected" for n in range(1, 13)},  # *
    "P0335": "Crankshaft Position Sensor A Circuit",  # *
    "P0420": "Catalyst System Efficiency Below Threshold (Bank 1)",  # *
    "P0430": "Catalyst System Efficiency Below Threshold (Bank 2)",  # *
    "P0500": "Vehicle Speed Sensor A",  # *
    "P0501": "Vehicle Speed Sensor A Range/Performance",  # *
    "P0571": "Brake Switch A Circuit",  # *
    "P0700": "Transmission Control System (MIL Request)",  # *
    "P0705": "Transmission Range Sensor A Circuit (PRNDL Input)",  # *
    "P0706": "Transmission Range Sensor A Circuit Range/Performance",  # *
    "P0710": "Transmission Fluid Temperature Sensor A Circuit",  # *
    "P0711": "Transmission Fluid Temperature Sensor A Circuit Range/Performance",
    "P0712": "Transmission Fluid Temperature Sensor A Circuit Low Input",  # *
    "P0713": "Transmission Fluid Temperature Sensor A Circuit High Input",  # *
    "P0715": "Input/Turbine Speed Sensor A Circuit",
    "P0716": "Input/Turbine Speed Sensor A Circuit Range/Performance",
    "P0717": "Input/Turbine Speed Sensor A Circuit No Signal",
    "P0718": "Input/Turbine Speed Sensor A Circuit Intermittent",  # *
    "P0719": "Brake Switch B Circuit Low",  # *
    "P0720": "Output Speed Sensor Circuit",
    "P0721": "Output Speed Sensor Circuit Range/Performance",  # *
    "P0722": "Output Speed Sensor Circuit No Signal",
    "P0723": "Output Speed Sensor Circuit Intermittent",  # *
    "P0724": "Brake Switch B Circuit High",  # *
    "P0725": "Engine Speed Input Circuit",
    "P0726": "Engine Speed Input Circuit Range/Performance",  # *
    "P0727": "Engine Speed Input Circuit No Signal",  # *
    "P0729": "Gear 6 Incorrect Ratio",  # *
    "P0730": "Incorrect Gear Ratio",
    **{f"P073{n}": f"Gear {n} Incorrect Ratio" for n in range(1, 6)},
    "P0736": "Reverse Incorrect Ratio",
    "P0740": "Torque Converter Clutch Circuit/Open",
    "P0741": "Torque Converter Clutch Circuit Performance or Stuck Off",
    "P0742": "Torque Converter Clutch Circuit Stuck On",
    "P0743": "Torque Converter Clutch Circuit Electrical",
    "P0744": "Torque Converter Clutch Circuit Intermittent",
    "P0745": "Pressure Control Solenoid A",  # *
    "P0746": "Pressure Control Solenoid A Performance or Stuck Off",  # *
    "P0747": "Pressure Control Solenoid A Stuck On",  # *
    "P0748": "Pressure Control Solenoid A Electrical",  # *
    "P0750": "Shift Solenoid A",  # *
    "P0751": "Shift Solenoid A Performance or Stuck Off",  # *
    "P0752": "Shift Solenoid A Stuck On",  # *
    "P0753": "Shift Solenoid A Electrical",  # *
    "P0755": "Shift Solenoid B",  # *
    "P0756": "Shift Solenoid B Performance or Stuck Off",  # *
    "P0757": "Shift Solenoid B Stuck On",  # *
    "P0758": "Shift Solenoid B Electrical",  # *
    "P0780": "Shift Error",  # *
    "P0781": "1-2 Shift",  # *
    "P0782": "2-3 Shift",  # *
    "P0783": "3-4 Shift",  # *
    "P0784": "4-5 Shift",  # *
    "P0841": "Transmission Fluid Pressure Sensor/Switch A Circuit Range/Performance",  # *
    "P0868": "Transmission Fluid Pressure Low",  # *
    "P0894": "Transmission Component Slipping",  # *
    "P2757": "Torque Converter Clutch Pressure Control Solenoid Control Circuit Performance or Stuck Off",
    "P2758": "Torque Converter Clutch Pressure Control Solenoid Control Circuit Stuck On",
    "P2759": "Torque Converter Clutch Pressure Control Solenoid Control Circuit Electrical",
    "P2763": "Torque Converter Clutch Pressure Control Solenoid Control Circuit High",  # *
    "P2764": "Torque Converter Clutch Pressure Control Solenoid Control Circuit Low",  # *
    "U0100": "Lost Communication With ECM/PCM A",  # *
    "U0101": "Lost Communication With TCM",  # *
}


def code_of(high: int, low: int) -> str:
    """The five characters of a trouble code's two bytes: system, one digit, three hex digits (SAE J2012)."""
    return f"{'PCBU'[high >> 6]}{high >> 4 & 3}{high & 0x0F:X}{low:02X}"


def name_of(code: str) -> str:
    """The standard name, or which kind of code it is where livemon has no name for it."""
    if code in NAMES:
        return NAMES[code]
    # SAE J2012: P1xxx and P30xx-P33xx, C1/C2, B1/B2, U1/U2 belong to the vehicle maker.
    own = code[1] in "12" if code[0] != "P" else code[1] == "1" or "P30" <= code[:3] <= "P33"
    return "defined by the vehicle maker" if own else "standard code without a name here"
