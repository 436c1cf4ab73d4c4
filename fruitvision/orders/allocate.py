"""Orders filled from cells of fruit: a transport problem, solved by linear programming.

A line may be filled from several cells, and a carton goes to one line: nothing is promised twice.
What the lines can get together is a polymatroid (Edmonds 1970, Submodular functions, matroids, and
certain polyhedra): with weights that fall from the first line to the last, the optimum fills as
many cartons as can be filled at all, gives an earlier line all it can get before a later one, and
leaves to lines of one class what those of several classes can do without. Supplies and orders are
whole cartons, and so are the corners of such a problem.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import LinearConstraint, milp
from scipy.sparse import csr_array
from scipy.sparse.csgraph import maximum_flow

Whole = NDArray[np.int64]
Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Cartons that one line wants, and the cells that may fill it, with the cost of each.

    Costs choose between ways that fill the same.
    """

    cartons: int
    cells: tuple[int, ...]
    costs: tuple[float, ...] = ()


def fills(supply: Sequence[int], wanted: Sequence[Wanted]) -> Whole:
    """Cartons that each line gets, (lines,), the first line first.

    Parameters
    ----------
    supply : sequence of int
        Cartons in each cell.
    wanted : sequence of Wanted
        In the order in which they are served.
    """
    problem = _Problem(supply, wanted)
    weights = np.arange(len(wanted), 0, -1) / max(len(wanted), 1)
    taken = problem.solve(-weights[problem.lines])
    return _summed(problem.lines, taken, len(wanted))


def allocation(supply: Sequence[int], wanted: Sequence[Wanted]) -> Whole:
    """Cartons that each line gets of each cell, (lines, cells): `fills` at the least cost."""
    problem = _Problem(supply, wanted)
    got = fills(supply, wanted)
    taken = problem.solve(problem.costs, exactly=got)
    found = np.zeros((len(wanted), len(supply)), dtype=np.int64)
    found[problem.lines, problem.cells] = taken
    return found


def rooms(
    supply: Sequence[int], wanted: Sequence[Wanted], groups: Sequence[Sequence[int]]
) -> list[int]:
    """Cartons that each group of cells can give beyond what the lines can get together.

    Lines may be filled from other cells to make room: it is the largest flow with one line more,
    without limit, less the largest flow without it. Each group by itself: two may have the same
    cartons.
    """
    without = _largest_flow(supply, wanted)
    more = (Wanted(cartons=sum(supply), cells=tuple(cells)) for cells in groups)
    return [_largest_flow(supply, [*wanted, one]) - without for one in more]


def _largest_flow(supply: Sequence[int], wanted: Sequence[Wanted]) -> int:
    """Cartons that all lines can get together: from a source through cells and lines to a sink."""
    cells, lines = len(supply), len(wanted)
    if not cells or not lines:
        return 0
    source, sink = cells + lines, cells + lines + 1
    ways = [
        *((source, cell, cartons) for cell, cartons in enumerate(supply)),
        *((cell, cells + i, supply[cell]) for i, one in enumerate(wanted) for cell in one.cells),
        *((cells + i, sink, one.cartons) for i, one in enumerate(wanted)),
    ]
    starts, ends, cartons = np.array(ways, dtype=np.int32).T
    graph = csr_array((cartons, (starts, ends)), shape=(sink + 1, sink + 1))
    return int(maximum_flow(graph, source, sink).flow_value)


class _Problem:
    """The ways from cells to lines, (ways,) each, and what limits them."""

    def __init__(self, supply: Sequence[int], wanted: Sequence[Wanted]) -> None:
        counts = [len(one.cells) for one in wanted]
        self.lines = np.repeat(np.arange(len(wanted)), counts)
        self.cells = np.array([cell for one in wanted for cell in one.cells], dtype=np.int64)
        self.costs = np.array(
            [cost for one in wanted for cost in one.costs or (0.0,) * len(one.cells)]
        )
        self._supply = np.asarray(supply, dtype=float)
        self._wanted = np.array([one.cartons for one in wanted], dtype=float)

    def solve(self, costs: Array, *, exactly: Whole | None = None) -> Whole:
        """Cartons on each way at the least cost; with `exactly`, lines get that much."""
        if not len(self.lines):
            return np.zeros(0, dtype=np.int64)
        of_cell = _sums(self.cells, len(self._supply))
        of_line = _sums(self.lines, len(self._wanted))
        least = np.zeros(len(self._wanted)) if exactly is None else exactly.astype(float)
        most = self._wanted if exactly is None else least
        # Without whole numbers asked for, it is solved by the simplex method, which ends in a
        # corner.
        found = milp(
            costs,
            constraints=[
                LinearConstraint(of_cell, ub=self._supply),
                LinearConstraint(of_line, lb=least, ub=most),
            ],
        )
        if found.x is None:
            # Can't be: 0 fills every line with nothing, and `exactly` was filled before.
            raise RuntimeError(found.message)
        whole: Whole = np.rint(found.x).astype(np.int64)
        return whole


def _sums(of: Whole, size: int) -> csr_array:
    """A matrix that adds up ways by what they are `of`."""
    ways = np.arange(len(of))
    return csr_array((np.ones(len(of)), (of, ways)), shape=(size, len(of)))


def _summed(of: Whole, values: Whole, size: int) -> Whole:
    found = np.zeros(size, dtype=np.int64)
    np.add.at(found, of, values)
    return found
