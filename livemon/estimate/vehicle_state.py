"""Road, engine, gear and clutch over the unsettled readings; settles estimates in order."""

from __future__ import annotations

from bisect import bisect_right
from math import inf, log, sqrt
from typing import Final

from livemon.estimate.gauge import as_read, on_scale, stands, state_at
from livemon.estimate.gear_finder import GearFinder
from livemon.estimate.gear_tick import RARE, Tick, at_rest
from livemon.estimate.gears import Gears
from livemon.estimate.locked import DELAY_S, SHAFT_DELAY_S, Locked
from livemon.estimate.moment import Look
from livemon.estimate.open_slip import OpenSlip
from livemon.estimate.proven_lock import ProvenLock
from livemon.estimate.ratios import rpm_per_kmh, usual_top
from livemon.estimate.seen import Seen
from livemon.estimate.standstill import Standstill
from livemon.estimate.tell import AT_REST_RPM, Told, tell
from livemon.estimate.ticks import Ticks
from livemon.estimate.told_clutch import ToldClutch
from livemon.estimate.torque import RUNS_RPM
from livemon.quantities import KMH_TO_M_S, RPM_TO_RAD_S
from livemon.records import Estimate
from livemon.vehicle import Vehicle, curves_of

TICK_S: Final = 0.18
_TICK_LAG_S: Final = 0.25
_NEAR_S: Final = 0.2  # states this much before the unsettled ones are still looked at
_SLIP_SD_RPM, _TOLD_SD_RPM = 25.0, 8.0  # of what the control holds slip at; where the file tells it
_CREEP_KMH, _IDLES = 12.0, 1.2  # slower, and engine no faster than so many times idle: rolling to a stop
_COUPLED: Final = -0.05  # ln slip above which an idling engine certainly drives the pump
# A row waits so long for what may change it: a gear in doubt, as two seconds mend most of what more would
# (docs/estimator.md); a stop, as nobody is in a hurry there.
DOUBT_S, STANDS_S = 2.0, 10.0
_SURE: Final = 0.98
_SETTLED_RPM_S: Final = 60.0
_LEAST_WEIGHT: Final = 0.05  # one saying of the gear is never worth more
_NEUTRAL: Final = -1  # a gear stated, counted from 0; reverse is below
_ROLLING_KMH: Final = 6.0
_EXACT: Final = 0.02  # relative sd of a gear's ratio that may calibrate the rest
_OPEN, _TOLD_X_SD = 0.1, 0.01  # surely open where turbine speed is told; ln slip there
_FOUND_SD: Final = 0.012  # of all ratios found together: they were found by the reported speed itself


