"""One drive's truth against what livemon said of it, and the tables over many drives."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from math import sqrt
from typing import Any

from livemon.records import Estimate, Warning

from .cars import CONVERTER_FAULTS, FAULTS, STATOR, Car
from .tester import Polling
from .vehicle import History

Sums = dict[str, list[float]]  # regime -> n, error^2, raw error^2, inside 2 sd, error^2 / sd^2


@dataclass
class Drive:
    """A judged drive."""

    number: int
    car: Car
    polling: Polling
    driver: str
    file: bool
    history: History
    result: dict[str, Any]
    warnings: list[tuple[float, Warning]] = field(default_factory=list)  # when on the wire, what
    slip: Sums = field(default_factory=dict)
    gear: tuple[int, int] = (0, 0)  # right, judged
    lock: tuple[int, int] = (0, 0)
    cost_s: tuple[float, float] = (0.0, 0.0)  # processor time of simulation, of livemon

    @property
    def truth(self) -> str:
        return self.car.fault.name

    @property
    def call(self) -> str:
        return str(self.result["call"]["finding"])

    @property
    def probability(self) -> float:
        return float(self.result["call"]["probability"])

    @property
    def shown(self) -> bool:
        return self.truth == "none" or self.history.exposed_s > 2.0

    @property
    def wrong(self) -> bool:
        """A fault named that is not there. Saying too little is a miss, not this."""
        return self.call not in (self.truth, "none", "not_enough_evidence")

    @property
    def missed(self) -> bool:
        """A fault that showed itself was called none."""
        return self.call == "none" and self.truth != "none" and self.shown

    def launch_lead(self) -> tuple[float, float] | None:
        """First stator warning and first upshift of its launch, seconds after the launch began."""
        for time_s, warning in self.warnings:
            if warning.raised and warning.finding in STATOR:
                began = [launch for launch in self.history.launches if launch[0] < time_s]
                return (time_s - began[-1][0], began[-1][1] - began[-1][0]) if began else None
        return None


def measure(drive: Drive, estimates: list[Estimate], speeds: list[tuple[float, float]]) -> None:
    """Fill the drive's error sums. speeds: road speed as it was read, (time, km/h)."""
    car, history = drive.car, drive.history
    rpm_per_kmh = [ratio * car.final_drive / car.radius_m / 3.6 * 9.549296586 for ratio in car.ratios]
    sums: Sums = defaultdict(lambda: [0.0] * 5)
    gear, lock, j = [0, 0], [0, 0], 0
    for e in estimates:
        engine, turbine = history.at(e.time_s)
        now = history.moment(e.time_s)
        while j + 1 < len(speeds) and speeds[j + 1][0] <= e.time_s:
            j += 1
        if not now.gear or engine < 300.0:
            continue
        if now.settled and now.speed_m_s > 0.5 and car.kind == "converter":
            if e.gear is not None:
                gear[0] += e.gear == now.gear
                gear[1] += 1
            lock[0] += (e.on_probability > 0.5) == now.locked
            lock[1] += 1
        if e.slip_rpm is None or not speeds:
            continue
        error = e.slip_rpm - (engine - turbine)
        raw = turbine - speeds[j][1] * rpm_per_kmh[now.gear - 1]
        cell = sums[_regime(now)]
        cell[0] += 1
        cell[1] += error * error
        cell[2] += raw * raw
        cell[3] += abs(error) <= 2.0 * e.slip_sd_rpm + 1e-6
        cell[4] += min(100.0, (error / max(e.slip_sd_rpm, 1e-3)) ** 2)
    drive.slip, drive.gear, drive.lock = dict(sums), (gear[0], gear[1]), (lock[0], lock[1])


def _regime(now: Any) -> str:
    if now.speed_m_s < 0.05:
        return "standing"
    if not now.settled:
        return "shift"
    if now.locked:
        return "locked"
    if now.launching:
        return "launch"
    return "pull" if now.brake_nm > 15.0 else "coast"


def confusion(drives: list[Drive]) -> str:
    """Truth down, call across; a number in brackets is how many of them had p >= 0.8."""
    columns = (*FAULTS, "not_enough_evidence")
    short = {name: "".join(word[:2] for word in name.split("_"))[:6] for name in columns}
    out = [f"{'truth':22}" + "".join(f"{short[c]:>8}" for c in columns)]
    for truth in FAULTS:
        own = [d for d in drives if d.truth == truth]
        if own:
            cells = []
            for column in columns:
                hits = [d for d in own if d.call == column]
                sure = sum(d.probability >= 0.8 for d in hits)
                cells.append(f"{len(hits)}({sure})" if hits else ".")
            out.append(f"{truth:22}" + "".join(f"{cell:>8}" for cell in cells))
    return "\n".join(out)


def brier(drives: list[Drive]) -> tuple[float, list[str]]:
    """Sum of squares over all causes, mean over drives; and the reliability table over every cause."""
    total = 0.0
    bins: dict[int, list[tuple[float, float]]] = defaultdict(list)
    for d in drives:
        for name, p in d.result["probabilities"].items():
            hit = float(name == d.truth)
            total += (p - hit) ** 2
            bins[min(9, int(10 * p))].append((p, hit))
    rows = []
    for i in sorted(bins):
        ps, hits = zip(*bins[i], strict=True)
        between = f"{i / 10:.1f}-{(i + 1) / 10:.1f}"
        rows.append(f"  {between}: n {len(ps):4} said {_mean(ps):.3f} true {_mean(hits):.3f}")
    return total / max(1, len(drives)), rows


