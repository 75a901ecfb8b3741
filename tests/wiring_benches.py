"""Random benches of every wiring, with strangers on other lines, for tests and studies of roles and decoding."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Capture, Channel
from spinlag.leds import decode_chains
from spinlag.leds.updates import ChainUpdates
from spinlag.rig import Rig
from spinlag.synth import Simulation, scenario_from_mapping, simulate
from spinlag.synth.random import random_scenario
from spinlag.synth.truth import TrueChain

WIRINGS = ("one-wire", "clocked", "latched", "direct", "dimmed")
STRANGERS = ("encoder", "serial", "sensor-bus", "two-wire-bus", "strobe", "idle")
_ROLE_OF_KEY = {"clock": "leds-clock", "latch": "leds-latch", "blank": "leds-blank", "lines": "leds-direct"}
_FAMILIES = {"index": "index", "motor": "motor-phase", "leds": "leds-data", "markers": "marker"}


@dataclass(frozen=True, eq=False)
class Bench:
    """A simulated display whose capture also holds lines that are none of its own (`strange`, by name)."""

    simulation: Simulation
    capture: Capture
    strange: frozenset[str]

    def wanted(self) -> dict[str, set[str]]:
        """Channel name -> roles that are right for it."""
        roles: dict[str, set[str]] = {}
        for key, name in self.simulation.rig.channels().items():
            role = _FAMILIES[key.partition(".")[0].partition("[")[0]]
            if role == "leds-data":
                role = _ROLE_OF_KEY.get(key.partition(".")[2].partition("[")[0], role)
            roles[name] = {role}
        # the two tracks of an encoder look like two motor lines, and turn with the shaft as these do
        roles |= {name: {"other", "marker", *(["motor-phase"] if "ENC" in name else [])} for name in self.strange}
        for _, two in pairwise_same(self.capture):
            roles[two] = roles[two] | {"other"}
        for channel in self.capture.channels:
            if len(channel.edges) == 0:
                roles[channel.name] = {"idle"}
        return roles


def pairwise_same(capture: Capture) -> list[tuple[str, str]]:
    """Pairs of channels, in order, whose edges are the same."""
    seen: dict[bytes, str] = {}
    found = []
    for channel in capture.channels:
        key = np.asarray(channel.edges[:]).tobytes()
        if len(channel.edges) and key in seen:
            found.append((seen[key], channel.name))
        seen.setdefault(key, channel.name)
    return found


def random_bench(
    rng: np.random.Generator, wiring: str, *, chains: int = 1, strangers: tuple[str, ...] = (), **scenario: Any
) -> Bench:
    """A display whose first chain has that wiring; more chains are of the same or another one. `dimmed` stands for
    direct lines with pulse width."""
    kind: Any = "direct" if wiring == "dimmed" else wiring
    drawn = random_scenario(rng, wiring=kind, **{"markers": "innocent", **scenario})
    tables = drawn.model_dump(exclude_none=True)
    if wiring == "dimmed":
        tables["picture"]["kind"] = "noise"
        tables["leds"] = [{**tables["leds"][0], "pwm_hz": float(rng.uniform(2e3, 20e3))}]
    if wiring == "direct" and (chains > 1 or rng.random() < 0.5):
        tables["picture"]["kind"] = "noise"
    for number in range(1, chains):
        tables["leds"] = [*tables["leds"], _another(rng, tables["leds"][0], number)]
    simulation = simulate(scenario_from_mapping(tables))
    capture = simulation.capture
    found = [channel for kind in strangers for channel in strange_lines(rng, kind, capture)]
    capture = replace(capture, channels=(*capture.channels, *found))
    return Bench(simulation, capture, frozenset(channel.name for channel in found))


def _another(rng: np.random.Generator, first: dict[str, Any], number: int) -> dict[str, Any]:
    """Like the first chain but on lines of its own, or a short one on one wire or of shift registers."""
    kind = str(rng.choice(["alike", "one-wire", "latched"]))
    begin = number * first["count"]
    if kind == "one-wire":
        table: dict[str, Any] = {"wiring": "one-wire", "count": 2, "data": "DOUT"}
    elif kind == "latched":
        table = {"wiring": "latched", "count": 16, "data": "SER", "clock": "SRCLK", "latch": "RCLK"}
    else:
        table = dict(first)
    for key in ("data", "clock", "latch", "blank"):
        if key in table:
            table[key] = f"{table[key]}_{number}"
    if "lines" in table:
        table["lines"] = tuple(f"{line}_{number}" for line in table["lines"])
    # its port is served a little after the first one's, or at once
    offset = float(rng.choice([0.0, rng.uniform(0.5, 40.0)]))
    return {**table, "name": f"chain{number}", "first_led": begin, "offset_us": offset}


def strange_lines(rng: np.random.Generator, kind: str, capture: Capture) -> list[Channel]:
    """Lines of that kind over the whole capture, sampled as its other lines are."""
    made = {
        "encoder": _encoder,
        "serial": _serial,
        "sensor-bus": _sensor_bus,
        "two-wire-bus": _two_wire_bus,
        "strobe": _strobe,
        "idle": _idle,
    }[kind](rng, capture.duration_s)
    period = float(capture.sample_period.ticks)
    found = []
    for name, initial, times in made:
        samples = np.ceil(np.sort(np.asarray(times, dtype=np.float64)) / float(capture.tick) / period)
        ticks = capture.start + np.rint(samples * period).astype(np.int64)
        ticks = ticks[(ticks > capture.start) & (ticks < capture.end)]
        # two changes within one sample leave no trace
        values, counts = np.unique(ticks, return_counts=True)
        found.append(Channel(name, name, initial, values[counts % 2 == 1]))
    return found


Line = tuple[str, int, Any]


def _encoder(rng: np.random.Generator, duration: float) -> list[Line]:
    """Two square waves a quarter period apart, of a shaft that wanders."""
    lines = int(rng.choice([100, 256, 512]))
    rate = lines * float(rng.uniform(15.0, 40.0))
    quarter = 1.0 / rate / 4 * (1 + 0.01 * np.sin(np.arange(int(duration * rate * 4)) / 200.0))
    at = np.cumsum(quarter)
    return [("ENC_A", 0, at[0::2]), ("ENC_B", 0, at[1::2])]


def _serial(rng: np.random.Generator, duration: float) -> list[Line]:
    """An asynchronous serial line: start bit, eight bits, stop bit, in messages."""
    baud = float(rng.choice([9600.0, 115200.0, 460800.0]))
    edges, at = [], float(rng.uniform(0.0, 0.01))
    while at < duration:
        for byte in rng.integers(0, 256, int(rng.integers(1, 24))).tolist():
            bits = np.array([0, *((byte >> k) & 1 for k in range(8)), 1])
            change = np.flatnonzero(np.diff(np.concatenate(([1], bits))))
            edges.append(at + change / baud)
            at += 10 / baud
        at += float(rng.exponential(0.02))
    return [("TX", 1, np.concatenate(edges) if edges else np.empty(0))]


def _messages(rng: np.random.Generator, duration: float) -> NDArray[np.float64]:
    """Instants at which a bus is busy: on a timer, or at random."""
    if rng.random() < 0.5:
        return np.arange(float(rng.uniform(0.0, 1e-3)), duration, float(rng.uniform(1e-3, 8e-3)))
    return np.cumsum(rng.exponential(4e-3, max(2, int(duration / 4e-3))) + 3e-4)


def _sensor_bus(rng: np.random.Generator, duration: float) -> list[Line]:
    """A synchronous bus to a sensor: select goes low, clocks, data both ways, messages of several lengths."""
    rate = float(rng.uniform(0.5e6, 2e6))
    clock, out, back, select = [], [], [], []
    level = [0, 0]
    for at in _messages(rng, duration).tolist():
        bits = 8 * int(rng.choice([2, 3, 7]))
        rise = at + (np.arange(bits) + 1) / rate
        clock.append(np.stack((rise, rise + 0.5 / rate), axis=1).ravel())
        for line, edges in enumerate((out, back)):
            values = np.concatenate(([level[line]], rng.integers(0, 2, bits)))
            edges.append(rise[np.diff(values) != 0] - 0.45 / rate)
            level[line] = int(values[-1])
        select.append(np.array([at, rise[-1] + 1.0 / rate]))
    parts = [np.concatenate(edges) for edges in (clock, out, back, select)]
    return [("BUS_CK", 0, parts[0]), ("BUS_DI", 0, parts[1]), ("BUS_DO", 0, parts[2]), ("BUS_CS", 1, parts[3])]


def _two_wire_bus(rng: np.random.Generator, duration: float) -> list[Line]:
    """An open-drain bus of clock and data: start, bytes of nine clocks, stop; both rest high."""
    rate = float(rng.choice([100e3, 400e3]))
    count = int(rng.choice([2, 3, 8]))
    clock, data = [], []
    for at in _messages(rng, duration).tolist():
        fall = at + 0.5 / rate + np.arange(9 * count + 1) / rate
        clock.append(np.stack((fall, fall + 0.5 / rate), axis=1).ravel())
        bits = np.concatenate(([0], rng.integers(0, 2, 9 * count), [0]))
        change = np.flatnonzero(np.diff(bits))
        # start: data fall while the clock is high; then change in its lows; stop: rise while it is high again
        data.append(np.concatenate(([at], fall[change] + 0.2 / rate, [fall[-1] + 1.0 / rate])))
    return [("SCL", 1, np.concatenate(clock)), ("SDA", 1, np.concatenate(data))]


def _strobe(rng: np.random.Generator, duration: float) -> list[Line]:
    """A pulse-width modulated line of one duty, as of a fan or a lamp."""
    rate, duty = float(rng.uniform(50.0, 25e3)), float(rng.uniform(0.1, 0.9))
    rise = np.arange(0.2 / rate, duration, 1.0 / rate)
    return [("FAN", 0, np.stack((rise, rise + duty / rate), axis=1).ravel())]


def _idle(rng: np.random.Generator, duration: float) -> list[Line]:
    return [("SPARE", int(rng.integers(2)), np.empty(0))]


def wrong_bytes(bench: Bench, rig: Rig) -> list[str]:
    """What differs, chain by chain, between what this rig decodes and what was sent; nothing where all is equal."""
    decoded = decode_chains(bench.capture, rig)
    found: list[str] = []
    scenario = bench.simulation.scenario.leds
    for truth, chain, made in zip(bench.simulation.truth.chains, bench.simulation.rig.leds, scenario, strict=True):
        if getattr(made, "pwm_hz", None) is not None:
            # duties are measured, not sent
            continue
        direct = set(chain.channels.values()) if chain.wiring == "direct" else {chain.data}
        match = [
            mine
            for mine, table in zip(decoded, rig.leds, strict=True)
            if (direct & set(table.channels.values()) and table.wiring == "direct") or table.data == chain.data
        ]
        if len(match) != 1:
            found.append(f"{truth.name}: {len(match)} chains decoded on its lines")
            continue
        table = next(table for table in rig.leds if table.name == match[0].name)
        told = _direct_differs if truth.wiring == "direct" else _sent_differs
        if said := told(bench, truth, match[0], tuple(table.channels.values())):
            found.append(f"{truth.name} ({truth.wiring}): {said}")
    return found


def _bits_of(data: NDArray[np.uint8], offsets: NDArray[np.int64], bits: NDArray[np.int64], i: int) -> str:
    some = np.unpackbits(data[offsets[i] : offsets[i + 1]])[: bits[i]]
    return "".join(map(str, some.tolist()))


def _sent_differs(bench: Bench, truth: TrueChain, mine: ChainUpdates, _: tuple[str, ...]) -> str:
    capture = bench.capture
    scale = (1.0 + bench.simulation.truth.clock_error) / float(capture.tick)
    rows = np.flatnonzero(truth.whole)
    # the last edge of the clock or, on one wire, of the data
    due = truth.last_s[rows] * scale + capture.start
    at = np.clip(np.searchsorted(mine.last, due), 1, max(len(mine) - 1, 1))
    if not len(mine):
        return "no updates"
    at = np.where(abs(mine.last[at - 1] - due) < abs(mine.last[np.minimum(at, len(mine) - 1)] - due), at - 1, at)
    at = np.minimum(at, len(mine) - 1)
    if len(np.unique(at)) < len(rows) - 1 or abs(len(mine) - len(truth)) > 2:
        return f"{len(mine)} updates decoded, {len(truth)} sent"
    if mine.whole[at].sum() < len(rows) - 2:
        return f"only {mine.whole[at].sum()} of {len(rows)} whole updates are taken for whole"
    wrong = 0
    for i, j in zip(rows.tolist(), at.tolist(), strict=True):
        sent = _bits_of(truth.data, truth.offsets, truth.bits, i)
        got = _bits_of(mine.data, mine.offsets, mine.bits, j)
        # outputs of the registers that carry no LED are filled with zeros, and shifted out first
        lead = len(got) - len(sent) if truth.wiring == "latched" else 0
        if lead < 0 or got != "0" * lead + sent:
            wrong += bool(mine.whole[j])
    return f"{wrong} of {len(rows)} updates differ" if wrong else ""


def _direct_differs(bench: Bench, truth: TrueChain, mine: ChainUpdates, lines: tuple[str, ...]) -> str:
    own = next(c for c in bench.simulation.scenario.leds if c.name == truth.name)
    live = [line for line in own.lines if len(bench.capture.channel(line).edges)]
    if not set(live) <= set(lines):
        return f"lines {set(live) - set(lines)} left out"
    rows = np.flatnonzero(truth.whole)
    sent = [_bits_of(truth.data, truth.offsets, truth.bits, int(i)) for i in rows]
    # lines on one beat are one chain for the guess, whatever chains they are
    got = [_bits_of(mine.data, mine.offsets, mine.bits, i) for i in range(len(mine))]
    told = _changes(got, [lines.index(line) for line in live])
    true = _changes(sent, [own.lines.index(line) for line in live])
    return "" if "|".join(true[1:-1]) in "|".join(told) else f"{len(told)} states decoded, {len(true)} sent, others"


def _changes(states: list[str], places: list[int]) -> list[str]:
    kept = ["".join(state[place] for place in places) for state in states]
    return [state for i, state in enumerate(kept) if i == 0 or state != kept[i - 1]]
