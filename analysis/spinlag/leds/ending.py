"""What ends an update: pauses inside updates and gaps between them, by how long they are and what they part."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Ticks

Ints = NDArray[np.int64]

_CLUSTER_RATIO = 1.25
_MOST_CUTS = 24
_AS_GOOD = 0.02
_USUAL_SHARE = 0.5


class Ending:
    """Finds the shortest rest that ends an update, from samples of a line.

    `rests`: for each sample the rest after every bit but the last, in ticks. `whole`: the samples are the whole line.
    Rests up to `usual` are those of ordinary bits; ones below `harmless` end no update unless a known length says
    so; `shortest` is the shortest that any part was seen to take for the end, `most` one that always ends an update.
    """

    def __init__(
        self, rests: Sequence[Ticks], *, whole: bool, usual: float, harmless: float, shortest: float, most: float
    ) -> None:
        self.rests = rests
        self.whole = whole
        self.usual, self.harmless, self.shortest, self.most = usual, harmless, shortest, most
        self.long = np.sort(np.concatenate([rest[rest > usual] for rest in rests]))

    def updates(self, cut: float) -> int:
        """How many whole updates the samples hold, if that rest ends them."""
        return len(self._sizes(cut))

    def choose(self, expected: int | None) -> tuple[int, int | None, str]:
        """The shortest rest that ends an update, the bits of a usual update (None: there is no such length) and where
        that figure is from. `expected`: bits of an update by the rig's count."""
        if expected is not None:
            cut, share = self.best(lambda size: size == expected, self.usual)
            if share >= _USUAL_SHARE:
                return cut, expected, "the rig's count"
        cut, bits = self._commonest()
        if expected is not None:
            return cut, expected, "the rig's count"
        return cut, bits, "the commonest length of an update" if bits else ""

    def usual_size(self, cut: float) -> int | None:
        """Bits of a usual update, if that rest ends them; None where most bits stand in updates of other lengths."""
        sizes = self._sizes(cut)
        bits = commonest(sizes)
        return bits if bits and _share(sizes, sizes == bits) >= _USUAL_SHARE and len(sizes) >= 3 else None

    def best(self, complete: Callable[[Ints], NDArray[np.bool_]], least: float) -> tuple[int, float]:
        """The shortest rest by which the largest share of bits stands in complete updates, and that share."""
        scored = []
        for cut in self._cuts(least):
            sizes = self._sizes(cut)
            scored.append((_share(sizes, complete(sizes)), cut))
        best = max(share for share, _ in scored)
        return int(min(cut for share, cut in scored if share >= best - _AS_GOOD)), best

    def _commonest(self) -> tuple[int, int | None]:
        tried = []
        for cut in self._cuts(self.harmless):
            sizes = self._sizes(cut)
            bits = commonest(sizes)
            tried.append((_share(sizes, sizes == bits), cut, bits, len(sizes)))
        best = max(entry[0] for entry in tried)
        close = [(cut, bits, share, n) for share, cut, bits, n in tried if share >= best - _AS_GOOD]
        latching = [entry for entry in close if entry[0] >= self.shortest]
        cut, bits, share, n = min(latching) if latching else max(close)
        return int(cut), bits if bits and share >= _USUAL_SHARE and n >= 3 else None

    def _cuts(self, least: float) -> list[float]:
        """Lengths that could part pauses from gaps: between clusters of long rests, at most the latch time."""
        ends = self.long[self.long >= least].astype(np.float64)
        if not ends.size:
            return [min(max(self.shortest, 2 * self.usual), self.most)]
        below = self.long[self.long < least]
        edges = np.concatenate(([max(float(below[-1]), self.usual) if below.size else self.usual], ends))
        ratio = edges[1:] / edges[:-1]
        steps = np.flatnonzero((ratio >= _CLUSTER_RATIO) & (edges[:-1] < self.most))
        if steps.size > _MOST_CUTS:
            steps = steps[np.argsort(ratio[steps])[-_MOST_CUTS:]]
        cuts = {min(max(float(np.sqrt(edges[step] * edges[step + 1])), least), self.most) for step in steps}
        return sorted(cuts) or [min(max(least, float(ends[0])), self.most)]

    def _sizes(self, cut: float) -> Ints:
        """Bits of the updates between ends, those cut by a sample's border left out."""
        sizes = []
        for rest in self.rests:
            ends = np.flatnonzero(rest >= cut)
            if self.whole:
                ends = np.concatenate(([-1], ends, [rest.size]))
            sizes.append(np.diff(ends))
        return np.concatenate(sizes).astype(np.int64) if sizes else np.empty(0, dtype=np.int64)


def commonest(sizes: Ints) -> int:
    """The size that most updates have, 0 for none."""
    if not sizes.size:
        return 0
    values, counts = np.unique(sizes, return_counts=True)
    return int(values[np.argmax(counts)])


def _share(sizes: Ints, chosen: NDArray[np.bool_]) -> float:
    total = int(sizes.sum())
    return float(sizes[chosen].sum()) / total if total else 0.0
