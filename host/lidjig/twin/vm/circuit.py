"""Node voltages of a resistor network by nodal analysis.

The conductance matrix is filled by inspection (Kirchhoff's current law at each node) and solved by Gaussian
elimination with partial pivoting. A voltage source stands behind a resistance, so it enters as its Norton equivalent.
"""

GROUND = -1

# Holds a node that nothing connects to at 0 V instead of making the matrix singular: 1 Tohm to ground.
_G_MIN = 1 / 10**12


class Circuit:
    """Resistors and sources between numbered nodes 0 .. count-1 and GROUND; ohms and volts."""

    def __init__(self, count: int) -> None:
        self._count = count
        self._rows = [[0.0] * count + [0.0] for _ in range(count)]
        for k in range(count):
            self._rows[k][k] = _G_MIN

    def resistor(self, a: int, b: int, ohm: float) -> None:
        """A resistor between nodes a and b; either may be GROUND."""
        g = 1 / ohm
        rows = self._rows
        if a != GROUND:
            rows[a][a] += g
        if b != GROUND:
            rows[b][b] += g
        if a != GROUND and b != GROUND:
            rows[a][b] -= g
            rows[b][a] -= g

    def source(self, node: int, volt: float, ohm: float) -> None:
        """A voltage source to ground, behind ohm, feeding node."""
        g = 1 / ohm
        self._rows[node][node] += g
        self._rows[node][self._count] += volt * g

    def current(self, node: int, ampere: float) -> None:
        """A current flowing into node."""
        self._rows[node][self._count] += ampere

    def voltages(self) -> list[float]:
        """Volts of every node, in order."""
        n = self._count
        rows = [row[:] for row in self._rows]
        for k in range(n):
            best = k
            for r in range(k + 1, n):
                if abs(rows[r][k]) > abs(rows[best][k]):
                    best = r
            rows[k], rows[best] = rows[best], rows[k]
            pivot = rows[k]
            for r in range(k + 1, n):
                row = rows[r]
                if row[k] == 0:
                    continue
                factor = row[k] / pivot[k]
                for c in range(k, n + 1):
                    row[c] -= factor * pivot[c]
        volts = [0.0] * n
        for k in range(n - 1, -1, -1):
            total = rows[k][n]
            for c in range(k + 1, n):
                total -= rows[k][c] * volts[c]
            volts[k] = total / rows[k][k]
        return volts
