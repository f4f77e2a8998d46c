"""First plans by dispatch rules: cars one after another in the order of a rule, each as early as what is there allows.

They start CP-SAT, which is slow to find a first plan of a large shop, and they are what a planner must beat.
"""

from bisect import bisect_left, insort

from shop import Shop, in_order

RULES = {
    "arrival": lambda car, work: car["arrive"],
    "promise": lambda car, work: car["promise"],
    "slack": lambda car, work: car["promise"] - car["arrive"] - work,
    "weighted work": lambda car, work: work / (1 + car["late_weight"] + car["flow_weight"]),
    "weighted promise": lambda car, work: (car["promise"] - car["arrive"]) / (1 + car["late_weight"]) + car["arrive"],
}


class Busy:
    """Disjoint busy spans, ascending."""

    def __init__(self):
        self.spans = []

    def free_from(self, start, end):
        """`start` if [start, end) is free, or the end of a span that is in the way."""
        index = bisect_left(self.spans, (start, end))
        for near in (index - 1, index):
            if 0 <= near < len(self.spans) and self.spans[near][0] < end and start < self.spans[near][1]:
                return self.spans[near][1]
        return start

    def gap_at(self, time, horizon):
        """The free span that `time` is in or before, as far as `time` can use it."""
        index = bisect_left(self.spans, (time, horizon + 1))
        if index > 0 and self.spans[index - 1][1] > time:
            time = self.spans[index - 1][1]
        return time, self.spans[index][0] if index < len(self.spans) else horizon


