"""The isolation path of a complaint as a tree of questions, for an instructor: which outcome leads where, and at what cost.

Rule: the tree is the table's own path, cut to a readable size by opening the likeliest branches first; what is not opened says
how many causes it holds, and where.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from dataclasses import dataclass, field

from blowergrade.foresight import Foresight
from blowergrade.path import MODES, Table, Test
from blowergrade.wording import Words

LEAVES = 18  # ends of branches in a picture; a page holds about as many


@dataclass(slots=True)
class Node:
    """A set of causes with the outcome that led to it, and the question asked then ("" at an end).

    `percent` is its share of the likelihood, `seconds` the cost of its question from where the unit stood. `closed` says that
    the branch goes on but is not shown.
    """

    mask: int
    outcome: str
    percent: int
    causes: int
    places: str
    titles: str
    ids: str
    question: str = ""
    stands: str = ""
    seconds: int = 0
    closed: bool = False
    branches: list[Node] = field(default_factory=list)

    def walk(self, depth: int = 0) -> Iterator[tuple[int, Node]]:
        """This node and all below it with their depths, the likeliest branch of each question first."""
        yield depth, self
        for branch in self.branches:
            yield from branch.walk(depth + 1)


def tree_of(table: Table, complaint: str, words: Words, leaves: int | None = None) -> Node:
    """The path of `complaint` from arrival, with at most `leaves` ends (all of them for None)."""
    return _Grower(table, complaint, words).grow(leaves)


class _Grower:
    def __init__(self, table: Table, complaint: str, words: Words) -> None:
        self.table, self.words = table, words
        self.foresight = Foresight(table, complaint, words)

    def grow(self, leaves: int | None) -> Node:
        whole = self.table.mask(self.table.hypotheses)
        root = self.node(whole, "", 100)
        waiting = [(-self.table.weight(whole), 0, root, MODES[0])]
        ends, serial = 1, 0
        while waiting:
            _, _, node, mode = heapq.heappop(waiting)
            test = self.table.best(node.mask, mode)
            if test is None:
                continue
            outcomes = self.foresight.outcomes(node.mask, test)
            if leaves is not None and ends + len(outcomes) - 1 > leaves and node is not root:
                node.closed = True
                continue
            ends += len(outcomes) - 1
            self.ask(node, test, mode)
            for outcome in outcomes:
                serial += 1
                share = 100 * self.table.weight(outcome.mask) // max(1, self.table.weight(whole))
                branch = self.node(outcome.mask, outcome.words, share)
                node.branches.append(branch)
                heapq.heappush(waiting, (-self.table.weight(outcome.mask), serial, branch, test.mode))
        return root

    def node(self, mask: int, outcome: str, percent: int) -> Node:
        members = self.foresight.members(mask)
        places = dict.fromkeys(sorted(self.words.correction(h) for h in members))
        titles = self.words.causes(members)
        ids = ", ".join(map(str, members))
        return Node(mask, outcome, percent, len(members), self.words.t(" or ").join(places), titles, ids)

    def ask(self, node: Node, test: Test, mode: str) -> None:
        node.question, node.stands = self.foresight.question(test), self.words.stands(test.mode)
        node.seconds = self.foresight.seconds(test, mode)


def lines_of(root: Node, words: Words) -> list[str]:
    """The tree as indented text: the outcome that leads to a branch, then what is asked there, or where it ends."""
    rows = []
    for depth, node in root.walk():
        indent = "    " * depth
        if node.outcome:
            rows.append(f"{indent[2:]}{node.outcome}:")
        if node.question:
            asked = words.t("{0} ({1}; {2})", node.question, node.stands, words.time(node.seconds))
            rows.append(f"{indent}? {asked}  [{words.t('{0} left', node.causes)}]")
        elif node.closed:
            rows.append(f"{indent}… {words.t('{0} causes: {1}', node.causes, node.places)}")
        else:
            rows.append(f"{indent}= {node.places}  ({node.ids})")
    return rows
