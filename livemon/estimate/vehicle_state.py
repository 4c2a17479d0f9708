"""Road, engine, gear and clutch over the unsettled readings; settles estimates in order."""

from __future__ import annotations

from bisect import bisect_right
from math import log, sqrt
from typing import Final

from livemon.estimate.broadcast import Signal
from livemon.estimate.engine_speed import EngineSpeed
from livemon.estimate.gear_finder import GearFinder
from livemon.estimate.gears import Gears, Tick
from livemon.estimate.locked import Locked
from livemon.estimate.moment import Look
from livemon.estimate.open_slip import OpenSlip
from livemon.estimate.ratios import output_rpm_per_kmh, rpm_per_kmh
from livemon.estimate.road_speed import RoadSpeed
from livemon.estimate.standstill import Standstill
from livemon.estimate.tell import Told, tell
from livemon.estimate.torque import Torque
from livemon.quantities import KMH_TO_M_S, RPM_TO_RAD_S
from livemon.records import Estimate
from livemon.vehicle import Vehicle, curves_of

TICK_S: Final = 0.18
_TICK_LAG_S: Final = 0.25
_STALE_S: Final = 1.2
_SILENT_S: Final = 5.0  # a finer source of road speed that says nothing for so long is gone
_NEAR_S: Final = 0.2  # states this much before the unsettled ones are still looked at
_SLIP_SD_RPM, _TOLD_SD_RPM = 25.0, 8.0  # of what the control holds slip at; where the file tells it
_CREEP_KMH, _IDLES = 12.0, 1.2  # slower, and engine no faster than so many times idle: rolling to a stop
_COUPLED: Final = -0.05  # ln slip above which an idling engine certainly drives the pump
_CURVE: Final = 0.4  # share of the pump's torque that curve and cold fluid leave open
_SETTLED_RPM_S: Final = 60.0
_HELD: Final = 0.03  # probability of neutral below which a stop teaches torque's zero
_RUNS_RPM: Final = 400.0  # slower, the engine is off or being started, and its torque says nothing
_EXACT: Final = 0.02  # relative sd of a gear's ratio that may calibrate the rest
_FOUND_SD: Final = 0.012  # of all ratios found together: they were found by the reported speed itself
_PROVEN_S: Final = 2.5  # a clutch that has been closed so long is

State = tuple[float, float, float, float, bool]  # of RoadSpeed.at, in the reading's own terms


