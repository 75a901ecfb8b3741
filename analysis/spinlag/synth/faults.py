"""Planted faults: which kinds there are, what each needs to be told, and what may follow from each."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from spinlag.observations import Kind

_Finite = Annotated[float, Field(allow_inf_nan=False)]
_Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
_NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
_Count = Annotated[int, Field(ge=0, le=1_000_000)]

NEEDS: dict[str, tuple[str, ...]] = {
    "index-missed": (),
    "index-doubled": ("after_us",),
    "index-runt": ("after_us", "width_us"),
    "index-shifted": ("shift_us",),
    "speed-step": ("percent",),
    "motor-sequence": (),
    "motor-dropout": ("duration_ms",),
    "data-bit-time": ("change_ns",),
    "data-truncated": ("leds",),
    "data-pause": ("pause_us",),
    "data-silent": ("duration_ms",),
    "data-overlong": ("leds",),
    "data-extra": ("leds",),
    "update-late": ("delay_us",),
    "update-missing": (),
    "update-repeated": (),
    "column-rate": ("percent",),
    "capture-gap": ("duration_ms",),
}
"""Kind -> the keys that a fault of that kind cannot do without."""

MAY_FOLLOW: dict[str, tuple[str, ...]] = {
    "index-missed": ("column-rate", "update-missing", "data-silent"),
    "index-doubled": ("column-rate", "update-missing", "update-late", "data-silent"),
    "index-runt": (),
    "index-shifted": ("column-rate", "update-missing", "update-late", "data-silent"),
    "speed-step": ("column-rate", "update-missing", "update-late"),
    "motor-sequence": (),
    "motor-dropout": ("motor-sequence",),
    "data-bit-time": (),
    "data-truncated": (),
    "data-pause": ("update-late",),
    "data-silent": ("update-missing",),
    "data-overlong": ("update-late",),
    "data-extra": ("update-late",),
    "update-late": ("update-late", "update-missing"),
    "update-missing": (),
    "update-repeated": (),
    "column-rate": ("update-missing", "update-late", "data-silent"),
    "capture-gap": ("index-missed", "update-missing", "motor-sequence", "data-truncated", "data-silent"),
}
"""Kind -> the kinds that can be its natural effects in this model of sensor, firmware and wire."""

INDEX_KINDS = frozenset({"index-missed", "index-doubled", "index-runt", "index-shifted"})
UPDATE_KINDS = frozenset(
    {
        "data-bit-time",
        "data-truncated",
        "data-pause",
        "data-silent",
        "data-overlong",
        "data-extra",
        "update-late",
        "update-missing",
        "update-repeated",
    }
)


class Fault(BaseModel):
    """One planted fault. It stands either at `revolution` (0 is the first whole one in the capture) and, where it
    concerns an update, `column` (0 where not given), or at `at_s` seconds of the capture: the first pulse or update
    from then on. Faults of the shaft and the motor lines stand at `at_deg` of their revolution.

    `after_us` and `width_us` place an extra pulse on the index line; `shift_us` moves a pulse (negative: early);
    `percent` changes a speed or a column period; `duration_ms` is how long a line stays dead; `change_ns` lengthens the
    high time of `bits` bits from bit `bit` of LED `led` on; `leds` is what is left of a truncated update, the excess of
    an overlong one, or the length of an extra one; `pause_us` stands before LED `led`; `delay_us` delays an update;
    `how` says whether a motor line shows an extra pulse (of `width_us`) or loses one.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    kind: Kind
    at_s: _NotNegative | None = None
    revolution: _Count | None = None
    at_deg: Annotated[float, Field(ge=0, lt=360)] | None = None
    column: _Count | None = None
    chain: str | None = None
    pulse: _Count = 0
    phase: str | None = None
    after_us: _Positive | None = None
    width_us: _Positive | None = None
    shift_us: _Finite | None = None
    percent: Annotated[float, Field(gt=-95, le=1000)] | None = None
    duration_ms: _Positive | None = None
    change_ns: _Finite | None = None
    led: _Count = 0
    bit: _Count = 0
    bits: Annotated[int, Field(ge=1, le=1_000_000)] = 1
    leds: _Count | None = None
    pause_us: _Positive | None = None
    delay_us: _Positive | None = None
    how: Literal["extra", "lost"] = "extra"

    @model_validator(mode="after")
    def _complete(self) -> Fault:
        missing = [key for key in NEEDS[self.kind] if getattr(self, key) is None]
        if missing:
            raise ValueError(f"{self.kind} needs {' and '.join(missing)}")
        self._check_place()
        return self

    def _check_place(self) -> None:
        if (self.at_s is None) == (self.revolution is None):
            raise ValueError("give either at_s or revolution")
        if self.kind == "capture-gap" and self.at_s is None:
            raise ValueError("capture-gap needs at_s")


class FaultTrain(Fault):
    """The same fault again and again: after edges of `marker` (rising), every `period_s`, at one `angle_deg` of the
    shaft (with `spread_deg`, rms), or at random (`rate_per_s`); each time with `probability`, `lag_us` later and
    `lag_jitter_us` (rms, never earlier) less regular; `delay_jitter_us` is added to `delay_us` (exponential). With
    `within_us` it strikes only an update that is due so soon after."""

    marker: str | None = None
    period_s: _Positive | None = None
    angle_deg: _Finite | None = None
    spread_deg: _NotNegative = 0.0
    rate_per_s: _Positive | None = None
    probability: Annotated[float, Field(gt=0, le=1)] = 1.0
    lag_us: _NotNegative = 0.0
    lag_jitter_us: _NotNegative = 0.0
    delay_jitter_us: _NotNegative = 0.0
    within_us: _Positive | None = None

    def _check_place(self) -> None:
        if self.at_s is not None or self.revolution is not None or self.column is not None:
            raise ValueError("a train needs no at_s, revolution or column: its pace says when")
        if self.kind in ("speed-step", "capture-gap", "motor-sequence", "motor-dropout"):
            raise ValueError(f"{self.kind} cannot come in trains")
        if sum(pace is not None for pace in (self.marker, self.period_s, self.angle_deg, self.rate_per_s)) != 1:
            raise ValueError("give one of marker, period_s, angle_deg and rate_per_s")
