"""What slip each cause predicts for one window, with the nuisances that all windows of a drive share.

The causes: the clutch holds; holds so much torque and no more (or so much of what comes, and no more);
never comes on; holds, and K is far from its curve; holds, but one gear slips. What the clutch does not hold
the fluid carries, and K says at what slip.
Each row carries its own view of the nuisances, stepped by every window as far as the row explains it. One
such filter follows one story, and whether it takes 2 % for the tyre or for slip may hang on the first
windows: so each cause has several rows, which begin with other tyres.
"""

from __future__ import annotations

from enum import IntEnum
from math import hypot, log, sqrt
from typing import Final, NamedTuple

import numpy as np

from livemon.arrays import Array
from livemon.converter.curves import Curves, at

# What a worn clutch can hold: of peak engine torque, whatever comes (pressure that leaks), and of what comes
# (pressure follows torque, friction is gone).
HOLDS: Final = (0.04, 0.08, 0.13, 0.2, 0.3, 0.42)
HOLDS_SHARE: Final = (0.3, 0.5, 0.7, 0.85)
# Controlled slip is normal on many vehicles: a few tens of rpm. Without a target in the file; tight is apart.
_TARGET_RPM: Final = (25.0, 15.0)
_TARGET_SD_RPM: Final = 8.0
_HELD_SD_RPM: Final = 8.0  # how closely the control holds it
_TIGHT_SD_RPM: Final = 3.0
_FLAT, _FLATTEST = 1.2, 4.0  # d SR / d ln K at most: where K is flat it tells no speed ratio anyway
_LEAST_NM: Final = 2.0
_KNEE_SR: Final = 0.90
_TILT_SR: Final = 0.07  # K at SR 0.97 against K at 0.90
_K_WANDER: Final = 0.045  # ln K, from window to window, and half of what torque maps wander
_K_SHAPE: Final = 0.06  # and more so away from where the clutch works
# ln K per unit of SR below the knee: rms of seven published curves against those derived for them.
_BEND_SD: Final = 0.2
_STRANGE: Final = 2.5  # times the usual spread of K


class Nuisance(IntEnum):
    """Places in the state vector of a row."""

    SCALE = 0  # ln turbine speed: tyre, ratios, speed reading
    LEVEL = 1  # ln K at SR 0.9, and torque by a factor
    TILT = 2  # ln K at 0.97 more than at 0.9
    OFFSET = 3  # N m at the pump
    TARGET = 4  # rpm of slip that the control holds
    BEND = 5  # ln K, growing with each unit of SR below 0.9


SIZE: Final = len(Nuisance)


class Torque(NamedTuple):
    """Pump torque of one window and its sd, apart from what the drive shares [N m]."""

    value_nm: float
    sd_nm: float
    told: bool = True  # by a signal, which may be off by so much all drive; else worked out from the road


class Predicted(NamedTuple):
    """Slip with the clutch on [0], open [1] and closed tight [2], row by row: value, variance of the moment
    [rpm].

    `ph`: covariance with the nuisances; `total`: variance with what they leave open.
    """

    slip: Array
    variance: Array
    ph: Array
    total: Array


ON, OPEN, TIGHT = 0, 1, 2
# Of ln turbine speed: tyre and speedometer; a ratio found in this drive. Common practice, no source; at twice
# the second, and thrice, a worn clutch and one gear's slip were told apart no better (docs/diagnosis.md).
SCALE_SD, FOUND_SCALE_SD = 0.015, 0.03
# Where the rows of one cause begin: scale in standard deviations, and share; together they have the mean and
# variance of one row with the whole spread.
_BEGINNINGS: Final = ((-1.1, 0.27), (0.0, 0.46), (1.1, 0.27))
_NARROWER: Final = sqrt(1.0 - sum(share * begin * begin for begin, share in _BEGINNINGS))