def balanced(drives: list[Drive]) -> str:
    """Brier score as if six drives in ten were sound, beside what saying just that would score."""
    sound, faulty = ([d for d in drives if (d.truth == "none") == side] for side in (True, False))
    if not sound or not faulty:
        return ""
    score = 0.6 * brier(sound)[0] + 0.4 * brier(faulty)[0]
    others = 0.4 / (len(FAULTS) - 1)
    spread = (len(FAULTS) - 1) * others**2
    knowing_nothing = 0.6 * (0.4**2 + spread) + 0.4 * (0.6**2 + (1.0 - others) ** 2 + spread - others**2)
    return f"Brier with 60 % sound {score:.3f}; of who knows only that {knowing_nothing:.3f}"


def _mean(values: Iterable[float]) -> float:
    values = list(values)
    return sum(values) / len(values) if values else float("nan")


def rate_class(polling: Polling) -> str:
    return "slow <8/s" if polling.per_s < 8.0 else "8-20/s" if polling.per_s < 20.0 else "fast >20/s"


def summary(drives: list[Drive]) -> str:
    """Everything the campaign prints at its end."""
    cars = [d for d in drives if d.car.kind == "converter"]
    others = [d for d in drives if d.car.kind != "converter"]
    out = [f"{len(drives)} drives, {len(cars)} with a converter", "", confusion(cars), ""]
    for title, group in (("rate", lambda d: rate_class(d.polling)), ("torque", lambda d: d.polling.torque)):
        for key in sorted({group(d) for d in cars}):
            own = [d for d in cars if group(d) == key]
            right = sum(d.call == d.truth for d in own)
            enough = sum(d.call == "not_enough_evidence" for d in own)
            wrong = sum(d.wrong for d in own)
            sure = sum(d.wrong and d.probability >= 0.8 for d in own)
            missed = sum(d.missed for d in own)
            out.append(
                f"{title:7}{key:14} n {len(own):3} right {right:3} not enough {enough:3} "
                f"missed {missed:3} wrong {wrong:3} (p>=0.8: {sure}) Brier {brier(own)[0]:.3f}"
            )
    sound = [d for d in cars if d.truth == "none"]
    out.append(f"\nfalse alarms on sound cars: {sum(d.wrong for d in sound)} of {len(sound)}")
    alarmed = sum(any(w.raised for _, w in d.warnings) for d in sound)
    out.append(f"sound cars with a warning during the drive: {alarmed} of {len(sound)}")
    if others:
        bad = [d for d in others if d.call in CONVERTER_FAULTS]
        calls = dict(Counter(d.call for d in others))
        out.append(f"without a converter: {calls}, converter fault called {len(bad)}")
    score, rows = brier(cars)
    out += [
        f"Brier {score:.3f}",
        balanced(cars),
        *rows,
        "",
        f"{'slip rpm':9}     n    ours     raw  in 2sd  rms z",
    ]
    for regime in ("launch", "pull", "locked", "coast", "shift", "standing"):
        cells = [d.slip[regime] for d in cars if regime in d.slip]
        if cells:
            n, ours, raw, inside, z = (sum(column) for column in zip(*cells, strict=True))
            errors = f"{sqrt(ours / n):8.1f}{sqrt(raw / n):8.1f}"
            out.append(f"{regime:9}{n:6.0f}{errors}{100 * inside / n:7.1f}%{sqrt(z / n):7.2f}")
    gear = [sum(column) for column in zip(*(d.gear for d in cars), strict=True)] or [0, 0]
    lock = [sum(column) for column in zip(*(d.lock for d in cars), strict=True)] or [0, 0]
    share = [100 * part / max(1, whole) for part, whole in (gear, lock)]
    out.append(f"gear right {share[0]:.1f} %, locked/open right {share[1]:.1f} %")
    leads = [lead for d in cars if d.truth in STATOR and (lead := d.launch_lead())]
    if leads:
        before = sum(warned < upshift for warned, upshift in leads)
        out.append(f"first stator warning before that launch's first upshift: {before} of {len(leads)}")
    simulated, judged = (sum(d.cost_s[i] for d in drives) for i in (0, 1))
    driven = sum(d.result["recording"]["duration_s"] for d in drives)
    readings = sum(d.result["recording"]["readings"] for d in drives)
    cost = simulated + judged
    out.append(
        f"driven {driven:.0f} s, processor {cost:.1f} s = {driven / cost:.0f} x real time; "
        f"livemon {1e6 * judged / max(1, readings):.0f} us a reading"
    )
    return "\n".join(out)


def line_of(d: Drive) -> str:
    """One line a drive, enough to find it again."""
    mark = "WRONG" if d.wrong else "missed" if d.missed else ""
    size = f"{d.car.fault.size:.2f}" if d.car.fault.size else ""
    others = sorted(d.result["probabilities"].items(), key=lambda item: -item[1])[:3]
    gear, lock = (f"{100 * right / n:.0f}" if n else "-" for right, n in (d.gear, d.lock))
    rms = " ".join(f"{regime[:2]}{sqrt(s[1] / s[0]):.0f}" for regime, s in d.slip.items())
    return (
        f"{d.number:4} {d.truth + ' ' + size:28} shown {d.history.exposed_s:5.0f}s -> {d.call:20} "
        f"{d.probability:.2f} {mark:6} {d.car.kind[:4]} {d.car.engine[:5]} {d.driver:9} {d.polling.torque:9} "
        f"{d.polling.order[:6]} {d.polling.per_s:4.1f}/s {'' if d.file else 'no file '}"
        + " ".join(f"{name}={p:.2f}" for name, p in others)
        + f"  gear {gear} lock {lock} slip {rms}"
    )
