"""What the greedy rules and the CP-SAT model both need of a shop file: calendars, and who can do an operation.

Times here are steps of the grid.
"""

from bisect import bisect_right
from decimal import Decimal
from itertools import product


class Calendar:
    """Open windows in steps: ascending, with a gap between each two."""

    def __init__(self, windows):
        self.windows = []
        for opens, closes in sorted(windows):
            if self.windows and opens <= self.windows[-1][1]:
                self.windows[-1] = (self.windows[-1][0], max(closes, self.windows[-1][1]))
            else:
                self.windows.append((opens, closes))
        self.opens = [opens for opens, _ in self.windows]
        # Open steps before each window.
        self.before = [0]
        for opens, closes in self.windows:
            self.before.append(self.before[-1] + closes - opens)

    def window_at(self, time):
        """The index of the first window that ends after `time`."""
        index = bisect_right(self.opens, time) - 1
        if index >= 0 and time < self.windows[index][1]:
            return index
        return index + 1

    def next_open(self, time):
        """The first open step from `time` on, or None."""
        index = self.window_at(time)
        return max(time, self.opens[index]) if index < len(self.windows) else None

    def end_of_work(self, start, steps):
        """When work of so many open steps that starts in an open step ends, or None."""
        index = self.window_at(start)
        done = self.before[index] + start - self.opens[index] + steps
        index = bisect_right(self.before, done - 1) - 1
        return self.opens[index] + done - self.before[index] if index < len(self.windows) else None

    def and_(self, other):
        common = []
        for opens, closes in self.windows:
            for index in range(other.window_at(opens), len(other.windows)):
                if other.windows[index][0] >= closes:
                    break
                common.append((max(opens, other.windows[index][0]), min(closes, other.windows[index][1])))
        return Calendar(common)

    def key(self):
        return tuple(self.windows)


def steps_of(work, rate, grid):
    """Steps that `work` minutes take at a rate, exactly."""
    numerator, denominator = (Decimal(str(rate)) * grid).as_integer_ratio()
    return -(-work * denominator // numerator)


class Crew:
    """One way to staff an operation: a kind of person for each place, the steps of work, and when all are there."""

    def __init__(self, kinds, steps, calendar):
        self.kinds, self.steps, self.calendar = kinds, steps, calendar


class Shop:
    """A shop file in steps of the grid.

    People who are alike in calendar, skills and rates form one kind: which of them does what can be told after the
    times are known, as can be told for bays that are alike. A kind is the list of its people.
    """

    def __init__(self, problem, pool_alike):
        self.problem, grid = problem, problem["grid"]
        self.grid, self.horizon = grid, problem["horizon"] // grid
        self.makespan = problem.get("objective", "price") == "makespan"
        self.calendars = {
            name: Calendar([(opens // grid, closes // grid) for opens, closes in windows if opens < closes])
            for name, windows in problem["calendars"].items()
        }
        self.always = Calendar([(0, self.horizon)])
        self.kinds = self.alike(problem["techs"], pool_alike, lambda tech: tuple(sorted(tech["skills"].items())))
        self.bays = self.alike(problem["bays"], pool_alike, lambda bay: bay["class"])
        self.joint = {}
        self.crews = {op["id"]: self.crews_of(op) for car in problem["cars"] for op in car["ops"]}

    def alike(self, things, pool_alike, what):
        groups = {}
        for thing in things:
            key = (self.calendars[thing["calendar"]].key(), what(thing), None if pool_alike else thing["id"])
            groups.setdefault(key, []).append(thing)
        return list(groups.values())

    def crews_of(self, op):
        """All ways to staff `op`; of those with the same people only the quickest."""
        if not op["crew"]:
            return [Crew((), op["work"] // self.grid, self.always)]
        able = [
            [kind for kind, people in enumerate(self.kinds) if skill in people[0]["skills"]] for skill in op["crew"]
        ]
        best = {}
        for kinds in product(*able):
            if any(kinds.count(kind) > len(self.kinds[kind]) for kind in kinds):
                continue
            steps = max(
                steps_of(op["work"], self.kinds[kind][0]["skills"][skill], self.grid)
                for kind, skill in zip(kinds, op["crew"])
            )
            people = tuple(sorted(kinds))
            if people not in best or steps < best[people].steps:
                best[people] = Crew(kinds, steps, self.calendar_of(frozenset(kinds)))
        return list(best.values())

    def calendar_of(self, kinds):
        if kinds not in self.joint:
            calendar = self.always
            for kind in kinds:
                calendar = calendar.and_(self.calendars[self.kinds[kind][0]["calendar"]])
            self.joint[kinds] = calendar
        return self.joint[kinds]


def in_order(car):
    """The operations of a car such that each comes after those it waits for."""
    ops = {op["id"]: op for op in car["ops"]}
    waits = {name: {link["from"] for link in car["links"] if link["to"] == name} for name in ops}
    order = []
    while len(order) < len(ops):
        ready = [name for name in ops if name not in order and waits[name] <= set(order)]
        order.append(ready[0])
    return [ops[name] for name in order]
