"""The estimator's front door: readings in, settled estimates out, in the order of the readings.

Readings are gathered into blocks closed by the readings' own times; closing one smooths the road and
engine tracks back over the unsettled part, moves the gear chain and the locked-stretch filter on, and settles
what is at least LOOK_AHEAD_S old. What is settled depends on the readings alone, never on how they came.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Sequence
from math import exp, isfinite, sqrt
from typing import Final

from livemon.estimate.engine_speed import EngineSpeed
from livemon.estimate.gear_evidence import Look
from livemon.estimate.gears import Gears, Tick
from livemon.estimate.locked import Locked
from livemon.estimate.oscillation import Swings
from livemon.estimate.ratios import rpm_per_kmh, usual_grip_nm
from livemon.estimate.road_speed import RoadSpeed
from livemon.estimate.standstill import Standstill
from livemon.estimate.torque import Torque
from livemon.quantities import KMH_TO_M_S, RPM_TO_RAD_S
from livemon.records import Estimate, Oscillation, Reading
from livemon.vehicle import Vehicle

BLOCK_S: Final = 0.5
LOOK_AHEAD_S: Final = 0.45
_TICK_LAG_S: Final = 0.25
TICK_S: Final = 0.12
_STALE_S: Final = 2.5
_RARE: Final = 0.025


class Estimator:
    """`feed` readings; settled estimates come back at most BLOCK_S + LOOK_AHEAD_S later, in time order."""

    def __init__(self, vehicle: Vehicle) -> None:
        self.vehicle = vehicle
        self.counters: Counter[str] = Counter()
        self._engine = EngineSpeed()
        self._road = RoadSpeed()
        self._torque = Torque(vehicle)
        self._standstill = Standstill()
        self._swings = Swings()
        k, scale_sd = rpm_per_kmh(vehicle)
        self._gears = Gears(k, usual_grip_nm(vehicle)) if k else None
        target = vehicle.lockup_slip_target_rpm
        self.calibration = Locked(scale_sd, 15.0 if target is None else target, 25.0)
        self._speeds: list[tuple[float, float, float]] = []  # readings the gear chain has not seen
        self._ticks: list[Tick] = []
        self._newest = -1e9
        self._sure = False  # this locked stretch has shown that it is one
        self._chained = -1e9
        self._block_end: float | None = None
        self._settled = 0  # index into the engine track of the first unsettled reading
        self._stated_gear: tuple[float, int] | None = None
        self._launching = False
        self._newest_estimate: Estimate | None = None

    def feed(self, reading: Reading) -> Sequence[Estimate | Oscillation]:
        t, quantity, value, resolution, _ = reading
        if not isfinite(value) or not isfinite(t):
            self.counters["not_a_number"] += 1
            return ()
        out: Sequence[Estimate | Oscillation] = ()
        if t < self._newest:
            self.counters["time_reversed"] += 1
            return ()
        self._newest = t
        if self._block_end is None:
            self._block_end = t + BLOCK_S
        elif t >= self._block_end:
            out = self._close(t, LOOK_AHEAD_S)
            self._block_end = t + BLOCK_S
        if quantity == "engine_rpm":
            if 0.0 <= value < 12000.0:
                if self._engine.track.t and t <= self._engine.track.t[-1]:
                    self.counters["time_repeated"] += 1
                else:
                    self._engine.add(t, value)
                    self._swings.add(t, value)
            else:
                self.counters["absurd_values"] += 1
        elif quantity == "vehicle_kmh":
            if 0.0 <= value <= 255.0:
                if self._speeds and t <= self._speeds[-1][0]:
                    self.counters["time_repeated"] += 1
                else:
                    self._road.add(t, value, resolution)
                    self._speeds.append((t, value, resolution))
            else:
                self.counters["absurd_values"] += 1
        elif quantity == "gear":
            self._stated_gear = (t, int(value))
        else:
            self._torque.add(t, quantity, value)
        return out

    def end(self) -> Sequence[Estimate | Oscillation]:
        """The drive is over: settle the rest."""
        return self._close(self._newest, -1.0)

    @property
    def now(self) -> Estimate | None:
        return self._newest_estimate

    def _close(self, t: float, look_ahead: float) -> list[Estimate | Oscillation]:
        engine, road = self._engine, self._road
        track = engine.track
        since = track.t[self._settled] if self._settled < len(track.t) else t
        track.smooth(since - 0.2)
        road.track.smooth(since - 0.2)
        self._chain(t - (_TICK_LAG_S if look_ahead > 0 else -1.0))
        if self._gears is not None:
            start = len(self._ticks)
            while start > 0 and self._ticks[start - 1].t > since - 0.2:
                start -= 1
            self._gears.smooth(self._ticks, start)
        out: list[Estimate | Oscillation] = []
        until = t - look_ahead
        times = track.t
        i, n = self._settled, len(times)
        while i < n and times[i] <= until:
            estimate = self._estimate(i)
            self._newest_estimate = estimate
            out.append(estimate)
            i += 1
        self._settled = i
        newest = self._ticks[-1] if self._ticks else None
        if newest is None or not newest.still:
            swing = self._swings.look(newest is not None and newest.locked > 0.5)
            if swing is not None:
                out.append(swing)
        keep = times[i] if i < n else t
        self._trim(keep - 1.0)
        return out

    def _trim(self, before: float) -> None:
        track = self._engine.track
        had = len(track.t)
        track.trim(before)
        gone = had - len(track.t)
        if gone:
            self._settled -= gone
            del self._engine.raw[:gone]
        self._road.track.trim(before)
        self._torque.trim(before - 12.0)
        ticks = self._ticks
        while len(ticks) > 2 and ticks[1].t < before:
            del ticks[0]

    def _chain(self, until: float) -> None:
        """Move the gear chain and the locked-stretch filter on to `until`."""
        gears, c = self._gears, self.calibration
        if gears is None:
            self._speeds.clear()
            return
        times, track = self._engine.track.t, self._engine.track
        i = bisect_right(times, self._chained)
        while i < len(times) and times[i] <= until:
            t = times[i]
            if t >= self._chained + TICK_S:
                self._look(t, i)
                self._chained = t
            i += 1
        done = 0
        for t, z, width in self._speeds:
            if t > until:
                break
            done += 1
            tick = self._tick_at(t - c.delay_s)
            if tick is None or tick.still or tick.locked * tick.probability < 0.9 or tick.shifting > 0.05:
                self._sure = False
                continue
            self._sure = self._sure or tick.telling
            if not self._sure:
                continue
            states = [self._engine.around(t - d) for d in c.delays()]
            if None not in states:
                c.look(t, z, width, gears.k[tick.gear], [s for s in states if s])
        del self._speeds[:done]

    def _look(self, t: float, i: int) -> None:
        gears = self._gears
        assert gears is not None
        stated, weight = None, 1.0
        if self._stated_gear and self._stated_gear[0] <= t + 0.1:
            stated, weight = self._stated_gear[1] - 1, 0.08
            self._stated_gear = None
        road = self._speed_at(t)
        if road is None:
            return
        v, v_rate, var, slow_var, rate_var, zero = road
        if zero and v < 0.7:
            self._ticks.append(self._stand(gears, t, i, stated))
            return
        if stated is not None and stated < 0:
            stated = None
        if not zero:
            self._standstill.moved()
        if v < 0.5:
            return
        track = self._engine.track
        n, n_rate = max(track.sx[i], 100.0), track.sr[i]
        per_m = gears.k[-1] * RPM_TO_RAD_S / KMH_TO_M_S
        # the road's torque at the pump depends on the gear; the ratio seen stands for it
        per_m = max(per_m, min(n / v, gears.k[0]) * RPM_TO_RAD_S / KMH_TO_M_S)
        torque, torque_sd, told = self._torque.pump(
            t, n, n_rate, per_m, v * KMH_TO_M_S, v_rate * KMH_TO_M_S, sqrt(rate_var) * KMH_TO_M_S
        )
        slip, slip_var = self.calibration.slip(t)
        look = Look(
            t, n, v, sqrt(var), sqrt(slow_var), torque, torque_sd, told, self._standstill.idle_rpm, stated, weight,
            None, slip, slip_var + 100.0,
        )  # fmt: skip
        self._ticks.append(gears.tick(look))

    def _stand(self, gears: Gears, t: float, i: int, stated: int | None) -> Tick:
        track, still = self._engine.track, self._road.still_since
        n, n_rate = track.sx[i], track.sr[i]
        stalled = gears.weigher.slip.stalled_nm(n)
        torque, torque_sd = self._torque.told(t, n, n_rate)
        neutral = self._standstill.tick(
            t, n, torque, torque_sd, stalled, None if stated is None else stated + 1
        )
        if neutral < 0.1 and still is not None and t - still > 1.5 and abs(n_rate) < 40.0:
            self._torque.idle(t, n, stalled, 0.6 * stalled)
        return gears.rest(t, neutral, stated if stated is not None and stated >= 0 else None)

    def _estimate(self, i: int) -> Estimate:
        track = self._engine.track
        t, n = track.t[i], self._engine.raw[i]
        e = Estimate(t, n)
        e.engine_accel_rpm_s, e.engine_accel_sd_rpm_s = track.sr[i], sqrt(track.sw[i])
        self._torque.into(e)
        tick = self._tick_at(t)
        if tick is None or self._gears is None:
            return e
        road = self._speed_at(t)
        if road is None:
            return e
        v, rate, var, slow_var, rate_var, _ = road
        var += slow_var
        e.road_speed_m_s, e.road_speed_sd_m_s = v * KMH_TO_M_S, sqrt(var) * KMH_TO_M_S
        e.road_accel_m_s2, e.road_accel_sd_m_s2 = rate * KMH_TO_M_S, sqrt(rate_var) * KMH_TO_M_S
        k, g = self._gears.k, tick.gear
        e.gear, e.gear_probability, e.locked_probability = g + 1, tick.probability, tick.locked
        e.turbine_rad_per_m = k[g] * self.calibration.scale * RPM_TO_RAD_S / KMH_TO_M_S
        turbine, t_var = tick.mean_k * v, tick.mean_k**2 * var + tick.spread_k2 * v * v
        if tick.still:
            self._launching = True
            e.regime = "neutral" if tick.neutral > 0.5 else "stationary_in_gear" if v < 0.5 else "launch"
            free = tick.neutral
            if free > 0.5:
                t_var += (1.0 - free) * (n - turbine) ** 2 + 100.0
                turbine = n - 5.0
            elif free > _RARE:
                t_var += free * (n - turbine) ** 2
        else:
            p = tick.locked * (1.0 - tick.shifting)
            s, s_var = self.calibration.slip(t)
            closed = n - s
            mean = p * closed + (1.0 - p) * turbine
            t_var = p * (s_var + (closed - mean) ** 2) + (1.0 - p) * (t_var + (turbine - mean) ** 2)
            turbine = mean
            if tick.shifting > 0.4:
                e.regime = "shift"
                self._launching = False
            elif p > 0.5:
                e.regime = "locked"
                self._launching = False
            elif n < turbine:
                e.regime = "coast"
            elif self._launching and g < 2 and turbine < 0.9 * n:
                e.regime = "launch"
            else:
                e.regime = "pull"
                self._launching = False
        t_var += 4.0
        e.turbine_rpm, e.turbine_sd_rpm = turbine, sqrt(t_var)
        e.slip_rpm, e.slip_sd_rpm = n - turbine, e.turbine_sd_rpm
        if n > 100.0:
            e.speed_ratio, e.speed_ratio_sd = turbine / n, e.turbine_sd_rpm / n
        self._torque.ratio_into(e)
        return e

    def _tick_at(self, t: float) -> Tick | None:
        ticks = self._ticks
        i = len(ticks) - 1
        while i > 0 and abs(ticks[i - 1].t - t) < abs(ticks[i].t - t):
            i -= 1
        return ticks[i] if i >= 0 and abs(ticks[i].t - t) < _STALE_S else None

    def _speed_at(self, t: float) -> tuple[float, float, float, float, float, bool] | None:
        """Road speed on the nominal scale [km/h] at t, rate, its variance from readings and from calibration,
        the rate's variance, and whether it reads zero."""
        c = self.calibration
        state = self._road.at(t + c.delay_s, c.offset_kmh)
        if state is None:
            return None
        u, rate, var, rate_var, zero = state
        v, v_var = c.road(u, rate)
        if zero:
            return max(u - c.offset_kmh, 0.0), rate, var, 0.0, rate_var, True
        return max(v, 0.0), rate, var, v_var, rate_var, False