class VehicleState:
    """`add` readings, `settle` what is old enough. `still`, `closed`: standing, and clutch closed, at the
    end."""

    def __init__(self, vehicle: Vehicle) -> None:
        self._k, self._scale_sd = rpm_per_kmh(vehicle)
        self._out_per_kmh = output_rpm_per_kmh(vehicle)
        target = vehicle.lockup_slip_target_rpm
        self._slip = (15.0, _SLIP_SD_RPM) if target is None else (target, _TOLD_SD_RPM)
        self._k_sd = [0.0] * len(self._k)
        self._curves = curves_of(vehicle)
        self._gears = Gears(self._k, self._k_sd, self._curves) if self._k else None
        self._finder = None if self._k else GearFinder(OpenSlip(self._curves))
        self._torque = Torque(vehicle)
        self._standstill = Standstill()
        self._width: float | None = None
        self.calibration = self._uncalibrated()
        self.turbine, self._output, self._lockup, self._shift = Signal(), Signal(), Signal(), Signal()
        self._launching = False
        self.lost()

    def _uncalibrated(self) -> Locked:
        return Locked(self._scale_sd, *self._slip, self._width or 1.0)

    def lost(self) -> None:
        """The clock was set: keep what was learned, forget where things stood."""
        self.engine, self.road = EngineSpeed(), RoadSpeed()
        self.turbine, self._output, self._lockup, self._shift = Signal(), Signal(), Signal(), Signal()
        self._torque.forget()
        self._standstill.lost()
        self._stated: tuple[float, int] | None = None
        if self._gears is not None:
            self._gears.lost()
        if self._finder is not None:
            self._finder.forget()
        self._speeds: list[tuple[float, float, float]] = []
        self._speed_s = -1e18  # newest reading of the source road speed is taken from
        self._ticks: list[Tick] = []
        self._closed_since = 0.0
        self._sure = False  # this locked stretch has shown that it is one
        self._chained = -1e18
        self._settled = 0
        self._tick_at_index = 0
        self.still = self.closed = False

    def add(self, t: float, quantity: str, value: float, resolution: float) -> bool:
        """False if the reading's time is not after the one before it."""
        if quantity == "engine_rpm":
            times = self.engine.track.t
            if times and t <= times[-1]:
                return False
            self.engine.add(t, value)
            self._torque.engine_rpm = value
        elif quantity == "vehicle_kmh":
            self._torque.road_kmh = value
            if t - self._output.newest_s < 1.0 and self._out_per_kmh:
                return True  # the output shaft tells it better
            return self._speed(t, value, resolution)
        elif quantity == "output_rpm":
            self._output.add(t, value)
            if self._out_per_kmh:
                return self._speed(t, value / self._out_per_kmh, 0.0)
        elif quantity == "turbine_rpm":
            self.turbine.add(t, value)
        elif quantity == "gear":
            self._stated = (t, int(value))
        elif quantity == "lockup":
            self._lockup.add(t, value)
        elif quantity == "shift_in_process":
            self._shift.add(t, value)
        else:
            self._torque.add(t, quantity, value)
        return True

    def _speed(self, t: float, value: float, resolution: float) -> bool:
        width = max(resolution, 0.02)
        if width != self._width:
            if self._width is not None and width > self._width and t - self._speed_s < _SILENT_S:
                return True  # a coarser source than the one that still tells
            self._width = width
            self.calibration = self._uncalibrated()
        self._speed_s = t
        if not self.road.add(t, value, width):
            return False
        if self._gears is not None:
            self._speeds.append((t, value, width))
        return True

    def settle(self, now: float, look_ahead: float) -> list[Estimate]:
        """Estimates of the engine-speed readings at least `look_ahead` before `now` (negative: of all)."""
        track = self.engine.track
        times = track.t
        since = times[self._settled] if self._settled < len(times) else now
        track.smooth(since - _NEAR_S)
        self.road.track.smooth(since - _NEAR_S)
        self._chain(now - (_TICK_LAG_S if look_ahead > 0.0 else -1.0))
        ticks = self._ticks
        if self._gears is not None and ticks:
            start = len(ticks)
            while start > 0 and ticks[start - 1].t > since - _NEAR_S:
                start -= 1
            self._gears.smooth(ticks, start)
        out = []
        until = now - look_ahead
        i, n = self._settled, len(times)
        while i < n and times[i] <= until:
            out.append(self._estimate(i))
            i += 1
        self._settled = i
        self._trim((times[i] if i < n else now) - 1.0)
        return out

    def _trim(self, before: float) -> None:
        track = self.engine.track
        gone = track.trim(before)
        if gone:
            self._settled -= gone
            del self.engine.raw[:gone]
        self.road.track.trim(before)
        self._torque.trim(before - 12.0)
        ticks = self._ticks
        n = 0
        while n + 2 < len(ticks) and ticks[n + 1].t < before:
            n += 1
        del ticks[:n]
        self._tick_at_index = max(0, self._tick_at_index - n)

    def _chain(self, until: float) -> None:
        """Move the gear chain and the locked-stretch filter on to `until`."""
        times, c = self.engine.track.t, self.calibration
        i, n = bisect_right(times, self._chained), len(times)
        while i < n and times[i] <= until:
            if times[i] >= self._chained + TICK_S:
                self._chained = times[i]
                self._look(times[i], i)
            i += 1
        done = 0
        for t, z, width in self._speeds:
            if t > until:
                break
            done += 1
            tick = self._tick(t - c.delay_s)
            if tick is None or tick.still or tick.locked * tick.probability < 0.9 or tick.shifting > 0.05:
                self._sure, self._closed_since = False, t
                continue
            self._sure = self._sure or tick.telling
            known = self._k_sd[tick.gear] < _EXACT
            if self._sure and known and t - self._closed_since > _PROVEN_S and c.wants(t, z):
                state = self.engine.around(t - c.delay_s)
                if state is not None:
                    c.look(t, z, width, self._k[tick.gear], state)
        del self._speeds[:done]

    def _look(self, t: float, i: int) -> None:
        """One tick of the chain, at engine-speed reading i."""
        road = self.speed_at(t)
        if road is None:
            return
        stated, weight = None, 1.0
        if self._stated and self._stated[0] <= t + 0.1:
            stated, weight = self._stated[1] - 1, 0.08
            self._stated = None
        v, v_rate, var, slow_var, rate_var, zero = road
        track, gears = self.engine.track, self._gears
        n, n_rate = max(track.sx[i], 100.0), track.sr[i]
        self.still = zero and v < 0.7
        if self.still:
            self.closed = False
            if self._finder is not None:
                self._finder.forget()
            self._ticks.append(self._stand(t, n, n_rate, stated))
            return
        if not zero:
            self._standstill.moved()
        if v < 0.5:
            return
        if self._finder is not None:
            stated = None  # numbers of gears found need not be the vehicle's
            if self._find(self._finder, t, i, v, sqrt(var), v_rate):
                return
        if gears is None:
            self._ticks.append(Tick(t))
            return
        # the road's torque at the pump depends on the gear; the ratio seen stands for it
        per_m = max(gears.k[-1], min(n / v, gears.k[0])) * RPM_TO_RAD_S / KMH_TO_M_S
        torque, torque_sd, told = self._torque.pump(
            t, n, n_rate, per_m, v * KMH_TO_M_S, v_rate * KMH_TO_M_S, sqrt(rate_var) * KMH_TO_M_S
        )
        off = self._torque.foot_off(t)
        slip, slip_var = self.calibration.slip(t)
        turbine = self.turbine.at(t)
        tick = gears.tick(
            Look(
                t, n if turbine is None else max(turbine[0], 50.0), v, sqrt(var), sqrt(slow_var),
                torque, torque_sd, told, off, self._standstill.idle_rpm,
                stated if stated is not None and stated >= 0 else None, weight, self._lockup.held(t),
                slip if turbine is None else 0.0, slip_var + 100.0,
            )
        )  # fmt: skip
        self.closed = tick.locked > 0.5
        self._ticks.append(tick)
        if told and off is not False and 1.0 < v < _CREEP_KMH and n < _IDLES * self._standstill.idle_rpm:
            # in gear for certain, which at a stop is not
            x = log(n / (self._k[tick.gear] * v))
            if x > _COUPLED and abs(n_rate) < _SETTLED_RPM_S:
                pump = gears.weigher.slip.torque_at(x, n)[0]
                self._torque.idle(t, n, pump, _CURVE * pump + 5.0)

    def _find(self, finder: GearFinder, t: float, i: int, v: float, v_sd: float, v_rate: float) -> bool:
        """Look for gears; true if there are others than before."""
        track, turbine, idle_rpm = self.engine.track, self.turbine.at(t), self._standstill.idle_rpm
        n, n_rate = max(track.sx[i], 100.0), track.sr[i]
        foot_off = self._torque.foot_off(t)
        nm, sd = self._torque.told(t, n, n_rate)
        if turbine is not None:
            n, nm, sd, foot_off = max(turbine[0], 50.0), 0.0, 1.0, False
        if foot_off is None:
            foot_off = n < 1.15 * idle_rpm if nm is None else nm < sd
        torque = None if nm is None else (nm, sd)
        if not finder.look(t, n, v, v_sd, v_rate, torque, foot_off, idle_rpm):
            return False
        self._k = [gear.rpm_per_kmh for gear in finder.gears]
        self._k_sd = [gear.sd for gear in finder.gears]
        known, self._gears = self._gears, Gears(self._k, self._k_sd, self._curves)
        if known is not None:
            self._gears.inherit(known)
        self._scale_sd = _FOUND_SD
        self.calibration = self._uncalibrated()
        self._ticks.clear()
        self._speeds.clear()
        self._tick_at_index = 0
        return True

    @property
    def found(self) -> list[float]:
        """Engine rpm per km/h of the gears found, first gear first, without those only guessed."""
        return [g.rpm_per_kmh for g in self._finder.gears if g.seen] if self._finder else []

    def _stand(self, t: float, n: float, n_rate: float, stated: int | None) -> Tick:
        gears, still_since = self._gears, self.road.still_since
        stalled = gears.weigher.slip.stalled_nm(n) if gears else 40.0
        torque, torque_sd = self._torque.told(t, n, n_rate)
        said = None if stated is None else stated + 1
        runs = n > _RUNS_RPM
        neutral = self._standstill.tick(t, n, torque if runs else None, torque_sd, stalled, said)
        long = still_since is not None and t - still_since > 1.5
        if runs and long and neutral < _HELD and abs(n_rate) < 40.0:
            self._torque.idle(t, n, stalled, 0.6 * stalled)
        if gears is None:
            tick = Tick(t)
            tick.still, tick.neutral = True, neutral
            return tick
        return gears.rest(t, neutral, stated if stated is not None and stated >= 0 else None)

    def newest(self) -> Estimate:
        """The estimate of the newest engine-speed reading, before anything after it was heard."""
        launching, at = self._launching, self._tick_at_index
        e = self._estimate(len(self.engine.track.t) - 1)
        self._launching, self._tick_at_index = launching, at
        return e

    def _estimate(self, i: int) -> Estimate:
        track = self.engine.track
        t = track.t[i]
        e = Estimate(t, self.engine.raw[i])
        e.engine_accel_rpm_s, e.engine_accel_sd_rpm_s = track.sr[i], sqrt(track.sw[i])
        self._torque.into(e)
        tick = self._tick(t)
        state = self._state_at(t) if tick is not None else None
        road, read = (self._on_scale(state), self._as_read(state)) if state is not None else (None, None)
        told = Told(
            tick, road, self._k, self._k_sd, self.calibration, self.turbine.at(t), self._launching, read
        )
        self._launching = tell(e, told)
        self._torque.ratio_into(e)
        return e

    def _tick(self, t: float) -> Tick | None:
        """The tick nearest to t."""
        ticks = self._ticks
        last = len(ticks) - 1
        i = min(self._tick_at_index, last)
        if i < 0:
            return None
        while i < last and abs(ticks[i + 1].t - t) <= abs(ticks[i].t - t):
            i += 1
        while i > 0 and abs(ticks[i - 1].t - t) < abs(ticks[i].t - t):
            i -= 1
        self._tick_at_index = i
        return ticks[i] if abs(ticks[i].t - t) < _STALE_S else None

    def speed_at(self, t: float) -> tuple[float, float, float, float, float, bool] | None:
        """Road speed on the nominal scale [km/h] at t, rate, its variance from readings and from calibration,
        the rate's variance, and whether it reads zero."""
        state = self._state_at(t)
        return None if state is None else self._on_scale(state)

    def _state_at(self, t: float) -> State | None:
        c = self.calibration
        return self.road.at(t + c.delay_s, c.offset_kmh)

    def _on_scale(self, state: State) -> tuple[float, float, float, float, float, bool]:
        c, (u, rate, var, rate_var, zero) = self.calibration, state
        if zero:
            return max(u - c.offset_kmh, 0.0), rate, var, 0.0, rate_var, True
        v, v_var = c.road(u, rate)
        return max(v, 0.0), rate, var, v_var, rate_var, False

    def _as_read(self, state: State) -> tuple[float, float]:
        """Road speed [km/h] with nothing learned but delay and rounding, and its sd."""
        c, (u, rate, var, _, _) = self.calibration, state
        return u - c.offset_kmh, sqrt(var + c.offset_var + (rate * c.delay_sd_s) ** 2)
