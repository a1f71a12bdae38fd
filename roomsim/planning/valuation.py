"""What sets of elements are worth, worked out once each on shared paths."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from ..estimate import Estimate
from ..metrics.replicated import SeatStatistic
from ..scene.compile import with_scenarios_of
from ..study.evaluator import FEWEST_SCENARIOS, Evaluator
from ..study.progress import NoProgress, Progress
from ..venue.document import Study
from ..venue.mesh import VenueMesh
from .candidates import Candidates, study_of_sets
from .goals import Figure, metrics_of, statistics

Work = Callable[[Sequence[int]], Mapping[str, SeatStatistic]]
"""Sets -> figure -> statistic over the seats, (n_sets,), all from the same replicates."""


class Valuation:
    """Figures of sets, kept. Differences between any two sets have the error of the difference itself.

    Parameters
    ----------
    work : works out sets that are not known yet
    figures : those whose values have ends; others have none
    block : sets that it is given at a time at most
    """

    def __init__(
        self,
        work: Work,
        figures: Mapping[str, Figure] | None = None,
        block: int = FEWEST_SCENARIOS,
        progress: Progress | None = None,
    ):
        self._work, self._figures, self._block = work, dict(figures or {}), block
        self._progress = progress or NoProgress()
        self._place: dict[int, int] = {}
        self._known: dict[str, SeatStatistic] = {}

    @property
    def sets(self) -> tuple[int, ...]:
        """All that were worked out so far."""
        return tuple(self._place)

    def __len__(self) -> int:
        return len(self._place)

    def ensure(self, sets: Sequence[int]) -> None:
        """Work out those that are not known yet."""
        new = [mask for mask in dict.fromkeys(int(mask) for mask in sets) if mask not in self._place]
        blocks = [new[i : i + self._block] for i in range(0, len(new), self._block)]
        if blocks:
            self._progress.start("Working out sets", len(new))
        for block in blocks:
            for name, found in self._work(block).items():
                self._known[name] = _joined(self._known[name], found) if name in self._known else found
            for mask in block:
                self._place[mask] = len(self._place)
            self._progress.advance(len(block))

    def statistic(self, figure: str, sets: Sequence[int]) -> SeatStatistic:
        """Of these sets, in this order; worked out if need be."""
        self.ensure(sets)
        return self._known[figure].scenarios([self._place[int(mask)] for mask in sets])

    def estimate(self, figure: str, sets: Sequence[int]) -> Estimate:
        """(n_sets,)."""
        found = self.statistic(figure, sets).estimate()
        if figure not in self._figures:
            return found
        return replace(
            found, value=np.clip(found.value, self._figures[figure].low, self._figures[figure].high)
        )

    def difference(self, figure: str, sets: Sequence[int], against: Sequence[int]) -> Estimate:
        """(n_sets,) each set minus the one beside it in `against`."""
        return self.statistic(figure, sets).difference(self.statistic(figure, against))

    def values(self, figures: Sequence[str], sets: Sequence[int]) -> dict[str, np.ndarray]:
        """(n_sets,) by figure, without errors."""
        return {name: self.estimate(name, sets).value for name in figures}

    def half_widths(self, figure: str, one: int, others: Sequence[int]) -> np.ndarray:
        """(n_sets,) half the 95 % interval of the difference of each of the others to the one."""
        return self.difference(figure, others, [one] * len(others)).half_width()


def _joined(known: SeatStatistic, new: SeatStatistic) -> SeatStatistic:
    return SeatStatistic(
        value=np.concatenate([known.value, new.value]),
        moved=np.concatenate([known.moved, new.moved], axis=1),
        moved_further=np.concatenate([known.moved_further, new.moved_further], axis=1),
        n_replicates=known.n_replicates,
    )


def traced_work(
    engine: Evaluator, study: Study, mesh: VenueMesh, candidates: Candidates, figures: Mapping[str, Figure]
) -> Work:
    """Figures of sets from the paths of an engine, in whose scene all candidates are."""
    metrics = metrics_of(figures)

    def work(sets: Sequence[int]) -> Mapping[str, SeatStatistic]:
        of_sets = study_of_sets(study, candidates.start, [candidates.members(mask) for mask in sets])
        # Sets are the steps that are told, not the blocks of each.
        weighed = engine.with_scenarios(with_scenarios_of(engine.scene, of_sets, mesh), NoProgress())
        return statistics(figures, weighed.evaluate(metrics))

    return work
