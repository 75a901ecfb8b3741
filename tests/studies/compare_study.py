"""How often comparison is wrong, by simulation: false alarms, power, and coverage of the intervals.

    python -m tests.studies.compare_study [PAIRS] [REVOLUTIONS] [PROCESSES] [FIRST SEED]
    python -m tests.studies.compare_study captures [PAIRS] [FIRST SEED]

Pairs of recordings of one firmware, and pairs in which the second answers later by half the spread, are made up
revolution by revolution with the dependence that benches show: a speed that wanders or hunts, and interrupts that come
in bursts. Each pair goes through the whole comparison. Beside it stands the naive one: a Mann-Whitney test on single
revolutions for each quantity, corrected in the same way. The second form takes fewer pairs the long way, as captures
that are decoded and measured.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from scipy.signal import lfilter
from scipy.stats import mannwhitneyu

from spinlag.compare import compare
from spinlag.compare.items import ITEMS, values_of
from spinlag.compare.measured import Chain, Measured, Timing, from_findings
from spinlag.compare.series import Memo
from spinlag.compare.stats import holm
from spinlag.pipeline import analyse
from spinlag.summary import Statistics
from spinlag.synth import scenario_from_mapping, simulate

SPEED = 30.0
COLUMNS = 48
SAMPLE_S = 1 / 24e6


@dataclass(frozen=True)
class Bench:
    """How a bench behaves: relative wander of the speed and its memory, edge noise, and the firmware's response."""

    name: str
    wander: float
    memory: float
    hunting_revolutions: float
    jitter_s: float
    jitter_memory: float
    burst_share: float
    burst_s: float


BENCHES = (
    Bench("steady", 2e-4, 0.5, 0.0, 2e-6, 0.0, 0.0, 0.0),
    Bench("wandering", 2e-3, 0.9, 0.0, 2e-6, 0.3, 0.0, 0.0),
    Bench("hunting", 2e-3, 0.95, 25.0, 2e-6, 0.3, 0.0, 0.0),
    Bench("bursts", 1e-3, 0.8, 0.0, 2e-6, 0.2, 0.08, 8e-6),
    Bench("all of it", 3e-3, 0.9, 40.0, 2e-6, 0.5, 0.08, 8e-6),
    Bench("quick hunting", 1.5e-3, 0.8, 18.0, 3e-6, 0.4, 0.12, 10e-6),
    # never looked at while the method was chosen
    Bench("held back", 2.5e-3, 0.92, 33.0, 2.5e-6, 0.35, 0.1, 7e-6),
)
CLOCK_PPM = 50.0
WARM_UP = 300


def autoregressive(rng: np.random.Generator, n: int, memory: float) -> np.ndarray:
    """Unit-variance first-order autoregression."""
    white = rng.standard_normal(n + WARM_UP) * np.sqrt(1 - memory**2)
    return lfilter([1.0], [1.0, -memory], white)[WARM_UP:]


def hunting(rng: np.random.Generator, n: int, memory: float, period: float) -> np.ndarray:
    """Unit-variance swing about a period, as a speed loop makes: a second-order autoregression."""
    a = [1.0, -2 * memory * np.cos(2 * np.pi / period), memory**2]
    swing = lfilter([1.0], a, rng.standard_normal(n + 2 * WARM_UP))[2 * WARM_UP :]
    gain = (1 + a[2]) / ((1 - a[2]) * ((1 + a[2]) ** 2 - a[1] ** 2))
    return swing / np.sqrt(gain)


def bursts(rng: np.random.Generator, n: int, share: float, size: float) -> np.ndarray:
    """Delays by interrupts that come in runs of some three revolutions, exponential in size."""
    stay = 0.67
    enter = share * (1 - stay) / (1 - share) if share else 0.0
    draws = rng.random(n + WARM_UP)
    busy = np.zeros(n + WARM_UP, dtype=bool)
    for i in range(1, n + WARM_UP):
        busy[i] = draws[i] < (stay if busy[i - 1] else enter)
    return np.where(busy[WARM_UP:], rng.exponential(size, n) if size else 0.0, 0.0)


