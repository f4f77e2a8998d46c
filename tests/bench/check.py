#!/usr/bin/env python3
"""Judges a plan for a shop file by the words of FORMAT.md alone.

    check.py PROBLEM.json PLAN.json

Prints `good, price N` and ends with 0, or prints every broken rule and ends with 1. It shares no code with a solver.
Working time is counted step by step along the horizon, and overlaps are found by comparing every pair in reach: slow
and obvious. `--self-test` breaks a good plan in every way and expects to be told so.
"""

import copy
import json
import sys
from decimal import Decimal
from pathlib import Path


def price(problem, plan):
    """The price of a plan that holds every operation, or its makespan."""
    total = latest = 0
    for car in problem["cars"]:
        done = max(plan["ops"][op["id"]]["end"] for op in car["ops"])
        total += car["late_weight"] * max(0, done - car["promise"]) + car["flow_weight"] * (done - car["arrive"])
        latest = max(latest, done)
    return latest if problem.get("objective", "price") == "makespan" else total


def faults(problem, plan):
    """Every broken rule, in words."""
    found = list(faults_of_shape(problem, plan))
    if not found:
        for rule in (faults_of_time, faults_of_people, faults_of_equipment, faults_of_bays, faults_of_links):
            found += rule(problem, plan)
    return found


def faults_of_shape(problem, plan):
    if plan.get("name") != problem["name"]:
        yield f'plan is for "{plan.get("name")}", not for "{problem["name"]}"'
    ops, visits = plan.get("ops"), plan.get("visits")
    if not isinstance(ops, dict) or not isinstance(visits, dict):
        yield "plan lacks ops or visits"
        return
    wanted = {op["id"] for car in problem["cars"] for op in car["ops"]}
    for name in sorted(wanted ^ ops.keys()):
        yield f'operation "{name}" is missing' if name in wanted else f'operation "{name}" is unknown'
    wanted = {f'{car["id"]}/{visit["id"]}' for car in problem["cars"] for visit in car["visits"]}
    for name in sorted(wanted ^ visits.keys()):
        yield f'visit "{name}" is missing' if name in wanted else f'visit "{name}" is unknown'
    people = {tech["id"] for tech in problem["techs"]}
    bays = {bay["id"] for bay in problem["bays"]}
    for name, done in ops.items():
        if not all(type(done.get(key)) is int for key in ("start", "end")) or type(done.get("techs")) is not list:
            yield f'operation "{name}" lacks a whole start or end or a list of people'
        elif done["end"] < done["start"] or done["start"] < 0:
            yield f'operation "{name}" has no span: {done["start"]} to {done["end"]}'
        else:
            for person in done["techs"]:
                if person not in people:
                    yield f'operation "{name}" names the unknown person "{person}"'
    for name, bay in visits.items():
        if bay not in bays:
            yield f'visit "{name}" names the unknown bay "{bay}"'