class VehicleState:
    """`add` readings, `settle` what is old enough. `still`, `closed`: standing, clutch closed, at the end."""

    def __init__(self, vehicle: Vehicle) -> None:
        self._k, self._scale_sd = rpm_per_kmh(vehicle)
        self.seen = Seen(vehicle)
        target = vehicle.lockup_slip_target_rpm
        self._clutch = ToldClutch(target)
        self._inertia = vehicle.inertia_kg_m2.value * RPM_TO_RAD_S
        self._slip = (15.0, _SLIP_SD_RPM) if target is None else (target, _TOLD_SD_RPM)
        self._k_sd = [0.0] * len(self._k)
        self._curves = curves_of(vehicle)
        self._gears = Gears(self._k, self._k_sd, self._curves) if self._k else None
        self._open_slip = OpenSlip(self._curves)  # until gears are known, which learn their own
        self._finder = (
            None if self._k else GearFinder(self._open_slip, vehicle.gear_ratios, usual_top(vehicle))
        )
        self._standstill = Standstill(self.seen.torque.zero)
        self.calibration = self._uncalibrated()
        self._launching = self._closed = self._gaps = False
        self.lost()

    def _uncalibrated(self) -> Locked:
        delay_s = SHAFT_DELAY_S if self.seen.shaft else DELAY_S
        return Locked(self._scale_sd, *self._slip, self.seen.width or 1.0, delay_s)

    def lost(self) -> None:
        """The clock was set: keep what was learned, forget where things stood."""
        self.seen.forget()
        self._standstill.lost()
        if self._gears is not None:
            self._gears.lost()
        if self._finder is not None:
            self._finder.forget()
        self._proven = ProvenLock()
        self._ticks = Ticks()
        self._clutch.forget()
        self._chained = -1e18
        self._settled = 0
        self.still = self.closed = False

    def add(self, t: float, quantity: str, value: float, resolution: float) -> bool:
        """False if the reading's time is not after the one before it."""
        gauge = self.seen.width, self.seen.shaft
        taken = self.seen.add(t, quantity, value, resolution)
        if (self.seen.width, self.seen.shaft) != gauge:
            self.calibration = self._uncalibrated()
        return taken

    def settle(self, now: float, look_ahead: float, ends: bool = False) -> list[Estimate]:
        """Estimates of the engine-speed readings at least `look_ahead` before `now` (negative: of all).

        A gear in doubt waits up to DOUBT_S, a stop up to STANDS_S. ends: the drive does.
        """
        track = self.seen.engine.track
        times = track.t
        since = times[self._settled] if self._settled < len(times) else now
        track.smooth(since - _NEAR_S)
        self.seen.road.track.smooth(since - _NEAR_S)
        self._chain(now - (_TICK_LAG_S if look_ahead > 0.0 else -1.0))
        if self._gears is not None:
            self._gears.smooth(*self._ticks.since(since - _NEAR_S))
        if self.still:
            self._ticks.stood(self._standstill.smoothed(ends))
        out = []
        until = now - look_ahead
        i, n = self._settled, len(times)
        while i < n and times[i] <= until:
            tick = self._ticks.at(times[i])
            if look_ahead > 0.0 and self._waits(tick, times[i], now):
                break
            out.append(self._estimate(i, tick, self._ticks.open_k(tick, times[i])))
            i += 1
        self._settled = i
        self._trim((times[i] if i < n else now) - 1.0)
        return out

    def _waits(self, tick: Tick | None, t: float, now: float) -> bool:
        """Whether what comes next may well say another gear. A launch is warned of while it lasts: it waits
        for nothing."""
        if tick is None or self.seen.turbine.at(t) is not None:
            return False
        if tick.still:
            return self.still and now < t + STANDS_S and RARE < tick.neutral < 1.0 - RARE
        if self._launching and tick.gear == 0:
            return False
        return now < t + DOUBT_S and tick.probability - tick.shifting < _SURE

    @property
    def unsettled_s(self) -> float:
        """Time of the first engine-speed reading that waits."""
        times = self.seen.engine.track.t
        return times[self._settled] if self._settled < len(times) else inf

    def _trim(self, before: float) -> None:
        track = self.seen.engine.track
        gone = track.trim(before)
        if gone:
            self._settled -= gone
            del self.seen.engine.raw[:gone]
        self.seen.road.track.trim(before)
        self.seen.torque.trim(before - 12.0)
        self._ticks.trim(before)

    def _chain(self, until: float) -> None:
        """Move the gear chain and the locked-stretch filter on to `until`."""
        times, c = self.seen.engine.track.t, self.calibration
        i, n = bisect_right(times, self._chained), len(times)
        while i < n and times[i] <= until:
            if times[i] >= self._chained + TICK_S:
                self._chained = times[i]
                self._look(times[i], i)
            i += 1
        for t, z, width in self.seen.speeds_due(until):
            tick = self._proven.at(t, self._ticks.at(t - c.delay_s))
            if tick is not None and self._k_sd[tick.gear] < _EXACT and c.wants(t, z):
                state = self.seen.engine.around(t - c.delay_s)
                if state is not None:
                    c.look(t, z, width, self._k[tick.gear], state)

    def _look(self, t: float, i: int) -> None:
        """One tick of the chain, at engine-speed reading i."""
        state = state_at(self.seen, self.calibration, t)
        if state is None:
            return
        road = on_scale(self.calibration, state)
        stated, weight = None, 1.0
        said, neutral = self.seen.stated.at(t), self.seen.neutral.at(t)
        if said is not None:
            stated, weight = said[0] - 1, said[1]
        v, v_rate, var, slow_var, rate_var, zero = road
        track, gears = self.seen.engine.track, self._gears
        n, n_rate = max(track.sx[i], 100.0), track.sr[i]
        self.still = stands(road)
        if self.still:
            self.closed = False
            if self._finder is not None:
                self._finder.forget()
            if said is None and neutral is not None:
                stated, weight = _NEUTRAL, neutral[1]
            self._ticks.append(self._stand(t, n, n_rate, stated, weight))
            return
        if not zero:
            self._ticks.stood(self._standstill.moved())
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
        torque, torque_sd, told = self.seen.torque.pump(
            t, n, n_rate, per_m, v * KMH_TO_M_S, v_rate * KMH_TO_M_S, sqrt(rate_var) * KMH_TO_M_S
        )
        off = self.seen.torque.foot_off(t)
        slip, slip_var = self.calibration.slip(t)
        turbine = self._told_turbine(t, v)
        look = Look(
            t, n, self._inertia * n_rate, v, sqrt(var), sqrt(slow_var), torque, torque_sd, told, off,
            self._standstill.idle_rpm, stated if stated is not None and stated >= 0 else None, weight,
            self.seen.lockup.held(t), slip, slip_var + 100.0,
        )  # fmt: skip
        tick = gears.tick(look if turbine is None else look.by_turbine(turbine[0]))
        if turbine is not None and told and self._clutch.locked < _OPEN and turbine[0] > AT_REST_RPM:
            gears.weigher.slip.learn(log(n / turbine[0]), _TOLD_X_SD, n, torque, torque_sd)
        self.closed = (tick.locked if turbine is None else self._clutch.locked) > 0.5
        self._ticks.append(tick)
        if stated is not None and stated >= 0:
            self.seen.stated.judge(stated == tick.gear, tick.probability - tick.shifting)
        if told and off is not False and 1.0 < v < _CREEP_KMH and n < _IDLES * self._standstill.idle_rpm:
            # in gear for the most part, which at a stop it is less often
            x = log(n / (self._k[tick.gear] * v))
            if x > _COUPLED and abs(n_rate) < _SETTLED_RPM_S:
                pump = gears.weigher.slip.torque_at(x, n)[0]
                plain, plain_sd = self.seen.torque.plain(t, n, n_rate)
                if plain is not None:
                    self._standstill.rolled(t, plain, plain_sd, pump)

    def _find(self, finder: GearFinder, t: float, i: int, v: float, v_sd: float, v_rate: float) -> bool:
        """Look for gears; true if there are others than before."""
        track, turbine, idle_rpm = self.seen.engine.track, self._told_turbine(t, v), self._standstill.idle_rpm
        n, n_rate = max(track.sx[i], 100.0), track.sr[i]
        foot_off = self.seen.torque.foot_off(t)
        nm, sd = self.seen.torque.told(t, n, n_rate)
        if turbine is not None:
            n, nm, sd, foot_off = max(turbine[0], 50.0), 0.0, 1.0, False
        if foot_off is None:
            foot_off = n < 1.15 * idle_rpm if nm is None else nm < sd
        torque = None if nm is None else (nm, sd)
        if not finder.look(t, n, v, v_sd, v_rate, torque, foot_off, idle_rpm):
            return False
        self._k = [gear.rpm_per_kmh for gear in finder.gears]
        self._k_sd = [gear.sd for gear in finder.gears]
        self._gaps = finder.gaps
        known, self._gears = self._gears, Gears(self._k, self._k_sd, self._curves)
        if known is not None:
            self._gears.inherit(known)
        self._scale_sd = _FOUND_SD
        self.calibration = self._uncalibrated()
        self._ticks.clear()
        self.seen.speeds.clear()
        self._proven = ProvenLock()
        return True

    @property
    def found(self) -> list[float]:
        """Engine rpm per km/h of the gears found, first gear first, without those only guessed."""
        return [g.rpm_per_kmh for g in self._finder.gears if g.seen] if self._finder else []

    def _stand(self, t: float, n: float, n_rate: float, stated: int | None, weight: float) -> Tick:
        gears = self._gears
        stalled = self._slip_if_open.stalled_nm(n)
        said = None if stated is None else (stated == _NEUTRAL, max(weight, _LEAST_WEIGHT))
        torque, torque_sd = self.seen.torque.plain(t, n, n_rate) if n > RUNS_RPM else (None, 0.0)
        neutral = self._standstill.tick(t, n, torque, torque_sd, stalled, said)
        if gears is None:
            return at_rest(t, neutral)
        return gears.rest(t, neutral, stated if stated is not None and stated >= 0 else None)

    @property
    def _slip_if_open(self) -> OpenSlip:
        return self._gears.weigher.slip if self._gears else self._open_slip

    def newest(self) -> Estimate:
        """The estimate of the newest engine-speed reading, before anything after it was heard."""
        before, clutch = (self._launching, self._closed), self._clutch.state
        i = len(self.seen.engine.track.t) - 1
        tick = self._newest_tick(self.seen.engine.track.t[i])
        e = self._estimate(i, tick, (tick.mean_k, tick.spread_k2) if tick else (0.0, 0.0))
        self._launching, self._closed = before
        self._clutch.restore(clutch)
        return e

    def _newest_tick(self, t: float) -> Tick | None:
        """The chain is behind: where the vehicle has come to a stop since, that of the stop."""
        tick, state = self._ticks.at(t), state_at(self.seen, self.calibration, t)
        if tick is None or tick.still or state is None or not stands(on_scale(self.calibration, state)):
            return tick
        return at_rest(t, self._standstill.neutral)

    def _estimate(self, i: int, tick: Tick | None, open_k: tuple[float, float]) -> Estimate:
        track = self.seen.engine.track
        t = track.t[i]
        e = Estimate(t, self.seen.engine.raw[i])
        e.engine_accel_rpm_s, e.engine_accel_sd_rpm_s = track.sr[i], sqrt(track.sw[i])
        self.seen.torque.into(e)
        c, road, read = self.calibration, None, None
        if tick is not None and (state := state_at(self.seen, c, t)) is not None:
            road, read = on_scale(c, state), as_read(self.seen, c, t, state)
        turbine = self._told_turbine(t, 0.0 if road is None else road[0])
        self._clutch.take(e, turbine, self._slip_if_open, tick is not None and tick.gear == 0)
        told = Told(
            tick, open_k, road, self._k, self._k_sd, self.calibration, turbine, self._clutch.locked,
            self.seen.lockup.held(t), self.seen.shift.held(t), self._launching, self._closed,
            self._gaps, read,
        )  # fmt: skip
        self._launching = tell(e, told)
        self._closed = e.regime == "locked"
        self.seen.torque.ratio_into(e)
        return e

    def _told_turbine(self, t: float, kmh: float) -> tuple[float, float] | None:
        """(rpm, rpm/s) as the vehicle tells it; a turbine at rest in a vehicle that rolls is no turbine."""
        told = self.seen.turbine.at(t)
        return None if told is not None and told[0] < AT_REST_RPM and kmh > _ROLLING_KMH else told
