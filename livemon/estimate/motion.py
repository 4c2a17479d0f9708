"""A quantity and its rate of change: forward filter, backward smoother, values in between.

State (x, r), white noise of density q on the rate's derivative. Forward: Kalman. Backward: Rauch, Tung &
Striebel, AIAA J. 3 (1965) 1445, run over the unsettled readings only, so memory and work stay bounded.
"""

from __future__ import annotations

from bisect import bisect_right
from typing import Final

_SAME: Final = 1e-4  # of a variance: a hundredth of a standard deviation


class Track:
    """Filtered and smoothed states at the times of the readings, newest last.

    p, c, w: variance of x, covariance, variance of r. q < 0 marks a state not linked to the one before.
    """

    __slots__ = ("c", "p", "q", "r", "sc", "smoothed", "sp", "sr", "sw", "sx", "t", "w", "x")

    def __init__(self) -> None:
        self.t: list[float] = []
        self.x: list[float] = []
        self.r: list[float] = []
        self.p: list[float] = []
        self.c: list[float] = []
        self.w: list[float] = []
        self.q: list[float] = []
        self.sx: list[float] = []
        self.sr: list[float] = []
        self.sp: list[float] = []
        self.sc: list[float] = []
        self.sw: list[float] = []
        self.smoothed: list[bool] = []

    def push(self, t: float, x: float, r: float, p: float, c: float, w: float, q: float) -> None:
        """Append the filtered state at time t, reached from the state before with noise density q."""
        self.t.append(t)
        self.x.append(x)
        self.r.append(r)
        self.p.append(p)
        self.c.append(c)
        self.w.append(w)
        self.q.append(q)
        self.sx.append(x)
        self.sr.append(r)
        self.sp.append(p)
        self.sc.append(c)
        self.sw.append(w)
        self.smoothed.append(False)

    def amend(self, state: tuple[float, float, float, float, float]) -> None:
        """The newest filtered state is better known by now."""
        self.x[-1], self.r[-1], self.p[-1], self.c[-1], self.w[-1] = state

    def predict(self, t: float, q: float) -> tuple[float, float, float, float, float]:
        """(x, r, p, c, w) at t from the newest filtered state."""
        dt = t - self.t[-1]
        qd = q * dt
        c, w, r = self.c[-1], self.w[-1], self.r[-1]
        return (
            self.x[-1] + r * dt,
            r,
            self.p[-1] + dt * (2.0 * c + dt * w) + qd * dt * dt / 3.0,
            c + dt * w + qd * dt * 0.5,
            w + qd,
        )

    def smooth(self, since: float) -> None:
        """Bring the smoothed states from the newest back to time `since` up to date.

        Ends early where a state comes out as it was: what is older has then heard all there is to hear.
        """
        t, x, r, p, c, w, q = self.t, self.x, self.r, self.p, self.c, self.w, self.q
        sx, sr, sp, sc, sw, smoothed = self.sx, self.sr, self.sp, self.sc, self.sw, self.smoothed
        i = len(t) - 1
        if i < 0:
            return
        bx, br, bp, bc, bw = x[i], r[i], p[i], c[i], w[i]
        sx[i], sr[i], sp[i], sc[i], sw[i] = bx, br, bp, bc, bw
        while i > 0 and t[i] > since:
            qd = q[i]
            dt = t[i] - t[i - 1]
            i -= 1
            pi, ci, wi = p[i], c[i], w[i]
            if qd < 0.0:
                bx, br, bp, bc, bw = x[i], r[i], pi, ci, wi
            else:
                qd *= dt
                a = pi + dt * ci  # P F' first row
                b = ci + dt * wi
                fp = a + dt * b + qd * dt * dt / 3.0  # predicted covariance
                fc = b + qd * dt * 0.5
                fw = wi + qd
                det = fp * fw - fc * fc
                g00 = (a * fw - ci * fc) / det
                g01 = (ci * fp - a * fc) / det
                g10 = (b * fw - wi * fc) / det
                g11 = (wi * fp - b * fc) / det
                ri = r[i]
                dx = bx - x[i] - ri * dt
                dr = br - ri
                bx = x[i] + g00 * dx + g01 * dr
                br = ri + g10 * dx + g11 * dr
                dp, dc, dw = bp - fp, bc - fc, bw - fw
                h00 = g00 * dp + g01 * dc
                h01 = g00 * dc + g01 * dw
                h10 = g10 * dp + g11 * dc
                h11 = g10 * dc + g11 * dw
                bp = pi + h00 * g00 + h01 * g01
                bc = ci + h00 * g10 + h01 * g11
                bw = wi + h10 * g10 + h11 * g11
            off = bx - sx[i]
            if off * off < _SAME * bp and smoothed[i]:
                sx[i], sr[i], sp[i], sc[i], sw[i] = bx, br, bp, bc, bw
                return
            sx[i], sr[i], sp[i], sc[i], sw[i] = bx, br, bp, bc, bw
            smoothed[i] = True

    def at(self, t: float) -> tuple[float, float, float, float] | None:
        """Smoothed (x, r, variance of x, variance of r) at t; None before the first state or in a gap."""
        times = self.t
        i = bisect_right(times, t) - 1
        if i < 0:
            return None
        x, r, p = self.sx[i], self.sr[i], self.sp[i]
        h = t - times[i]
        if i + 1 == len(times):
            if h > 1.0:
                return None
            q = max(self.q[i], 0.0) * h
            w = self.sw[i]
            return x + r * h, r, p + h * (2.0 * self.sc[i] + h * w) + q * h * h / 3.0, w + q
        q = self.q[i + 1]
        if q < 0.0:
            return (
                (x + r * h, r, p + h * (2.0 * self.sc[i] + h * self.sw[i]), self.sw[i]) if h < 0.3 else None
            )
        d = times[i + 1] - t
        s = h + d
        f = h / s
        e = 1.0 - f
        # cubic through both states; the bridge adds q h^3 e^3 / 3 / s^3 to the variance of x
        x1, r1 = self.sx[i + 1], self.sr[i + 1]
        y = e * e * ((1.0 + 2.0 * f) * x + h * r) + f * f * ((1.0 + 2.0 * e) * x1 - d * r1)
        v = e * p + f * self.sp[i + 1] + q * (h * e) ** 3 / 3.0
        return y, e * r + f * r1, v, e * self.sw[i] + f * self.sw[i + 1] + q * h * e

    def trim(self, before: float) -> int:
        """Forget states older than `before`, keeping one; returns how many went."""
        n = bisect_right(self.t, before) - 1
        if n <= 0:
            return 0
        for name in self.__slots__:
            del getattr(self, name)[:n]
        return n
