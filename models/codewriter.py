"""Prints a tape of traced numbers as Python statements: its value, and its gradient by one sweep backwards.

The statements are straight-line code for the body of a loop over rows; sums over quadrature nodes become inner loops.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from models.trace import RULES, Number, Tape

PLAIN = {0.0, 0.5, 1.0, 2.0, -1.0}                 # constants written as they are; the others come from a table


class Constants:
    """Table of the constants that generated code reads, from place `start` of the array F on."""

    def __init__(self, start: int = 0):
        self.start, self.values = start, []

    def place(self, value: float) -> str:
        """Return how a constant is read."""
        if value not in self.values:
            self.values.append(value)
        return f"F[{self.start + self.values.index(value)}]"

    def table(self, values: Sequence[float]) -> int:
        """Put values side by side and return where they begin."""
        self.values.extend(map(float, values))
        return self.start + len(self.values) - len(values)


class Writer:
    """Prints a tape as statements."""

    def __init__(self, tape: Tape, outputs: Iterable[Number], constants: Constants):
        self.tape, self.constants = tape, constants
        self.outputs = [tape.lift(o) for o in outputs]
        needed, stack = set(), list(self.outputs)
        while stack:
            node = stack.pop()
            if node.index not in needed:
                needed.add(node.index)
                stack.extend(a for a in node.args if isinstance(a, Number))
        self.nodes = [n for n in tape.nodes if n.index in needed]

    def name(self, node: Number) -> str:
        """Return how a number is written where it is used."""
        if node.op != "constant":
            return f"v{node.index}"
        value = node.args[0]
        if value in PLAIN:
            return repr(value) if value >= 0 else f"({value!r})"
        return self.constants.place(value)

    def forward(self) -> list[str]:
        """Return the statements that give every value."""
        return [line for n in self.nodes for line in self._statements(n)]

    def reverse(self, seeds: Iterable[str]) -> list[str]:
        """Return the statements that add the derivative to the inputs' places; `seeds` are the outputs' own adjoints."""
        return self._reverse(self.nodes, zip(self.outputs, seeds))[0]

    @property
    def scratch(self) -> list[str]:
        """Return the statements that make room for loops."""
        loops = [n for n in self.nodes if n.loop]
        if not loops:
            return []
        rows, columns = max(len(n.loop.x) for n in loops), max(len(n.args) for n in loops)
        return [f"t, d = empty({rows}), empty({rows * columns})"]

    def _statements(self, n: Number) -> list[str]:
        if n.op == "constant":
            return []
        if n.op == "input":
            return [f"v{n.index} = {n.args[0]}"]
        if n.loop:
            return self._loop(n)
        value, slopes = RULES[n.op]
        given = f"v{n.index}, s{n.index}" if any(rule and "{s}" in rule for rule in slopes) else f"v{n.index}"
        return [f"{given} = " + value.format(*map(self.name, n.args))]

    def _reverse(self, nodes, seeds) -> tuple[list[str], set[int]]:
        """Return the statements of the backward sweep over `nodes`, and the numbers whose adjoint has a value after it."""
        lines, started = [], set()

        def add(node, text):
            lines.append(f"a{node.index} {'+=' if node.index in started else '='} {text}")
            started.add(node.index)

        for node, seed in seeds:
            if node.active:
                add(node, seed)
        for n in reversed(nodes):
            if n.index not in started:
                continue
            if n.op == "input":
                lines.append(f"{n.adjoint} += a{n.index}")
            elif n.loop:
                for j, argument in enumerate(n.args):
                    if argument.active:
                        add(argument, f"a{n.index} * p{n.index}_{j}")
            else:
                names = [self.name(a) for a in n.args]
                for argument, rule in zip(n.args, RULES[n.op][1]):
                    if argument.active and rule:
                        add(argument, rule.format(*names, v=f"v{n.index}", g=f"a{n.index}", s=f"s{n.index}"))
        return lines, started

    def _loop(self, n: Number) -> list[str]:
        """Return the statements of a sum over nodes: terms t[k] and their derivatives d[k, j], then ln of the sum and its partials p_j.

        Derivatives are taken term by term on the way ahead, so that nothing is computed twice.
        """
        loop, (mean, sd, *outside), v, size = n.loop, n.args, f"v{n.index}", len(n.loop.x)
        x, w = self.constants.table(loop.x), self.constants.table(loop.log_w)
        back, started = self._reverse(loop.body, [(loop.result, "1.0")])
        moved = [(j, s) for j, s in enumerate(outside, 2) if s.active]
        stored = [loop.at, *(s for _, s in moved)]
        place = f"k * {len(stored)} + "
        body = [f"v{loop.at.index} = {self.name(mean)} + {self.name(sd)} * F[{x} + k]",
                *(line for b in loop.body for line in self._statements(b)), f"t[k] = F[{w} + k] + {self.name(loop.result)}", *back,
                *(f"d[{place}{j}] = " + (f"a{s.index}" if s.index in started else "0.0") for j, s in enumerate(stored))]
        partials = [f"p{n.index}_{j}" for j in (0, 1, *(j for j, _ in moved))]
        slope = [f"{partials[0]} += e * d[{place}0]", f"{partials[1]} += e * d[{place}0] * F[{x} + k]",
                 *(f"{p} += e * d[{place}{j}]" for j, p in enumerate(partials[2:], 1))]
        indented = lambda lines: ["    " + line for line in lines]
        return [f"for k in range({size}):", *indented(body), "high = t[0]", f"for k in range(1, {size}):", "    high = max(high, t[k])",
                "e = 0.0", f"for k in range({size}):", "    t[k] = exp(t[k] - high)", "    e += t[k]", f"{v} = high + log(e)", "high = 1.0 / e",
                *(f"{p} = 0.0" for p in partials), f"for k in range({size}):", "    e = high * t[k]", *indented(slope)]
