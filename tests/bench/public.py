"""Public benchmark files: readers, a checker of plans for them, and a CP-SAT model.

All of them are one kind of project: activities with modes, arcs from start to start or from end to start, renewable
and non-renewable resources. Nothing here is shared with the readers of planfile.

Job shop: Fisher and Thompson 1963, Lawrence 1984, Adams, Balas and Zawack 1988, Applegate and Cook 1991. Flexible job
shop: Brandimarte 1993, doi:10.1007/BF02023073. Project networks: Kolisch and Sprecher 1996 (PSPLIB),
doi:10.1016/S0377-2217(96)00170-1; with maximum lags: Schwindt 1998. Weighted tardiness: Crauwels, Potts and Van
Wassenhove 1998, doi:10.1287/ijoc.10.3.341.
"""

import re
from dataclasses import dataclass, field
from pathlib import Path


@dataclass
class Activity:
    name: str
    # (duration, demand by resource)
    modes: list
    weight: int = 0
    due: int = 0


@dataclass
class Project:
    name: str
    activities: list = field(default_factory=list)
    # (from, to, lag, whether the lag counts from the start of `from` and not from its end)
    arcs: list = field(default_factory=list)
    renewable: dict = field(default_factory=dict)
    consumed: dict = field(default_factory=dict)
    tardiness: bool = False


def numbers(text):
    return [int(word) for word in re.findall(r"-?\d+", text)]


def read_job_shop(path):
    rows = [numbers(line) for line in path.read_text().splitlines() if line.strip()]
    jobs, machines = rows[0]
    project = Project(path.stem, renewable={f"m{machine}": 1 for machine in range(machines)})
    for job, row in enumerate(rows[1 : jobs + 1]):
        for step, (machine, duration) in enumerate(zip(row[::2], row[1::2])):
            project.activities.append(Activity(f"j{job}.{step}", [(duration, {f"m{machine}": 1})]))
            if step:
                project.arcs.append((f"j{job}.{step - 1}", f"j{job}.{step}", 0, False))
    return project


def read_flexible_job_shop(path):
    rows = [line.split() for line in path.read_text().splitlines() if line.strip()]
    jobs, machines = int(rows[0][0]), int(rows[0][1])
    words = [int(word) for row in rows[1 : jobs + 1] for word in row]
    read, position = [], 0
    for _ in range(jobs):
        operations, position = words[position], position + 1
        read.append([])
        for _ in range(operations):
            count, position = words[position], position + 1
            pairs = words[position : position + 2 * count]
            position += 2 * count
            read[-1].append(list(zip(pairs[::2], pairs[1::2])))
    first = 0 if any(machine == 0 for job in read for ways in job for machine, _ in ways) else 1
    project = Project(path.stem, renewable={f"m{machine}": 1 for machine in range(machines)})
    for job, operations in enumerate(read):
        for step, ways in enumerate(operations):
            modes = [(duration, {f"m{machine - first}": 1}) for machine, duration in ways]
            project.activities.append(Activity(f"j{job}.{step}", modes))
            if step:
                project.arcs.append((f"j{job}.{step - 1}", f"j{job}.{step}", 0, False))
    return project


def read_psplib(path):
    """Single mode (.sm) and multi-mode (.mm)."""
    lines = path.read_text().splitlines()
    project = Project(path.stem)

    def section(title):
        start = next(index for index, line in enumerate(lines) if line.startswith(title)) + 1
        rows = []
        for line in lines[start:]:
            if line.startswith("***"):
                break
            rows.append(line)
        return rows

    counts = {kind: int(count) for kind, count in re.findall(r"- (renewable|nonrenewable)\s*:\s*(\d+)", "\n".join(lines))}
    names = [f"R{index}" for index in range(counts["renewable"])]
    names += [f"N{index}" for index in range(counts["nonrenewable"])]
    for line in section("PRECEDENCE RELATIONS")[1:]:
        job, _, _, *successors = numbers(line)
        project.activities.append(Activity(str(job), []))
        project.arcs += [(str(job), str(successor), 0, False) for successor in successors]
    current = None
    for line in section("REQUESTS/DURATIONS")[2:]:
        row = numbers(line)
        if len(row) == len(names) + 3:
            current, row = row[0], row[1:]
        needs = {name: need for name, need in zip(names, row[2:]) if need}
        project.activities[current - 1].modes.append((row[1], needs))
    capacities = numbers(section("RESOURCEAVAILABILITIES")[1])
    for name, capacity in zip(names, capacities):
        (project.renewable if name.startswith("R") else project.consumed)[name] = capacity
    return project


