"""A row of versions: every version against a reference, and each quantity as a trend over all of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from spinlag.compare import Comparison, assembled, correct, limits_of, raw_rows
from spinlag.compare.measured import CompareError, Measured, comparable
from spinlag.compare.rows import Change
from spinlag.compare.series import Memo
from spinlag.compare.sound import trends_held_back
from spinlag.compare.trends import Trend, trends_of
from spinlag.rig import Rig


@dataclass(frozen=True, eq=False)
class Versions:
    """All of a row: names in order, the reference, every other version compared with it, and the trends."""

    names: tuple[str, ...]
    reference: str
    sets: Mapping[str, tuple[Measured, ...]]
    comparisons: Mapping[str, Comparison]
    trends: tuple[Trend, ...]

    @property
    def newest(self) -> Comparison:
        """The last version, or the one before where the last is the reference, against the reference."""
        return self.comparisons[[name for name in self.names if name != self.reference][-1]]

    @property
    def exit_status(self) -> int:
        """1 where the newest version is worse than the reference, 3 where something about it cannot be told, else 0."""
        if self.newest.verdict == "worse":
            return 1
        return 0 if self.newest.settled else 3

    @property
    def verdicts(self) -> dict[str, Change]:
        """Each version's verdict against the reference."""
        return {name: comparison.verdict for name, comparison in self.comparisons.items()}


def compare_versions(
    sets: Mapping[str, Sequence[Measured]], *, reference: str | None = None, rig: Rig | None = None
) -> Versions:
    """Compare two or more named sets of captures, in the order given; the reference is the first unless named.

    p-values are corrected over all quantities, fault kinds and versions together. Raises CompareError.
    """
    names = tuple(sets)
    if len(names) < 2:
        raise CompareError("comparing takes two sets of captures or more")
    base = names[0] if reference is None else reference
    if base not in sets:
        raise CompareError(f"no set {base!r} to compare with; there are {', '.join(names)}")
    comparable(sets)
    others = [name for name in names if name != base]
    memo: Memo = {}
    limits = {name: limits_of(sets[base], sets[name], rig) for name in others}
    families = [raw_rows(sets[base], sets[name], limits[name], len(others), memo) for name in others]
    if not any(rows or faults for rows, faults in families):
        raise CompareError("cannot compare: neither side has revolutions or bit times with limits to compare")
    comparisons = {
        name: assembled(sets[base], sets[name], rows, faults, (base, name), limits[name])
        for name, (rows, faults) in zip(others, correct(families), strict=True)
    }
    trends = trends_held_back(trends_of(sets, limits[others[-1]], memo), sets)
    kept = {name: tuple(captures) for name, captures in sets.items()}
    return Versions(names, base, kept, comparisons, tuple(trends))