def on_lattice(values: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Intervals as a recorder sees them: both ends fall anywhere between samples."""
    start = rng.random(len(values)) * SAMPLE_S
    return (np.floor((start + values) / SAMPLE_S) - np.floor(start / SAMPLE_S)) * SAMPLE_S


def response(bench: Bench, n: int, rng: np.random.Generator) -> np.ndarray:
    """Index edge to first data edge, seconds, before sampling."""
    own = bench.jitter_s * autoregressive(rng, n, bench.jitter_memory)
    return 60e-6 + own + bursts(rng, n, bench.burst_share, bench.burst_s)


def swings(bench: Bench, n: int, rng: np.random.Generator) -> np.ndarray:
    """How a bench's shaft strays from its speed, turn by turn, of unit variance."""
    swing = autoregressive(rng, n, bench.memory)
    if bench.hunting_revolutions:
        swing = (swing + hunting(rng, n, 0.97, bench.hunting_revolutions)) / np.sqrt(2)
    return swing


def periods(bench: Bench, n: int, rng: np.random.Generator) -> np.ndarray:
    """Revolution times, seconds."""
    swing = swings(bench, n, rng)
    edges = rng.standard_normal(n + 1) * 1e-6
    return (1 + bench.wander * swing) / SPEED + np.diff(edges)


def recording(
    bench: Bench, n: int, rng: np.random.Generator, *, later_s: float = 0.0, clock_ppm: float = CLOCK_PPM
) -> Measured:
    """One recording of n revolutions, by a recorder whose clock is off by up to `clock_ppm`; `later_s` is added to the
    response."""
    clock = 1 + clock_ppm * 1e-6 * rng.uniform(-1, 1)
    period = clock * periods(bench, n, rng)
    wire = np.full(n, clock * 480.03e-6)
    answer = clock * (response(bench, n, rng) + later_s)
    answered = on_lattice(answer, rng)
    latency = answered + on_lattice(wire, rng) + 50e-6
    turn_error = np.diff(period, prepend=period[0]) / period
    angle = 360 * latency / period
    series = {
        "response_s": answered,
        "wire_s": on_lattice(wire, rng),
        "latency_s": latency,
        "latency_deg": angle,
        "offset_deg": angle + 180 * turn_error,
        "residue_rms_deg": np.abs(0.02 + 0.003 * rng.standard_normal(n)),
        "seam_deg": 360 * turn_error + 0.01 * rng.standard_normal(n),
        "period_s": period,
        "cycle_s": np.diff(period),
        "without_update": (rng.random(n) < 0.002).astype(np.float64),
        "missing": np.where(rng.random(n) < 0.002, rng.integers(1, 10, n), 0).astype(np.float64),
    }
    return Measured(
        file="made-up",
        sha256=f"{rng.integers(2**63):064x}"[::-1],
        duration_s=float(period.sum()),
        sample_period_s=SAMPLE_S,
        clock_ppm=CLOCK_PPM,
        revolutions=n,
        speed_rev_per_s=float(1 / period.mean()),
        columns=COLUMNS,
        chains=(Chain("arm", "one-wire", "WS2812B 2013-05", 16, 24),),
        series=series,
        spoiled=0,
        timing=bit_times(rng),
        faults={kind: int(rng.poisson(0.003 * n)) for kind in ("index-missed", "index-doubled", "update-late")},
        shown=(),
    )


def bit_times(rng: np.random.Generator) -> dict[str, Timing]:
    """Mean bit times, known to the recorder's clock."""
    found = {}
    for name, mean, low, high in (
        ("t0h", 400e-9, 250e-9, 550e-9),
        ("t0l", 850e-9, 700e-9, 1000e-9),
        ("t1h", 800e-9, 650e-9, 950e-9),
        ("t1l", 450e-9, 300e-9, 600e-9),
    ):
        seen = mean * (1 + 50e-6 * rng.uniform(-1, 1)) + rng.standard_normal() * 1e-11
        block = Statistics(10**6, low, high, seen, 1e-8, seen, seen, seen, 5e-11)
        found[f"leds.arm.{name}"] = Timing(block, low, high, "made up")
    return found


def truth(bench: Bench, statistic: Callable[[np.ndarray], float]) -> float:
    """A statistic of the response over very many revolutions."""
    rng = np.random.default_rng(99)
    return float(np.mean([statistic(response(bench, 20_000, rng)) for _ in range(20)]))


COVERED = {
    "response": "latency.response",
    "wire": "latency.wire",
    "latency": "latency.latency",
    "angle": "latency.latency_deg",
    "jitter": "latency.jitter",
    "offset": "placement.offset",
    "residue": "placement.residue",
    "seam": "placement.seam",
    "shaft": "rotation.period_jitter",
    "cycle to cycle": "rotation.cycle_to_cycle_jitter",
}
"""Quantities whose shift has its interval tried without a change, by their heads in the table."""


@dataclass(frozen=True)
class Trial:
    """One pair's outcome. `covers` tells of each 95 % interval whether it held the truth: of the response's median with
    a shift, of its 99 % point and its spread, and of every quantity without one."""

    called: bool
    naive: bool
    found: bool
    effective: float
    covers: Mapping[str, bool]


def naive(before: Measured, after: Measured) -> bool:
    """Whether Mann-Whitney tests on single revolutions, Holm-corrected, call anything different."""
    p = []
    for item in ITEMS:
        a, b = values_of(item, before), values_of(item, after)
        if item.kind != "location":
            a, b = np.abs(a - a.mean()), np.abs(b - b.mean())
        p.append(float(mannwhitneyu(a, b).pvalue) if np.ptp(a) + np.ptp(b) > 0 else 1.0)
    return bool((holm(p) < 0.05).any())


def trial(bench: Bench, n: int, seed: int, shift_s: float) -> Trial:
    """One pair of the same firmware, and the same pair with a second that answers `shift_s` later."""
    key = [20091, seed, BENCHES.index(bench)]
    first = recording(bench, n, np.random.default_rng([*key, 1]))
    second = recording(bench, n, np.random.default_rng([*key, 2]))
    slower = recording(bench, n, np.random.default_rng([*key, 2]), later_s=shift_s)
    memo: Memo = {}
    same = compare([first], [second], memo=memo)
    rows = {row.id: row for row in same.quantities}
    answer = rows["latency.response"]
    moved = compare([first], [slower], memo=memo)
    shifted = next(row for row in moved.quantities if row.id == "latency.response")
    covers = {name: rows[id_].low <= 0 <= rows[id_].high for name, id_ in COVERED.items()}
    covers["shifted"] = shifted.low <= shift_s <= shifted.high
    covers["99 %"] = answer.tail.low <= 0 <= answer.tail.high
    covers["spread"] = answer.spread.low <= 0 <= answer.spread.high
    return Trial(
        called=any(row.verdict in ("better", "worse") for row in same.rows),
        # spared the clocks, of which such a test knows nothing
        naive=naive(*(recording(bench, n, np.random.default_rng([*key, i]), clock_ppm=0.0) for i in (1, 2))),
        found=moved.verdict == "worse" and shifted.verdict == "worse",
        effective=answer.effective[0],
        covers=covers,
    )


def study(bench: Bench, pairs: int, n: int, *, first_seed: int = 0) -> dict[str, float]:
    """Shares over `pairs` pairs of n revolutions each, by the heads of the two tables."""
    shift = 0.5 * truth(bench, np.std)
    trials = [trial(bench, n, first_seed + seed, shift) for seed in range(pairs)]
    found = {head: float(np.mean([getattr(one, name) for one in trials])) for head, name in OUTCOMES.items()}
    return found | {name: float(np.mean([one.covers[name] for one in trials])) for name in trials[0].covers}


def speeds(bench: Bench, duration_s: float, rng: np.random.Generator) -> list[tuple[float, float]]:
    """Speed over time, a node each turn, as the bench's shaft keeps it: it wanders, but never away for good.

    A speed that walks at random would not do here: its spread grows with the recording, so that there is no figure for
    an interval to cover.
    """
    swing = swings(bench, int(1.1 * SPEED * duration_s) + 2, rng)
    return [(i / SPEED, SPEED * (1 + bench.wander * one)) for i, one in enumerate(swing.tolist())]


def measured_capture(seed: int, *, later_us: float = 0.0, duration_s: float = 10.0) -> Measured:
    """A recording of a small display with a hunting, wandering shaft and an unsteady answer, decoded and measured."""
    bench = BENCHES[2]
    tables = {
        "seed": seed,
        "duration_s": duration_s,
        "shaft": {"profile": speeds(bench, duration_s, np.random.default_rng([20091, 3, seed]))},
        "leds": [{"data": "DOUT", "count": 1}],
        "picture": {"kind": "gray-code"},
        "firmware": {
            "columns": 6,
            "response_us": 60.0 + later_us,
            "response_jitter_us": 2.0,
            "jitter_correlation": 0.3,
        },
    }
    made = simulate(scenario_from_mapping(tables))
    capture = replace(made.capture, file=f"{seed}.vcd", sha256=f"{seed:015x}{round(10 * later_us):049x}")
    return from_findings(analyse(capture, made.rig))


def captures(pairs: int = 200, first_seed: int = 0) -> None:
    """Print how many pairs of captures of one firmware are called different and which quantities were, in how many
    half a spread is found, and how often intervals cover."""
    called: Counter[str] = Counter()
    covers: Counter[str] = Counter()
    different = found = 0
    for seed in range(first_seed, first_seed + pairs):
        first, second = measured_capture(2 * seed), measured_capture(2 * seed + 1)
        memo: Memo = {}
        same = compare([first], [second], memo=memo)
        moved = compare([first], [measured_capture(2 * seed + 1, later_us=1.0)], memo=memo)
        rows = {row.id: row for row in same.quantities}
        later = next(row for row in moved.quantities if row.id == "latency.response")
        changed = [getattr(row, "id", None) or row.kind for row in same.rows if row.verdict in ("better", "worse")]
        called.update(changed)
        different += bool(changed)
        found += moved.verdict == later.verdict == "worse"
        covers.update(name for name, id_ in COVERED.items() if id_ in rows and rows[id_].low <= 0 <= rows[id_].high)
        covers["shifted"] += later.low <= 1e-6 <= later.high
    print(f"{pairs} pairs of captures: {different} called different ({dict(called)}), half a spread found in {found};")
    print("intervals cover: " + ", ".join(f"{name} {100 * n / pairs:.1f} %" for name, n in covers.items()))


OUTCOMES = {"effective": "effective", "false alarms": "called", "naive": "naive", "found": "found"}
COVERAGE = ("response", "shifted", "99 %", "spread", *list(COVERED)[1:])


def head(names: Iterable[str]) -> str:
    """First lines of a table."""
    return f"| bench | {' | '.join(names)} |\n|" + " --- |" * (len(list(names)) + 1)


def line(bench: Bench, found: dict[str, float], names: Iterable[str]) -> str:
    """One row of a table, in per cent but for the number of independent revolutions."""
    cells = [f"{found[name]:.0f}" if name == "effective" else f"{100 * found[name]:.1f}" for name in names]
    return f"| {bench.name} | {' | '.join(cells)} |"


def main(pairs: int = 1000, n: int = 300, processes: int = 2, first_seed: int = 0) -> None:
    """Print errors and power, a line as soon as its bench and those before are done, then the coverage."""
    with ProcessPoolExecutor(processes) as pool:
        print(head(OUTCOMES), flush=True)
        every = []
        share = partial(study, pairs=pairs, n=n, first_seed=first_seed)
        found = pool.map(share, BENCHES)
        for bench, row in zip(BENCHES, found, strict=True):
            print(line(bench, row, OUTCOMES), flush=True)
            every.append(row)
    print("\n" + head(COVERAGE))
    for bench, row in zip(BENCHES, every, strict=True):
        print(line(bench, row, COVERAGE))


if __name__ == "__main__":
    if sys.argv[1:2] == ["captures"]:
        captures(*map(int, sys.argv[2:]))
    else:
        main(*map(int, sys.argv[1:]))