def open_steps(problem, calendar):
    """For each step of the grid, whether the calendar is open."""
    grid = problem["grid"]
    steps = [False] * (problem["horizon"] // grid)
    for opens, closes in problem["calendars"][calendar]:
        for step in range(opens // grid, closes // grid):
            steps[step] = True
    return steps


def steps_of_work(work, rate, grid):
    """Steps of the grid that `work` takes at `rate`, a decimal: the least n with n * grid * rate >= work."""
    rate = Decimal(str(rate))
    steps = int(Decimal(work) / (rate * grid))
    while steps * grid * rate < work:
        steps += 1
    while steps > 0 and (steps - 1) * grid * rate >= work:
        steps -= 1
    return steps


def faults_of_time(problem, plan):
    grid, horizon = problem["grid"], problem["horizon"]
    calendars = {name: open_steps(problem, name) for name in problem["calendars"]}
    techs = {tech["id"]: tech for tech in problem["techs"]}
    for car in problem["cars"]:
        for op in car["ops"]:
            done, name = plan["ops"][op["id"]], f'operation "{op["id"]}"'
            start, end = done["start"], done["end"]
            if start % grid or end % grid:
                yield f"{name} is off the grid: {start} to {end}"
                continue
            if start < car["arrive"]:
                yield f'{name} starts at {start}, before the car arrives at {car["arrive"]}'
            if start < op["not_before"]:
                yield f'{name} starts at {start}, not before {op["not_before"]}'
            if end > horizon:
                yield f"{name} ends at {end}, after the horizon {horizon}"
                continue
            if len(done["techs"]) != len(op["crew"]):
                yield f'{name} has {len(done["techs"])} people for {len(op["crew"])} places'
                continue
            if not op["crew"]:
                if end - start != op["work"]:
                    yield f'{name} takes {end - start} minutes, not {op["work"]}'
                continue
            if len(set(done["techs"])) < len(done["techs"]):
                yield f"{name} names somebody twice"
            lengths, there = [], []
            for person, skill in zip(done["techs"], op["crew"]):
                if skill not in techs[person]["skills"]:
                    yield f'{name}: "{person}" lacks the skill "{skill}"'
                else:
                    lengths.append(steps_of_work(op["work"], techs[person]["skills"][skill], grid))
                    there.append(calendars[techs[person]["calendar"]])
            if len(lengths) < len(op["crew"]):
                continue
            first, last = start // grid, end // grid
            worked = [all(calendar[step] for calendar in there) for step in range(first, last)]
            if sum(worked) != max(lengths):
                yield f"{name} holds {sum(worked) * grid} minutes of work, not {max(lengths) * grid}"
            elif op["interruptible"]:
                if not worked[0]:
                    yield f"{name} starts at {start}, while one of its crew is off"
                if not worked[-1]:
                    yield f"{name} ends at {end}, later than its work"
            elif not all(worked):
                yield f"{name} is not inside one window of its crew: {start} to {end}"


def overlaps(spans):
    """All pairs of (start, end, name) of which both hold a common minute."""
    spans = sorted(span for span in spans if span[0] < span[1])
    for index, (_, end, name) in enumerate(spans):
        for other in spans[index + 1 :]:
            if other[0] >= end:
                break
            yield name, other[2], other[0]


def faults_of_people(problem, plan):
    days = {tech["id"]: [] for tech in problem["techs"]}
    for name, done in plan["ops"].items():
        for person in set(done["techs"]):
            days[person].append((done["start"], done["end"], name))
    for person, spans in days.items():
        for one, other, time in overlaps(spans):
            yield f'"{person}" is on "{one}" and on "{other}" at {time}'


def faults_of_equipment(problem, plan):
    for pool in problem["equipment"]:
        changes = []
        for car in problem["cars"]:
            for op in car["ops"]:
                done = plan["ops"][op["id"]]
                for name, pieces in op["equipment"]:
                    if name == pool["id"] and done["start"] < done["end"]:
                        changes += [(done["start"], pieces), (done["end"], -pieces)]
        used = 0
        for time in sorted({time for time, _ in changes}):
            used += sum(pieces for at, pieces in changes if at == time)
            if used > pool["capacity"]:
                yield f'{used} pieces of "{pool["id"]}" are in use at {time}, of {pool["capacity"]}'


def faults_of_bays(problem, plan):
    grid = problem["grid"]
    bays = {bay["id"]: bay for bay in problem["bays"]}
    calendars = {name: open_steps(problem, name) for name in problem["calendars"]}
    stays = {bay: [] for bay in bays}
    for car in problem["cars"]:
        at_car = []
        for visit in car["visits"]:
            name = f'{car["id"]}/{visit["id"]}'
            inside = [plan["ops"][op["id"]] for op in car["ops"] if op["visit"] == visit["id"]]
            start, end = min(done["start"] for done in inside), max(done["end"] for done in inside)
            bay = bays[plan["visits"][name]]
            if bay["class"] != visit["class"]:
                yield f'visit "{name}" needs a bay of class "{visit["class"]}", and "{bay["id"]}" is none'
            if not all(calendars[bay["calendar"]][start // grid : end // grid]):
                yield f'visit "{name}" is in "{bay["id"]}" from {start} to {end}, which is closed in between'
            stays[bay["id"]].append((start, end, name))
            if visit["on_vehicle"]:
                at_car.append((start, end, name))
        for one, other, time in overlaps(at_car):
            yield f'visits "{one}" and "{other}" hold the car at {time}'
    for bay, spans in stays.items():
        for one, other, time in overlaps(spans):
            yield f'visits "{one}" and "{other}" are in bay "{bay}" at {time}'


def faults_of_links(problem, plan):
    for car in problem["cars"]:
        for link in car["links"]:
            wait = plan["ops"][link["to"]]["start"] - plan["ops"][link["from"]]["end"]
            if wait < link["min"] or (link["max"] is not None and wait > link["max"]):
                allowed = f'{link["min"]} to {link["max"]}' if link["max"] is not None else f'{link["min"]} or more'
                yield f'"{link["to"]}" waits {wait} minutes for "{link["from"]}", not {allowed}'


def self_test():
    """Breaks the plan of FORMAT.md in every way, and expects the words that say so."""
    blocks = (Path(__file__).parent / "FORMAT.md").read_text().split("```json\n")[1:]
    problem, good = (json.loads(block.split("```")[0]) for block in blocks)
    assert faults(problem, good) == [], faults(problem, good)
    # ada sands 90 minutes at 1.2: 75; dry ends at 495. 3 * 0 + 1 * (495 - 360) = 135.
    assert price(problem, good) == 135

    ways = []

    def expect(words, change):
        ways.append(words)
        shop, plan = copy.deepcopy(problem), copy.deepcopy(good)
        change(shop, plan, {op["id"]: op for op in shop["cars"][0]["ops"]})
        found = faults(shop, plan)
        assert any(words in fault for fault in found), (words, found)

    def move(plan, name, start, end):
        plan["ops"][name] |= {"start": start, "end": end}

    def another_person(shop):
        shop["techs"].append({"id": "bo", "calendar": "always", "skills": {"body": 1}})

    def another_visit(shop, plan, bay):
        shop["cars"][0]["visits"].append({"id": "more", "class": "prep", "on_vehicle": True})
        shop["cars"][0]["ops"][1]["visit"] = "more"
        shop["bays"].append({"id": "prep-2", "class": "prep", "calendar": "always"})
        plan["visits"]["17/more"] = bay
        move(plan, "17.dry", 400, 460)

    expect("plan is for", lambda shop, plan, ops: plan.update(name="x"))
    expect('"17.dry" is missing', lambda shop, plan, ops: plan["ops"].pop("17.dry"))
    expect('"x" is unknown', lambda shop, plan, ops: plan["ops"].update(x=plan["ops"]["17.dry"]))
    expect('"17/prep" is missing', lambda shop, plan, ops: plan["visits"].clear())
    expect("unknown bay", lambda shop, plan, ops: plan["visits"].update({"17/prep": "x"}))
    expect("unknown person", lambda shop, plan, ops: plan["ops"]["17.sand"].update(techs=["x"]))
    expect("has no span", lambda shop, plan, ops: move(plan, "17.dry", 495, 435))
    expect("off the grid", lambda shop, plan, ops: move(plan, "17.dry", 437, 497))
    expect("before the car arrives", lambda shop, plan, ops: shop["cars"][0].update(arrive=365))
    expect("not before 440", lambda shop, plan, ops: ops["17.dry"].update(not_before=440))
    expect("after the horizon", lambda shop, plan, ops: move(plan, "17.dry", 2850, 2910))
    expect("people for 0 places", lambda shop, plan, ops: plan["ops"]["17.dry"].update(techs=["ada"]))
    expect("takes 65 minutes", lambda shop, plan, ops: move(plan, "17.dry", 435, 500))
    expect("lacks the skill", lambda shop, plan, ops: ops["17.sand"].update(crew=["weld"]))
    expect("minutes of work", lambda shop, plan, ops: move(plan, "17.sand", 365, 435))
    expect("starts at 350", lambda shop, plan, ops: (shop["cars"][0].update(arrive=0), move(plan, "17.sand", 350, 435)))
    expect("later than its work", lambda shop, plan, ops: move(plan, "17.sand", 525, 605))
    expect("not inside one window", lambda shop, plan, ops: (
        ops["17.sand"].update(interruptible=False), move(plan, "17.sand", 570, 675)))
    expect("somebody twice", lambda shop, plan, ops: (
        ops["17.sand"].update(crew=["refinish"] * 2), plan["ops"]["17.sand"].update(techs=["ada"] * 2)))
    expect('"ada" is on', lambda shop, plan, ops: (
        ops["17.dry"].update(crew=["body"]), plan["ops"]["17.dry"].update(techs=["ada"]), move(plan, "17.dry", 400, 470)))
    expect("pieces of", lambda shop, plan, ops: shop["equipment"][0].update(capacity=0))
    expect("needs a bay of class", lambda shop, plan, ops: shop["bays"][0].update({"class": "rack"}))
    expect("which is closed in between", lambda shop, plan, ops: (
        shop["calendars"].update(always=[[0, 400], [405, 2880]])))
    expect("hold the car", lambda shop, plan, ops: another_visit(shop, plan, "prep-2"))
    expect("are in bay", lambda shop, plan, ops: another_visit(shop, plan, "prep-1"))
    expect("waits 125 minutes", lambda shop, plan, ops: move(plan, "17.dry", 560, 620))
    expect("waits -5 minutes", lambda shop, plan, ops: move(plan, "17.dry", 430, 490))
    # Rates are decimals: 105 booked minutes at 0.7 are 150 exactly.
    assert steps_of_work(90, 1.2, 5) == 15 and steps_of_work(100, 0.7, 5) == 29 and steps_of_work(105, 0.7, 5) == 30
    print(f"{len(ways)} ways to break a plan are told")


def main():
    if sys.argv[1:] == ["--self-test"]:
        return self_test()
    if len(sys.argv) != 3:
        sys.exit(__doc__)
    problem = json.loads(Path(sys.argv[1]).read_text())
    plan = json.loads(Path(sys.argv[2]).read_text())
    found = faults(problem, plan)
    for fault in found:
        print(fault)
    if found:
        sys.exit(1)
    print(f"good, price {price(problem, plan)}")


if __name__ == "__main__":
    main()