class SlipRows:
    """Order of causes: sound, worn by HOLDS, worn by HOLDS_SHARE, never on, strange, first gear slips, second
    ...; of rows: all causes of one beginning, then all of the next."""

    def __init__(
        self,
        curves: Curves,
        torque_nm: float,
        target_rpm: float | None,
        gears: int,
        scale_sd: float = SCALE_SD,
    ) -> None:
        worn = len(HOLDS) + len(HOLDS_SHARE)
        self.causes = causes = 3 + worn + gears
        self.count = causes * len(_BEGINNINGS)
        self.sound, self.worn, self.never = 0, slice(1, 1 + worn), 1 + worn
        self.strange = 2 + worn  # sound, with a converter quite unlike its curve
        self.first_gear = 3 + worn
        self.target_rpm, target_sd = _TARGET_RPM if target_rpm is None else (target_rpm, _TARGET_SD_RPM)
        self._torque_nm = torque_nm
        holds_nm, share = np.zeros(causes), np.zeros(causes)
        holds_nm[1 : 1 + len(HOLDS)] = np.array(HOLDS) * torque_nm
        share[1 + len(HOLDS) : 1 + worn] = HOLDS_SHARE
        share[[self.sound, *range(self.strange, causes)]] = 1.0
        self._holds_nm: Array = np.tile(holds_nm, len(_BEGINNINGS))
        self._share: Array = np.tile(share, len(_BEGINNINGS))
        self._ln_begins: Array = np.log([[part] for _, part in _BEGINNINGS])
        self._passes: Array = np.array(
            (1.0 - self._share, np.ones(self.count))
        )  # of more torque, to the fluid
        self._ratio: Array = np.linspace(0.0, 0.995, 200)
        ln_k = np.log([at(curves.k, float(ratio)) for ratio in self._ratio])
        self._ln_k: Array = np.maximum.accumulate(ln_k) + 1e-4 * np.arange(len(ln_k))
        slope = np.gradient(self._ln_k, self._ratio)
        self._flow: Array = np.minimum(1.0 / np.maximum(slope, 1e-3), _FLAT)  # d SR / d ln K
        k_sd = [at(curves.k_sd, ratio) / at(curves.k, ratio) for ratio in (0.9, 0.97)]
        # Torque by a factor counts half, as K goes with its root.
        level, tilt = hypot(0.06, k_sd[0], 0.5 * 0.08), max(0.08, k_sd[1] - k_sd[0])
        sd = (scale_sd, min(level, 0.2), tilt, max(8.0, 0.06 * torque_nm), target_sd, _BEND_SD)
        self._at_target: Array = np.zeros(SIZE)
        self._at_target[Nuisance.TARGET] = 1.0
        self.x: Array = np.zeros((self.count, SIZE))
        self.x[:, Nuisance.TARGET] = self.target_rpm
        self.p: Array = np.tile(np.diag(np.square(sd)), (self.count, 1, 1))
        strange = np.ones(SIZE)
        strange[[Nuisance.LEVEL, Nuisance.TILT, Nuisance.BEND]] = _STRANGE
        self.p[self.strange :: causes] *= np.outer(strange, strange)
        self.x[:, Nuisance.SCALE] = sd[Nuisance.SCALE] * np.repeat(
            [begin for begin, _ in _BEGINNINGS], causes
        )
        self.p[:, Nuisance.SCALE, Nuisance.SCALE] *= _NARROWER**2
        self._gear = 0  # of those found in this drive, the scale is of
        self._scales: dict[int, tuple[Array, Array]] = {}  # and what is known of the others'
        self._unknown = self._scale()
        self._x_before, self._p_before = self.x.copy(), self.p.copy()
        self._walk = np.diag(np.square((0.0005, 0.002, 0.0, 0.002 * torque_nm, 0.0, 0.0)))

    def in_gear(self, gear: int) -> None:
        """Where ratios were found in this drive each gear has its own scale: from now on it is this one's."""
        if gear == self._gear:
            return
        self._scales[self._gear], self._gear = self._scale(), gear
        mean, variance = self._scales.get(gear, self._unknown)
        self.x[:, Nuisance.SCALE] = mean
        self.p[:, Nuisance.SCALE, :] = self.p[:, :, Nuisance.SCALE] = 0.0
        self.p[:, Nuisance.SCALE, Nuisance.SCALE] = variance
        self.begin()

    def _scale(self) -> tuple[Array, Array]:
        """Mean and variance, row by row."""
        return self.x[:, Nuisance.SCALE].copy(), self.p[:, Nuisance.SCALE, Nuisance.SCALE].copy()

    def know_scale(self, sd: float) -> None:
        """The estimate knows turbine speed at least this well, as a share of it."""
        sd *= _NARROWER  # of one row; what they begin with spreads them by the rest
        now = self.p[:, Nuisance.SCALE, Nuisance.SCALE]
        if now.max() <= sd * sd:
            return
        less = np.minimum(sd / np.sqrt(now), 1.0)
        self.x[:, Nuisance.SCALE] *= less
        self.p[:, Nuisance.SCALE, :] *= less[:, None]
        self.p[:, :, Nuisance.SCALE] *= less[:, None]

    def predict(
        self, rpm: float, turbine_rpm: float, torque: Torque, noise_rpm: float, told: bool = False
    ) -> Predicted:
        """Of every row; how far off each may be depends on what was seen: K is steep here and flat there.

        told: turbine speed is the vehicle's own, not road speed times ratio."""
        offset = self.x[:, Nuisance.OFFSET] if torque.told else np.zeros(self.count)
        comes = np.maximum(torque.value_nm + offset, _LEAST_NM)
        held = np.maximum(np.minimum(self._holds_nm, comes), self._share * comes)
        seen = turbine_rpm / rpm
        fluid = self._fluid(rpm, seen, np.array((comes - held, comes)), torque.sd_nm)
        slip, h, sd = (np.concatenate((of, of[:1])) for of in fluid)  # TIGHT begins as ON
        target = self.x[:, Nuisance.TARGET]
        if not torque.told:
            h[:, :, Nuisance.OFFSET] = 0.0
        at_target = slip[ON] <= target
        slip[ON] = np.where(at_target, target, slip[ON])
        h[ON, at_target] = self._at_target
        sd[ON, at_target] = _HELD_SD_RPM
        # Many controls let it slip in some gears and close it in others.
        slip[TIGHT, at_target], h[TIGHT, at_target], sd[TIGHT, at_target] = 0.0, 0.0, _TIGHT_SD_RPM
        scaled_rpm = 0.0 if told else turbine_rpm
        h[:, :, Nuisance.SCALE] = scaled_rpm
        variance = sd * sd + noise_rpm * noise_rpm
        ph = np.matmul(self.p, h[..., None])[..., 0]
        total = (ph * h).sum(2) + variance
        return Predicted(slip + scaled_rpm * self.x[:, Nuisance.SCALE], variance, ph, total)

    def _fluid(
        self, rpm: float, seen: float, fluid_nm: Array, torque_sd_nm: float
    ) -> tuple[Array, Array, Array]:
        """(slip at which the fluid carries `fluid_nm`, regressors, sd of the moment) [rpm], on and open."""
        fluid = np.maximum(fluid_nm, 0.5 * _LEAST_NM)
        want = log(rpm) - 0.5 * np.log(fluid) - self.x[:, Nuisance.LEVEL]
        above = np.interp(want, self._ln_k, self._ratio) - _KNEE_SR
        below, tilt = np.maximum(-above, 0.0), above / _TILT_SR
        tilt = np.minimum(np.maximum(tilt, -3.0), 1.2)
        want -= tilt * self.x[:, Nuisance.TILT] + below * self.x[:, Nuisance.BEND]
        ratio = np.interp(want, self._ln_k, self._ratio)
        # rpm of slip a unit of ln K, over the way from here to what was seen.
        ln_k_seen = float(np.interp(seen, self._ratio, self._ln_k))
        apart, ahead = want - ln_k_seen, ratio - seen
        here = np.interp(want, self._ln_k, self._flow)
        far = np.abs(apart) > 0.02
        flow = rpm * np.where(far, np.minimum(ahead / np.where(far, apart, 1.0), _FLATTEST), here)
        h = np.zeros((2, self.count, SIZE))
        h[:, :, Nuisance.LEVEL] = flow
        h[:, :, Nuisance.TILT] = flow * tilt
        h[:, :, Nuisance.BEND] = flow * below
        by_torque = 0.5 * flow * self._passes / fluid
        h[:, :, Nuisance.OFFSET] = by_torque
        shape = _K_WANDER + _K_SHAPE * np.maximum(_KNEE_SR - np.minimum(ratio, seen), 0.0)
        sd = np.hypot(flow * shape, by_torque * torque_sd_nm)
        return rpm * (1.0 - ratio), h, sd

    def step(self, off: Array, ph: Array, total: Array, weight: Array) -> None:
        """One Kalman step a row, as large as the row's explanation is believed (`weight` 0 to 1)."""
        gain = ph * (weight / total)[:, None]
        self.x += gain * off[:, None]
        half = gain[:, :, None] * (ph - 0.5 * total[:, None] * gain)[:, None, :]
        self.p += self._walk - half - half.transpose(0, 2, 1)

    def of_causes(self, rows: Array) -> Array:
        """ln likelihood of every cause, from that of its rows."""
        together: Array = np.logaddexp.reduce(self._by_beginning(rows))
        return together

    def likeliest(self, rows: Array, cause: int) -> int:
        """The row that a cause is likeliest by; rows: ln likelihood of each."""
        return cause + self.causes * int(np.argmax(self._by_beginning(rows)[:, cause]))

    def _by_beginning(self, rows: Array) -> Array:
        each: Array = rows.reshape(len(_BEGINNINGS), self.causes) + self._ln_begins
        return each

    def offset_nm(self, row: int) -> float:
        """What one row adds to the torque signal."""
        return float(self.x[row, Nuisance.OFFSET])

    def at_rest(self, turbine_rpm: float, slip_rpm: float, sd_rpm: float) -> None:
        """No torque to hold and the clutch on: worn or not it does not slip, so slip shows the scale."""
        off = slip_rpm - turbine_rpm * self.x[:, Nuisance.SCALE]
        ph = turbine_rpm * self.p[:, :, Nuisance.SCALE]
        total = turbine_rpm * ph[:, Nuisance.SCALE] + sd_rpm * sd_rpm
        believed = 1.0 / (1.0 + 0.02 * np.exp(np.minimum(0.5 * off * off / total, 50.0)))
        self.step(off, ph, total, 0.5 * believed)

    def begin(self) -> None:
        """A stretch begins."""
        self._x_before[:], self._p_before[:] = self.x, self.p

    def unlearn(self, odd: Array) -> None:
        """As far as a row takes the stretch for odd (0 to 1), it has learnt nothing from it."""
        self.x += odd[:, None] * (self._x_before - self.x)
        self.p += odd[:, None, None] * (self._p_before - self.p)