def read_patterson(path):
    words = numbers(path.read_text())
    count, resources = words[:2]
    project = Project(path.stem, renewable={f"R{index}": words[2 + index] for index in range(resources)})
    position = 2 + resources
    for activity in range(1, count + 1):
        duration, *needs = words[position : position + 1 + resources]
        successors = words[position + 1 + resources]
        position += 2 + resources
        demand = {f"R{index}": need for index, need in enumerate(needs) if need}
        project.activities.append(Activity(str(activity), [(duration, demand)]))
        for successor in words[position : position + successors]:
            project.arcs.append((str(activity), str(successor), 0, False))
        position += successors
    return project


def read_maximum_lag(path):
    rows = [numbers(line) for line in path.read_text().splitlines() if line.strip()]
    count, resources = rows[0][0] + 2, rows[0][1]
    project = Project(path.stem)
    for activity, row in enumerate(rows[1 : count + 1]):
        successors, lags = row[3 : 3 + row[2]], row[3 + row[2] :]
        for successor, lag in zip(successors, lags):
            project.arcs.append((str(activity), str(successor), lag, True))
    for activity, row in enumerate(rows[count + 1 : 2 * count + 1]):
        demand = {f"R{index}": need for index, need in enumerate(row[3:]) if need}
        project.activities.append(Activity(str(activity), [(row[2], demand)]))
    project.renewable = {f"R{index}": capacity for index, capacity in enumerate(rows[2 * count + 1][:resources])}
    return project


