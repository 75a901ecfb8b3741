"""True motion of the shaft: angle against time, both ways, exactly as the scenario orders it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.synth.scenario import Shaft

Floats = NDArray[np.float64]

GRID_S = 1e-3
"""Spacing of the nodes between which the mean speed is a straight line."""

PROFILE_POINTS = 8192


@dataclass(frozen=True, eq=False)
class SpeedStep:
    """A lasting change of speed by `ratio`, over a straight ramp that starts at `at_s`."""

    at_s: float
    ratio: float
    ramp_s: float = 2e-3


@dataclass(frozen=True, eq=False)
class Motion:
    """Shaft angle in revolutions over true seconds.

    `node_s`, `node_speed`, `node_turns`, shape (n,): the mean speed in rev/s is a straight line between nodes;
    `node_turns` is its integral. What is fixed to the shaft bends angle against those mean turns: `warp`, shape
    (PROFILE_POINTS + 1,), is the mean turns spent at angle i / PROFILE_POINTS of a revolution. The angle is 0 at time 0
    plus `start`.
    """

    node_s: Floats
    node_speed: Floats
    node_turns: Floats
    warp: Floats
    start: float

    def time_at(self, angle_rev: Floats) -> Floats:
        """True seconds at which the shaft passes each angle (revolutions, absolute)."""
        return self._time_of_turns(self._turns_of_angle(angle_rev) - self._turns_of_angle(np.array([self.start]))[0])

    def angle_at(self, time_s: Floats) -> Floats:
        """Angle in revolutions at each true instant."""
        turns = self._turns_of_time(time_s) + self._turns_of_angle(np.array([self.start]))[0]
        whole = np.floor(turns)
        grid = np.arange(PROFILE_POINTS + 1) / PROFILE_POINTS
        angle = np.interp(turns - whole, self.warp, grid)
        return np.asarray(whole + angle)

    def speed_at(self, time_s: Floats) -> Floats:
        """Speed in rev/s at each true instant, shaft-fixed ripple included."""
        angle = self.angle_at(time_s)
        cell = np.clip(((angle - np.floor(angle)) * PROFILE_POINTS).astype(np.int64), 0, PROFILE_POINTS - 1)
        slope = (self.warp[cell + 1] - self.warp[cell]) * PROFILE_POINTS
        return np.asarray(np.interp(time_s, self.node_s, self.node_speed) / slope)

    def _turns_of_angle(self, angle_rev: Floats) -> Floats:
        whole = np.floor(angle_rev)
        grid = np.arange(PROFILE_POINTS + 1) / PROFILE_POINTS
        return np.asarray(whole + np.interp(angle_rev - whole, grid, self.warp))

    def _turns_of_time(self, time_s: Floats) -> Floats:
        cell = np.clip(np.searchsorted(self.node_s, time_s, side="right") - 1, 0, len(self.node_s) - 2)
        dt = time_s - self.node_s[cell]
        slope = (self.node_speed[cell + 1] - self.node_speed[cell]) / (self.node_s[cell + 1] - self.node_s[cell])
        return np.asarray(self.node_turns[cell] + dt * (self.node_speed[cell] + 0.5 * slope * dt))

    def _time_of_turns(self, turns: Floats) -> Floats:
        cell = np.clip(np.searchsorted(self.node_turns, turns, side="right") - 1, 0, len(self.node_s) - 2)
        width = self.node_s[cell + 1] - self.node_s[cell]
        v = self.node_speed[cell]
        slope = (self.node_speed[cell + 1] - v) / width
        left = turns - self.node_turns[cell]
        # The root of v dt + slope dt^2 / 2 = left in the form that stays exact as the slope goes to 0.
        root = np.sqrt(np.maximum(v * v + 2.0 * slope * left, 0.0))
        return np.asarray(self.node_s[cell] + 2.0 * left / (v + root))


def _warp(shaft: Shaft) -> Floats:
    """Mean turns spent up to each angle, from v(angle) = mean (1 + sum a_n sin(n angle + phase_n)).

    A revolution takes the mean over angle of 1 / (1 + ...), which differs from 1 by half the sum of the squared
    amplitudes; it is scaled to 1, so that the scenario's speed is revolutions over time.
    """
    if not shaft.orders:
        return np.linspace(0.0, 1.0, PROFILE_POINTS + 1)
    angle = (np.arange(PROFILE_POINTS) + 0.5) * (2.0 * np.pi / PROFILE_POINTS)
    ripple = np.zeros(PROFILE_POINTS)
    for order in shaft.orders:
        ripple += order.amplitude * np.sin(order.order * angle + np.deg2rad(order.phase_deg))
    turns = np.concatenate(([0.0], np.cumsum(1.0 / (1.0 + ripple))))
    return np.asarray(turns / turns[-1])


def _mean_speed(shaft: Shaft, node_s: Floats, steps: tuple[SpeedStep, ...], rng: np.random.Generator) -> Floats:
    if shaft.profile:
        at, speeds = np.array(shaft.profile).T
        speed = np.interp(node_s, at, speeds)
    else:
        speed = shaft.speed_rev_per_s + shaft.drift_rev_per_s2 * node_s
    if shaft.hunting is not None:
        swing = 2.0 * np.pi * node_s / shaft.hunting.period_s + np.deg2rad(shaft.hunting.phase_deg)
        speed = speed * (1.0 + shaft.hunting.amplitude * np.sin(swing))
    if shaft.random_walk > 0:
        kicks = rng.standard_normal(len(node_s) - 1) * np.sqrt(np.diff(node_s)) * shaft.random_walk
        speed = speed * np.exp(np.concatenate(([0.0], np.cumsum(kicks))))
    for step in steps:
        speed = speed * (1.0 + (step.ratio - 1.0) * np.clip((node_s - step.at_s) / step.ramp_s, 0.0, 1.0))
    return np.asarray(speed)


def make_motion(
    shaft: Shaft, from_s: float, to_s: float, steps: tuple[SpeedStep, ...], rng: np.random.Generator
) -> Motion:
    """Motion over at least [from_s, to_s]. Raises ValueError where the shaft would stop or turn back."""
    count = int(np.ceil((to_s - from_s) / GRID_S)) + 2
    even = from_s + np.arange(count) * GRID_S
    corners = [at for at, _ in shaft.profile] + [at for step in steps for at in (step.at_s, step.at_s + step.ramp_s)]
    inside = [at for at in corners if even[0] < at < even[-1]]
    node_s = np.unique(np.concatenate((even, np.array(inside, dtype=np.float64))))
    node_s = node_s[np.concatenate(([True], np.diff(node_s) > 1e-9))]
    start = rng.uniform(0.1, 0.9) if shaft.start_deg is None else shaft.start_deg / 360.0
    speed = _mean_speed(shaft, node_s, steps, rng)
    if not bool(np.all(speed > 0.02)):
        raise ValueError("the shaft slows to a stop; keep the speed above 0.02 rev/s throughout")
    turns = np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(node_s))))
    zero = int(np.searchsorted(node_s, 0.0, side="right")) - 1
    dt = -node_s[zero]
    slope = (speed[zero + 1] - speed[zero]) / (node_s[zero + 1] - node_s[zero])
    turns -= turns[zero] + dt * (speed[zero] + 0.5 * slope * dt)
    return Motion(node_s, speed, turns, _warp(shaft), start)
