#!/usr/bin/env python3
"""Plans a shop file or a public benchmark file with CP-SAT, for comparison.

    cpsat.py FILE --seconds S [--workers N] [--out PLAN.json] [--progress FILE.csv]

Prints `name price bound status seconds` and writes seconds, price and bound at every improvement, as planfile does.
The clock starts when the libraries are loaded. The model is meant to be a fair opponent:

* start, length and end of an operation are shared by all its crews; a literal says which crew, and another how long
  its pauses are (of which few lengths occur), so that the length is a linear sum and starts have plain domains;
* people and bays that are alike are one pool, so that none of their permutations is searched;
* a visit is an interval around its operations; pools of skills and of bays stand as redundant capacities;
* the best of the dispatch rules in greedy.py is the complete first hint.
"""

import argparse
import json
import time
from pathlib import Path

from ortools.sat.python import cp_model

import check
import greedy
import public
from shop import Shop

START = time.monotonic()


class ShopModel:
    """The model of a shop file, in steps of the grid."""

    def __init__(self, problem, hint):
        self.problem, self.shop, self.hint = problem, Shop(problem, pool_alike=True), hint
        self.model = cp_model.CpModel()
        self.start, self.size, self.end, self.interval, self.crew = {}, {}, {}, {}, {}
        self.stay, self.stay_in, self.hinted_value = {}, {}, {}
        self.on_kind = [[] for _ in self.shop.kinds]
        if hint:
            self.hinted_crew = self.crews_of_hint()
        for car in problem["cars"]:
            for op in car["ops"]:
                self.add_operation(car, op)
            for link in car["links"]:
                self.add_link(link)
            self.add_visits(car)
        self.add_people()
        self.add_equipment()
        self.add_bays()
        self.add_objective()

    # Variables, each with its value in the hint.

    def literal(self, name, hint):
        literal = self.model.new_bool_var(name)
        if self.hint:
            self.model.add_hint(literal, hint)
            self.hinted_value[literal.index] = hint
        return literal

    def integer(self, low, high, name, hint):
        variable = self.model.new_int_var(low, high, name)
        if self.hint:
            self.model.add_hint(variable, hint)
            self.hinted_value[variable.index] = hint
        return variable

    def crews_of_hint(self):
        kind_of = {person["id"]: kind for kind, people in enumerate(self.shop.kinds) for person in people}
        chosen = {}
        for name, done in self.hint["ops"].items():
            people = tuple(sorted(kind_of[person] for person in done["techs"]))
            chosen[name] = next(
                index for index, crew in enumerate(self.shop.crews[name]) if tuple(sorted(crew.kinds)) == people
            )
        return chosen

    def hinted(self, name, what):
        return self.hint["ops"][name][what] // self.shop.grid if self.hint else None

    # Operations.

    def add_operation(self, car, op):
        """start, size, end; exactly one pair of crew class and pause; exactly one crew of the class."""
        name, grid, horizon = op["id"], self.shop.grid, self.shop.horizon
        low = -(-max(car["arrive"], op["not_before"], 0) // grid)
        start_hint, end_hint = self.hinted(name, "start"), self.hinted(name, "end")
        start = self.integer(low, horizon, f"start {name}", start_hint)
        end = self.integer(low, horizon, f"end {name}", end_hint)
        classes = {}
        for index, crew in enumerate(self.shop.crews[name]):
            classes.setdefault((crew.steps, crew.calendar.key()), []).append(index)
        ways, lengths, crew_literals = [], [], {}
        for (steps, _), crews in classes.items():
            calendar = self.shop.crews[name][crews[0]].calendar
            of_class = []
            chosen = self.hint and self.hinted_crew[name] in crews
            for pause, starts in self.pauses(op, steps, calendar, low).items():
                hint = chosen and end_hint - start_hint == steps + pause
                way = self.literal(f"{name} with {steps}+{pause}", hint)
                self.model.add_linear_expression_in_domain(start, cp_model.Domain.from_intervals(starts)).only_enforce_if(way)
                of_class.append(way)
                ways.append(way)
                lengths.append(steps + pause)
            if not of_class:
                continue
            if len(crews) == 1 and len(of_class) == 1:
                crew_literals[crews[0]] = of_class[0]
                continue
            for index in crews:
                hint = self.hint and self.hinted_crew[name] == index
                crew_literals[index] = self.literal(f"{name} by {self.shop.crews[name][index].kinds}", hint)
            self.model.add(sum(crew_literals[index] for index in crews) == sum(of_class))
        self.model.add_exactly_one(ways)
        shortest, longest = (min(lengths), max(lengths)) if lengths else (0, 0)
        size = self.integer(shortest, longest, f"size {name}", self.hint and end_hint - start_hint)
        if shortest < longest:
            self.model.add(size == sum(length * way for length, way in zip(lengths, ways)))
        else:
            size = shortest
        self.start[name], self.size[name], self.end[name] = start, size, end
        self.interval[name] = self.model.new_interval_var(start, size, end, name)
        self.crew[name] = crew_literals
        self.add_kinds(name)

    def pauses(self, op, steps, calendar, low):
        """For each length of the pauses the spans of starts that have it, both ends inclusive."""
        found = {}
        if not op["crew"]:
            return {0: [(low, self.shop.horizon - steps)]} if low + steps <= self.shop.horizon else {}
        for index, (opens, closes) in enumerate(calendar.windows):
            if not op["interruptible"]:
                if max(opens, low) + steps <= closes:
                    found.setdefault(0, []).append((max(opens, low), closes - steps))
                continue
            start = max(opens, low)
            while start < closes:
                end = calendar.end_of_work(start, steps)
                if end is None:
                    break
                # The same pause as long as the work ends in the same window.
                until = calendar.windows[calendar.window_at(end - 1)][1]
                last = min(closes - 1, start + until - end)
                found.setdefault(end - start - steps, []).append((start, last))
                start = last + 1
        return found

    def add_kinds(self, name):
        """For each kind of people and number of them an optional interval on the operation's own variables."""
        takes = {}
        for index, literal in self.crew[name].items():
            kinds = self.shop.crews[name][index].kinds
            for kind in set(kinds):
                takes.setdefault((kind, kinds.count(kind)), []).append((index, literal))
        for (kind, count), uses in takes.items():
            if len(uses) == 1:
                taken = uses[0][1]
            else:
                hint = self.hint and any(index == self.hinted_crew[name] for index, _ in uses)
                taken = self.literal(f"{name} takes {kind} x {count}", hint)
                self.model.add(sum(literal for _, literal in uses) == taken)
            interval = self.model.new_optional_interval_var(
                self.start[name], self.size[name], self.end[name], taken, f"{name} on {kind}"
            )
            self.on_kind[kind].append((interval, count))

    def add_link(self, link):
        """start(to) >= end(from) + min, and start(to) <= end(from) + max."""
        grid = self.shop.grid
        self.model.add(self.start[link["to"]] >= self.end[link["from"]] + link["min"] // grid)
        if link["max"] is not None:
            self.model.add(self.start[link["to"]] <= self.end[link["from"]] + link["max"] // grid)

    # Resources.

    def capacity(self, intervals, demands, capacity):
        if not intervals or sum(demands) <= capacity:
            return
        if capacity == 1:
            self.model.add_no_overlap(intervals)
        else:
            self.model.add_cumulative(intervals, demands, capacity)

    def add_people(self):
        for kind, uses in enumerate(self.on_kind):
            self.capacity([use[0] for use in uses], [use[1] for use in uses], len(self.shop.kinds[kind]))
        # Redundant: no more people with a skill at work than there are.
        skills = {skill for kind in self.shop.kinds for skill in kind[0]["skills"]}
        ops = [op for car in self.problem["cars"] for op in car["ops"]]
        for skill in sorted(skills):
            able = [kind for kind in self.shop.kinds if skill in kind[0]["skills"]]
            asking = [op for op in ops if skill in op["crew"]]
            if len(able) > 1:
                self.capacity(
                    [self.interval[op["id"]] for op in asking],
                    [op["crew"].count(skill) for op in asking],
                    sum(map(len, able)),
                )

    def add_equipment(self):
        for pool in self.problem["equipment"]:
            uses = [
                (self.interval[op["id"]], pieces)
                for car in self.problem["cars"]
                for op in car["ops"]
                for name, pieces in op["equipment"]
                if name == pool["id"]
            ]
            self.capacity([use[0] for use in uses], [use[1] for use in uses], pool["capacity"])

    def add_visits(self, car):
        """An interval around the operations of each visit; those of the car itself do not overlap."""
        at_car = []
        for visit in car["visits"]:
            inside = [op["id"] for op in car["ops"] if op["visit"] == visit["id"]]
            name = f'{car["id"]}/{visit["id"]}'
            if len(inside) == 1:
                start, end = self.start[inside[0]], self.end[inside[0]]
                interval = self.interval[inside[0]]
            else:
                hints = (None, None, None)
                if self.hint:
                    first = min(self.hinted(op, "start") for op in inside)
                    last = max(self.hinted(op, "end") for op in inside)
                    hints = (first, last, last - first)
                start = self.integer(0, self.shop.horizon, f"start {name}", hints[0])
                end = self.integer(0, self.shop.horizon, f"end {name}", hints[1])
                size = self.integer(0, self.shop.horizon, f"size {name}", hints[2])
                interval = self.model.new_interval_var(start, size, end, name)
                for op in inside:
                    self.model.add(start <= self.start[op])
                    self.model.add(end >= self.end[op])
            self.stay[name] = (start, end, interval, visit["class"])
            if visit["on_vehicle"]:
                at_car.append(interval)
        if len(at_car) > 1:
            self.model.add_no_overlap(at_car)

    def add_bays(self):
        """Each visit in one group of like bays, inside one of their windows; a group holds as many as it has bays."""
        bay_group = {bay["id"]: index for index, bays in enumerate(self.shop.bays) for bay in bays}
        held = [[] for _ in self.shop.bays]
        of_class = {}
        for name, (start, end, interval, needs) in self.stay.items():
            groups = [index for index, bays in enumerate(self.shop.bays) if bays[0]["class"] == needs]
            literals = []
            for group in groups:
                if len(groups) == 1:
                    held[group].append(interval)
                    self.stay_in[name, group] = True
                    literals.append(None)
                    continue
                hint = self.hint and bay_group[self.hint["visits"][name]] == group
                literal = self.literal(f"{name} in {group}", hint)
                literals.append(literal)
                self.stay_in[name, group] = literal
                held[group].append(
                    self.model.new_optional_interval_var(start, interval.size_expr(), end, literal, f"{name} in {group}")
                )
            if len(groups) != 1:
                self.model.add_exactly_one(literals)
            for group, literal in zip(groups, literals):
                self.add_windows(name, group, literal, start, end)
            of_class.setdefault(needs, []).append(interval)
        for group, intervals in enumerate(held):
            self.capacity(intervals, [1] * len(intervals), len(self.shop.bays[group]))
        # Redundant: no more visits of a class than it has bays.
        for needs, intervals in of_class.items():
            sizes = [len(bays) for bays in self.shop.bays if bays[0]["class"] == needs]
            if len(sizes) > 1:
                self.capacity(intervals, [1] * len(intervals), sum(sizes))

    def add_windows(self, name, group, literal, start, end):
        windows = self.shop.calendars[self.shop.bays[group][0]["calendar"]].windows
        enforced = [] if literal is None else [literal]
        if len(windows) == 1:
            self.model.add(start >= windows[0][0]).only_enforce_if(enforced)
            self.model.add(end <= windows[0][1]).only_enforce_if(enforced)
            return
        inside = []
        for opens, closes in windows:
            hint = None
            if self.hint:
                times = [self.hinted_value[start.index], self.hinted_value[end.index]]
                right = literal is None or self.hinted_value[literal.index]
                hint = bool(right and opens <= times[0] and times[1] <= closes)
            within = self.literal(f"{name} in {group} from {opens}", hint)
            self.model.add(start >= opens).only_enforce_if(within)
            self.model.add(end <= closes).only_enforce_if(within)
            inside.append(within)
        self.model.add(sum(inside) == (1 if literal is None else literal))

    # What it is judged by.

    def add_objective(self):
        grid, terms, constant, ends = self.shop.grid, [], 0, []
        for car in self.problem["cars"]:
            last = None
            if self.hint:
                last = max(self.hinted(op["id"], "end") for op in car["ops"])
            done = self.integer(0, self.shop.horizon, f'done {car["id"]}', last)
            waited_for = {link["from"] for link in car["links"] if link["min"] >= 0}
            for op in car["ops"]:
                if op["id"] not in waited_for:
                    self.model.add(done >= self.end[op["id"]])
            ends.append(done)
            if not self.shop.makespan:
                promise = car["promise"] // grid
                late = self.integer(0, self.shop.horizon, f'late {car["id"]}', self.hint and max(0, last - promise))
                self.model.add(late >= done - promise)
                terms += [grid * car["late_weight"] * late, grid * car["flow_weight"] * done]
                constant -= car["flow_weight"] * car["arrive"]
        if self.shop.makespan:
            most = None
            if self.hint:
                most = max(self.hinted(op["id"], "end") for car in self.problem["cars"] for op in car["ops"])
            latest = self.integer(0, self.shop.horizon, "latest", most)
            self.model.add_max_equality(latest, ends)
            self.model.minimize(grid * latest)
        else:
            self.model.minimize(sum(terms) + constant)

    # The answer.

    def plan(self, solver):
        grid, plan = self.shop.grid, {"name": self.problem["name"], "ops": {}, "visits": {}}
        people, bays = Dealer(self.shop.kinds), Dealer(self.shop.bays)
        for name in sorted(self.start, key=lambda name: solver.value(self.start[name])):
            start, end = solver.value(self.start[name]), solver.value(self.end[name])
            crew = next(index for index, literal in self.crew[name].items() if solver.value(literal))
            kinds = self.shop.crews[name][crew].kinds
            techs = [people.deal(kind, start, end) for kind in kinds]
            plan["ops"][name] = {"start": start * grid, "end": end * grid, "techs": techs}
        for name in sorted(self.stay, key=lambda name: solver.value(self.stay[name][0])):
            group = next(
                group
                for (stay, group), literal in self.stay_in.items()
                if stay == name and (literal is True or solver.value(literal))
            )
            start, end = (solver.value(time) for time in self.stay[name][:2])
            plan["visits"][name] = bays.deal(group, start, end)
        return plan


class Dealer:
    """Deals things that are alike, in order of the starts."""

    def __init__(self, groups):
        self.free = [[[0, thing["id"]] for thing in group] for group in groups]

    def deal(self, group, start, end):
        for entry in self.free[group]:
            if entry[0] <= start:
                entry[0] = end
                return entry[1]
        raise ValueError("a pool is over its capacity")


class Curve(cp_model.CpSolverSolutionCallback):
    """Writes down seconds, price and bound at every improvement."""

    def __init__(self, path):
        super().__init__()
        self.path, self.lines, self.price, self.bound = path, ["seconds,price,bound"], None, None

    def on_solution_callback(self):
        self.note(price=round(self.objective_value), bound=round(self.best_objective_bound))

    def note(self, price=None, bound=None):
        self.price = price if price is not None else self.price
        self.bound = max(self.bound, bound) if self.bound is not None and bound is not None else bound or self.bound
        shown = ["" if value is None else str(value) for value in (self.price, self.bound)]
        self.lines.append(f"{time.monotonic() - START:.3f},{shown[0]},{shown[1]}")

    def write(self):
        if self.path:
            Path(self.path).write_text("\n".join(self.lines) + "\n")


def best_rule(problem, seconds):
    """The best plan of the dispatch rules that fit into half of the time, or None."""
    best = None
    for rule in greedy.RULES:
        if best is not None and time.monotonic() - START > seconds / 2:
            break
        plan = greedy.plan_by(problem, rule)
        if plan is not None and (best is None or check.price(problem, plan) < check.price(problem, best)):
            best = plan
    return best


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("file", type=Path)
    parser.add_argument("--format", default="shop", choices=["shop", *public.READERS])
    parser.add_argument("--seconds", type=float, default=10)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--no-hint", action="store_true")
    parser.add_argument("--full-presolve", action="store_true")
    parser.add_argument("--log", action="store_true")
    parser.add_argument("--out", type=Path)
    parser.add_argument("--progress", type=Path)
    args = parser.parse_args()

    curve, first = Curve(args.progress), None
    if args.format == "shop":
        problem = json.loads(args.file.read_text())
        name = problem["name"]
        if not args.no_hint and (first := best_rule(problem, args.seconds)):
            curve.note(price=check.price(problem, first))
        built = ShopModel(problem, first)
    else:
        project = public.read(args.format, args.file)
        name = project.name
        built = public.ProjectModel(project)

    solver = cp_model.CpSolver()
    solver.parameters.num_workers = args.workers
    solver.parameters.random_seed = args.seed
    solver.parameters.log_search_progress = args.log
    solver.parameters.max_time_in_seconds = max(0.01, args.seconds - (time.monotonic() - START))
    if not args.full_presolve:
        # With all of it a shop of 150 operations is presolved for 4 s, and one of 450 is not yet searched after 10 s.
        solver.parameters.cp_model_probing_level = 0
        solver.parameters.max_presolve_iterations = 1
        solver.parameters.symmetry_level = 0
    solver.best_bound_callback = lambda bound: curve.note(bound=round(bound))
    status = solver.status_name(solver.solve(built.model, curve)).lower()
    price, bound, plan = None, None, first
    if status in ("optimal", "feasible"):
        plan = built.plan(solver)
        # The variables of the objective may lie above what the plan costs.
        judge = check if args.format == "shop" else public
        price = judge.price(problem if args.format == "shop" else project, plan)
    elif status == "unknown" and first:
        price, status = check.price(problem, first), "feasible"
    if status != "infeasible":
        bound = round(solver.best_objective_bound)
    curve.note(price, bound)
    curve.write()
    if args.out and plan is not None:
        args.out.write_text(json.dumps(plan))
    shown = ["-" if value is None else value for value in (price, bound)]
    print(name, *shown, status, f"{time.monotonic() - START:.3f}")


if __name__ == "__main__":
    main()