def read_weighted_tardiness(path):
    """A line a job: processing time, weight, due date."""
    words = numbers(path.read_text())
    project = Project(path.stem, renewable={"machine": 1}, tardiness=True)
    for job in range(len(words) // 3):
        duration, weight, due = words[3 * job : 3 * job + 3]
        project.activities.append(Activity(f"j{job}.0", [(duration, {"machine": 1})], weight, due))
    return project


READERS = {
    "job-shop": read_job_shop,
    "flexible-job-shop": read_flexible_job_shop,
    "psplib": read_psplib,
    "patterson": read_patterson,
    "maximum-lag": read_maximum_lag,
    "weighted-tardiness": read_weighted_tardiness,
}


def read(kind, path):
    return READERS[kind](Path(path))


def faults(project, plan):
    """Every broken rule of a plan in the JSON form of FORMAT.md, in words; a machine is a person of its name."""
    spans, used = {}, {name: 0 for name in project.consumed}
    held = {name: [] for name in project.renewable}
    found = []
    for activity in project.activities:
        done = plan["ops"].get(activity.name)
        if done is None:
            found.append(f'activity "{activity.name}" is missing')
            continue
        start, end = done["start"], done["end"]
        spans[activity.name] = (start, end)
        modes = [mode for mode in activity.modes if mode[0] == end - start]
        if done.get("techs"):
            modes = [mode for mode in modes if set(done["techs"]) == mode[1].keys()]
        if start < 0 or not modes:
            found.append(f'activity "{activity.name}" has no mode for {start} to {end}')
            continue
        # A plan for several modes says by "mode" which one it is.
        mode = activity.modes[done["mode"]] if "mode" in done else modes[0]
        if mode not in modes:
            found.append(f'activity "{activity.name}" takes another time in mode {done["mode"]}')
        for name, need in mode[1].items():
            if name in held:
                held[name].append((start, end, need))
            else:
                used[name] += need
    for before, after, lag, from_start in project.arcs:
        if before in spans and after in spans and spans[after][0] < spans[before][0 if from_start else 1] + lag:
            found.append(f'activity "{after}" starts too early after "{before}"')
    for name, uses in held.items():
        for time in {start for start, end, _ in uses if start < end}:
            need = sum(need for start, end, need in uses if start <= time < end)
            if need > project.renewable[name]:
                found.append(f'resource "{name}" is used {need} times at {time}')
    for name, need in used.items():
        if need > project.consumed[name]:
            found.append(f'resource "{name}" is used up: {need} of {project.consumed[name]}')
    return found


def price(project, plan):
    """Makespan, or weighted tardiness."""
    ends = {activity.name: plan["ops"][activity.name]["end"] for activity in project.activities}
    if project.tardiness:
        return sum(own.weight * max(0, ends[own.name] - own.due) for own in project.activities)
    return max(ends.values())


class ProjectModel:
    """The usual CP-SAT model: an optional interval a mode, capacities, arcs."""

    def __init__(self, project):
        from ortools.sat.python import cp_model

        self.project, self.model = project, cp_model.CpModel()
        model = self.model
        horizon = sum(max(duration for duration, _ in activity.modes) for activity in project.activities)
        horizon += sum(max(0, lag) for _, _, lag, _ in project.arcs)
        self.start, self.end, self.modes = {}, {}, {}
        uses = {name: [] for name in project.renewable | project.consumed}
        for activity in project.activities:
            name, shortest = activity.name, min(duration for duration, _ in activity.modes)
            longest = max(duration for duration, _ in activity.modes)
            start, end = model.new_int_var(0, horizon, name), model.new_int_var(0, horizon, name)
            self.start[name], self.end[name] = start, end
            if len(activity.modes) == 1:
                interval = model.new_fixed_size_interval_var(start, shortest, name)
                model.add(end == start + shortest)
                self.modes[name] = [(True, activity.modes[0])]
                for resource, need in activity.modes[0][1].items():
                    uses[resource].append((interval, need, 1))
                continue
            size = model.new_int_var(shortest, longest, name)
            model.new_interval_var(start, size, end, name)
            literals = [model.new_bool_var(f"{name} {mode}") for mode in range(len(activity.modes))]
            model.add_exactly_one(literals)
            model.add(size == sum(mode[0] * literal for mode, literal in zip(activity.modes, literals)))
            self.modes[name] = list(zip(literals, activity.modes))
            for literal, (duration, needs) in self.modes[name]:
                interval = model.new_optional_fixed_size_interval_var(start, duration, literal, name)
                for resource, need in needs.items():
                    uses[resource].append((interval, need, literal))
        for before, after, lag, from_start in project.arcs:
            model.add(self.start[after] >= (self.start if from_start else self.end)[before] + lag)
        for name, capacity in project.renewable.items():
            intervals, needs = [use[0] for use in uses[name]], [use[1] for use in uses[name]]
            if capacity == 1:
                model.add_no_overlap(intervals)
            elif intervals:
                model.add_cumulative(intervals, needs, capacity)
        for name, capacity in project.consumed.items():
            model.add(sum(need * literal for _, need, literal in uses[name]) <= capacity)
        if project.tardiness:
            late = []
            for activity in project.activities:
                late.append(model.new_int_var(0, horizon, f"late {activity.name}"))
                model.add(late[-1] >= self.end[activity.name] - activity.due)
            model.minimize(sum(activity.weight * own for activity, own in zip(project.activities, late)))
            # Earliest due date first, as a start.
            time = 0
            for activity, own in sorted(zip(project.activities, late), key=lambda pair: pair[0].due):
                model.add_hint(self.start[activity.name], time)
                time += activity.modes[0][0]
                model.add_hint(self.end[activity.name], time)
                model.add_hint(own, max(0, time - activity.due))
        else:
            latest = model.new_int_var(0, horizon, "latest")
            model.add_max_equality(latest, list(self.end.values()))
            model.minimize(latest)

    def plan(self, solver):
        ops = {}
        for name, modes in self.modes.items():
            mode = next(index for index, (literal, _) in enumerate(modes) if literal is True or solver.value(literal))
            ops[name] = {"start": solver.value(self.start[name]), "end": solver.value(self.end[name]), "mode": mode}
        return {"name": self.project.name, "ops": ops, "visits": {}}
