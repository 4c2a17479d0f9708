"""The linear-Gaussian limit against a textbook Kalman filter and smoother written out in matrices.

Sources: Kalman, J. Basic Eng. 82 (1960) 35; Rauch, Tung & Striebel, AIAA J. 3 (1965) 1445.
"""

from __future__ import annotations

import random

import numpy as np
import pytest

from livemon.estimate.engine_speed import EngineSpeed
from livemon.estimate.motion import Track

Q, R = 4.0, 0.25


def textbook(times: list[float], values: list[float]) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """Smoothed means and covariances of (x, rate)."""
    xs, ps, predicted = [], [], []
    x, p = np.array([values[0], 0.0]), np.diag([R, 9.0])
    xs.append(x)
    ps.append(p)
    h = np.array([[1.0, 0.0]])
    for before, t, z in zip(times, times[1:], values[1:], strict=False):
        dt = t - before
        f = np.array([[1.0, dt], [0.0, 1.0]])
        q = Q * np.array([[dt**3 / 3.0, dt**2 / 2.0], [dt**2 / 2.0, dt]])
        xp, pp = f @ x, f @ p @ f.T + q
        predicted.append((f, xp, pp))
        gain = pp @ h.T / (h @ pp @ h.T + R)
        x = xp + (gain * (z - xp[0])).ravel()
        p = pp - gain @ h @ pp
        xs.append(x)
        ps.append(p)
    for i in range(len(xs) - 2, -1, -1):
        f, xp, pp = predicted[i]
        g = ps[i] @ f.T @ np.linalg.inv(pp)
        xs[i] = xs[i] + g @ (xs[i + 1] - xp)
        ps[i] = ps[i] + g @ (ps[i + 1] - pp) @ g.T
    return xs, ps


def test_track_is_the_textbook_smoother() -> None:
    rng = random.Random(1)
    times = [0.0]
    for _ in range(60):
        times.append(times[-1] + rng.uniform(0.02, 0.3))
    values = [3.0 * t + rng.gauss(0.0, 0.5) for t in times]
    track = Track()
    track.push(times[0], values[0], 0.0, R, 0.0, 9.0, -1.0)
    for t, z in zip(times[1:], values[1:], strict=True):
        x, r, p, c, w = track.predict(t, Q)
        s, e = p + R, z - x
        track.push(t, x + p / s * e, r + c / s * e, p - p * p / s, c - p * c / s, w - c * c / s, Q)
    track.smooth(-1.0)
    means, covariances = textbook(times, values)
    for i, (m, v) in enumerate(zip(means, covariances, strict=True)):
        assert track.sx[i] == pytest.approx(m[0], abs=1e-9)
        assert track.sr[i] == pytest.approx(m[1], abs=1e-9)
        assert track.sp[i] == pytest.approx(v[0, 0], rel=1e-9)
        assert track.sw[i] == pytest.approx(v[1, 1], rel=1e-9)
    assert track.at(times[10]) is not None
    assert track.at(times[10])[0] == pytest.approx(track.sx[10])  # type: ignore[index]
    assert track.at(times[-1] + 5.0) is None


def test_engine_speed_keeps_up_with_a_shift() -> None:
    engine = EngineSpeed()
    t = 0.0
    while t < 3.0:
        engine.add(t, 2500.0 if t < 1.5 else max(1700.0, 2500.0 - 2500.0 * (t - 1.5)))
        t += 0.06
    engine.track.smooth(0.0)
    late = engine.track.at(2.6)
    assert late is not None and late[0] == pytest.approx(1700.0, abs=3.0)
    during = engine.track.at(1.65)
    assert during is not None and during[1] < -1500.0