class Greedy:
    def __init__(self, problem):
        self.shop = Shop(problem, pool_alike=False)
        self.people = [Busy() for _ in self.shop.kinds]
        self.bays = [Busy() for _ in self.shop.bays]
        self.used = {pool["id"]: [0] * self.shop.horizon for pool in problem["equipment"]}
        self.capacity = {pool["id"]: pool["capacity"] for pool in problem["equipment"]}
        self.plan = {"name": problem["name"], "ops": {}, "visits": {}}

    def place(self, op, earliest, latest):
        """The crew and span that end `op` first, or None."""
        best = None
        for crew in self.shop.crews[op["id"]]:
            time = earliest
            while time is not None and (best is None or time < best[1]):
                time = crew.calendar.next_open(time)
                if time is None:
                    break
                if crew.kinds and op["interruptible"]:
                    end = crew.calendar.end_of_work(time, crew.steps)
                else:
                    end = time + crew.steps
                    closes = crew.calendar.windows[crew.calendar.window_at(time)][1]
                    if crew.kinds and end > closes:
                        time = closes
                        continue
                if end is None or end > latest:
                    break
                later = max([self.people[kind].free_from(time, end) for kind in crew.kinds], default=time)
                if later == time:
                    later = self.equipment_from(op, time, end)
                if later > time:
                    time = later
                    continue
                if best is None or end < best[1]:
                    best = (time, end, crew)
                break
        return best

    def equipment_from(self, op, start, end):
        for pool, pieces in op["equipment"]:
            used, most = self.used[pool], self.capacity[pool] - pieces
            for step in range(end - 1, start - 1, -1):
                if used[step] > most:
                    return step + 1
        return start

    def bay_for(self, visit, op, earliest):
        """The bay, its free span and a place of the first operation of a visit."""
        best = None
        for index, bay in enumerate(self.shop.bays):
            if bay[0]["class"] != visit["class"]:
                continue
            calendar, time = self.shop.calendars[bay[0]["calendar"]], earliest
            while True:
                time = calendar.next_open(time)
                if time is None or (best is not None and time >= best[1][1]):
                    break
                opens, closes = self.bays[index].gap_at(time, self.shop.horizon)
                closes = min(closes, calendar.windows[calendar.window_at(time)][1])
                if opens < closes and (placed := self.place(op, opens, closes)):
                    if best is None or (placed[1], -closes) < (best[1][1], -best[2][1]):
                        best = (index, placed, (opens, closes))
                    break
                time = max(closes, opens, time + 1)
        return best

    def add(self, car):
        """Adds a car; tells whether that was possible."""
        grid, order = self.shop.grid, in_order(car)
        visits = {visit["id"]: visit for visit in car["visits"]}
        at_least = {op["id"]: -(-max(car["arrive"], op["not_before"]) // grid) for op in order}
        for _ in range(3000):
            done, stays, late = {}, {}, None
            for op in order:
                earliest = at_least[op["id"]]
                for link in car["links"]:
                    if link["to"] == op["id"]:
                        earliest = max(earliest, done[link["from"]][1] + link["min"] // grid)
                latest = self.shop.horizon
                if op["visit"] is None:
                    placed = self.place(op, max(0, earliest), latest)
                elif op["visit"] in stays:
                    opens, closes = stays[op["visit"]][1]
                    placed = self.place(op, max(opens, earliest), closes)
                    if placed is None:
                        # The visit does not end in time: it takes the next free span.
                        late = [(other["id"], closes) for other in order if other["visit"] == op["visit"]]
                        break
                else:
                    found = self.bay_for(visits[op["visit"]], op, max(0, earliest))
                    placed = found and found[1]
                    if found:
                        stays[op["visit"]] = (found[0], found[2])
                if placed is None:
                    return False
                done[op["id"]] = placed
                # Its own people are not busy yet: the car's operations must not meet in them.
                for kind in placed[2].kinds:
                    insort(self.people[kind].spans, placed[:2])
                self.hold(op, placed, 1)
            for op in order:
                if op["id"] in done:
                    for kind in done[op["id"]][2].kinds:
                        self.people[kind].spans.remove(done[op["id"]][:2])
                    self.hold(op, done[op["id"]], -1)
            late = late or self.too_early(car, done)
            if not late:
                self.keep(car, order, done, stays)
                return True
            for name, time in late:
                at_least[name] = max(at_least[name], time)
        return False

    def hold(self, op, placed, sign):
        for pool, pieces in op["equipment"]:
            for step in range(placed[0], placed[1]):
                self.used[pool][step] += sign * pieces

    def too_early(self, car, done):
        """Which operations have to start later, and when, for the longest waits and for the one place of the car."""
        grid = self.shop.grid
        for link in car["links"]:
            if link["max"] is not None:
                excess = done[link["to"]][0] - done[link["from"]][1] - link["max"] // grid
                if excess > 0:
                    return [(link["from"], done[link["from"]][0] + excess)]
        spans = []
        for visit in car["visits"]:
            inside = [op["id"] for op in car["ops"] if op["visit"] == visit["id"]]
            if visit["on_vehicle"]:
                spans.append((min(done[name][0] for name in inside), max(done[name][1] for name in inside), inside))
        spans.sort()
        for (_, end, _), (start, _, inside) in zip(spans, spans[1:]):
            if start < end:
                return [(name, end) for name in inside]
        return None

    def keep(self, car, order, done, stays):
        grid = self.shop.grid
        for op in order:
            start, end, crew = done[op["id"]]
            people = [self.shop.kinds[kind][0]["id"] for kind in crew.kinds]
            self.plan["ops"][op["id"]] = {"start": start * grid, "end": end * grid, "techs": people}
            for kind in crew.kinds:
                insort(self.people[kind].spans, (start, end))
            self.hold(op, done[op["id"]], 1)
        for visit, (bay, _) in stays.items():
            inside = [done[op["id"]] for op in order if op["visit"] == visit]
            insort(self.bays[bay].spans, (min(at[0] for at in inside), max(at[1] for at in inside)))
            self.plan["visits"][f'{car["id"]}/{visit}'] = self.shop.bays[bay][0]["id"]


def plan_by(problem, rule):
    """The plan of a rule, or None where it leaves a car out."""
    greedy = Greedy(problem)
    work = {car["id"]: sum(op["work"] for op in car["ops"]) for car in problem["cars"]}
    for car in sorted(problem["cars"], key=lambda car: (RULES[rule](car, work[car["id"]]), car["id"])):
        if not greedy.add(car):
            return None
    return greedy.plan
