"""A client of fitup that shares nothing with it but the network: messages come from server reflection.

Usage: client.py ADDRESS [FILE]

Enters the shop and the orders of FILE (default: client_shop.json beside this script), runs a plan, reads it back and
checks the rules of the trade by itself. Exit code 0 if all of them hold. Needs the packages grpcio and
grpcio-reflection.
"""

import json
import math
import sys
import uuid
from collections import defaultdict
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import grpc
from google.protobuf import descriptor_pool, json_format, message_factory
from grpc_reflection.v1alpha.proto_reflection_descriptor_database import ProtoReflectionDescriptorDatabase

WEEKDAYS = ["MONDAY", "TUESDAY", "WEDNESDAY", "THURSDAY", "FRIDAY", "SATURDAY", "SUNDAY"]
MINUTE = timedelta(minutes=1)


class Client:
    """Calls methods by name, with messages as JSON."""

    def __init__(self, address):
        self.channel = grpc.insecure_channel(address)
        database = ProtoReflectionDescriptorDatabase(self.channel)
        self.services = sorted(database.get_services())
        self.pool = descriptor_pool.DescriptorPool(database)

    def _stub(self, service, method):
        descriptor = self.pool.FindServiceByName(f"fitup.v1.{service}").methods_by_name[method]
        ask = message_factory.GetMessageClass(descriptor.input_type)
        answer = message_factory.GetMessageClass(descriptor.output_type)
        kind = self.channel.unary_stream if descriptor.server_streaming else self.channel.unary_unary
        call = kind(
            f"/fitup.v1.{service}/{method}",
            request_serializer=ask.SerializeToString,
            response_deserializer=answer.FromString,
        )
        return call, ask

    def call(self, service, method, **request):
        call, ask = self._stub(service, method)
        return to_json(call(json_format.ParseDict(request, ask(), descriptor_pool=self.pool), timeout=30))

    def stream(self, service, method, **request):
        call, ask = self._stub(service, method)
        for answer in call(json_format.ParseDict(request, ask(), descriptor_pool=self.pool), timeout=60):
            yield to_json(answer)

    def violations(self, error):
        """Returns the fields that a refusal names."""
        metadata = {key: value for key, value in error.trailing_metadata()}
        # google.rpc.Status and BadRequest, read by field number: their descriptors are not the server's to serve.
        status = fields(metadata["grpc-status-details-bin"])
        for detail in status[3]:
            wrapped = fields(detail)
            if wrapped[1][0] == b"type.googleapis.com/google.rpc.BadRequest":
                return [fields(violation)[1][0].decode() for violation in fields(wrapped[2][0])[1]]
        return []


def to_json(message):
    return json_format.MessageToDict(message, preserving_proto_field_name=True)


def fields(data):
    """Returns the length-delimited fields of a message, by number."""
    found, at = defaultdict(list), 0

    def varint():
        nonlocal at
        value, shift = 0, 0
        while True:
            byte = data[at]
            at += 1
            value |= (byte & 0x7F) << shift
            shift += 7
            if byte < 0x80:
                return value

    while at < len(data):
        key = varint()
        if key & 7 == 2:
            length = varint()
            found[key >> 3].append(data[at : at + length])
            at += length
        else:
            varint()
    return found


def time(text):
    return datetime.fromisoformat(text.replace("Z", "+00:00"))


def span(text):
    return timedelta(seconds=float((text or "0s").rstrip("s")))


class Checker:
    """Checks a plan against the facts that were entered, by rules of its own."""

    def __init__(self, facts, plan):
        self.facts, self.plan, self.broken = facts, plan, []
        self.shop = facts["shop"]
        self.zone = ZoneInfo(self.shop["time_zone"])
        self.technicians = {technician["id"]: technician for technician in self.shop["technicians"]}
        self.grid = int(self.shop["settings"]["grid_minutes"])

    def expect(self, holds, message):
        if not holds:
            self.broken.append(message)

    def check(self):
        bays, people, pools = defaultdict(list), defaultdict(list), defaultdict(list)
        planned = {order["order"].split("/")[-1]: order for order in self.plan.get("orders", [])}
        left_out = {order["order"].split("/")[-1] for order in self.plan.get("left_out", [])}
        entered = {order for order in self.facts["orders"] if order not in self.facts["refused"]}
        self.expect(planned.keys() | left_out == entered and not planned.keys() & left_out, "an order is lost")
        for order_id, order in planned.items():
            facts = self.facts["orders"][order_id]
            operations = {operation["operation"]: operation for operation in order["operations"]}
            visits = {visit["visit"]: visit for visit in order.get("visits", [])}
            self.expect(operations.keys() == {o["id"] for o in facts["operations"]}, f"{order_id}: operations differ")
            for operation in facts["operations"]:
                self.operation(order_id, facts, operation, operations[operation["id"]], visits)
                window = (time(operations[operation["id"]]["start_time"]), time(operations[operation["id"]]["end_time"]))
                for person in operations[operation["id"]].get("technicians", []):
                    people[person].append((*window, f"{order_id}/{operation['id']}"))
                for need in operation.get("equipment", []):
                    pools[need["equipment"]].append((*window, int(need["count"])))
            self.links(order_id, facts, operations)
            for visit in facts.get("visits", []):
                bays[self.visit(order_id, facts, visit, visits[visit["id"]], operations)].append(
                    (time(visits[visit["id"]]["start_time"]), time(visits[visit["id"]]["end_time"]), order_id)
                )
            on_vehicle = [v for v in visits.values() if not v.get("loose_parts")]
            self.no_overlap(
                f"car of {order_id}", [(time(v["start_time"]), time(v["end_time"]), v["visit"]) for v in on_vehicle]
            )
            self.completion(order_id, facts, order, operations)
        for kind in (bays, people):
            for name, windows in kind.items():
                self.no_overlap(name, windows)
        for pool in self.shop["equipment"]:
            for start, _, _ in pools[pool["id"]]:
                used = sum(count for s, e, count in pools[pool["id"]] if s <= start < e)
                self.expect(used <= int(pool["count"]), f"{used} of {pool['id']} in use at {start}")
        self.price()
        return self.broken

    def operation(self, order_id, facts, operation, planned, visits):
        name = f"{order_id}/{operation['id']}"
        start, end = time(planned["start_time"]), time(planned["end_time"])
        crew, people = operation.get("crew", []), planned.get("technicians", [])
        self.expect(start >= time(self.facts["as_of_time"]), f"{name} starts before the plan's time")
        self.expect(start >= time(facts["arrival_time"]), f"{name} starts before the car is there")
        for part in facts.get("parts", []):
            if part["id"] in operation.get("needs", []) and not part.get("received"):
                self.expect(start >= time(part["expected_time"]), f"{name} starts without {part['id']}")
        self.expect(len(people) == len(crew) and len(set(people)) == len(people), f"{name} has the wrong crew")
        lengths = [span(operation["work"]) / MINUTE] if not crew else []
        for person, skill in zip(people, crew):
            skills = {s["skill"]: int(s.get("efficiency_percent", 100)) for s in self.technicians[person]["skills"]}
            self.expect(skill in skills, f"{person} has no skill {skill} for {name}")
            lengths.append(span(operation["work"]) / MINUTE * 100 / skills.get(skill, 100))
        length = math.ceil(max(lengths) / self.grid - 1e-9) * self.grid
        if operation.get("interruptible"):
            worked = sum(
                all(self.at_work(person, start + n * MINUTE) for person in people)
                for n in range(int((end - start) / MINUTE))
            )
        else:
            worked = int((end - start) / MINUTE)
            for person in people:
                there = all(self.at_work(person, start + n * MINUTE) for n in range(worked))
                self.expect(there, f"{person} is not at work for all of {name}")
        self.expect(worked == length, f"{name} takes {worked} minutes instead of {length}")
        if visit := operation.get("visit"):
            self.expect(planned["bay"] == visits[visit]["bay"], f"{name} is not in the bay of its visit")

    def at_work(self, person, instant):
        local = instant.astimezone(self.zone)
        if any(holiday["date"] == local.date().isoformat() for holiday in self.shop["holidays"]):
            return False
        calendar = next(c for c in self.shop["calendars"] if c["id"] == self.technicians[person]["calendar"])
        clock = local.strftime("%H:%M")
        inside = lambda window: window["start_time_of_day"] <= clock < window["end_time_of_day"]
        return any(
            f"WEEKDAY_{WEEKDAYS[local.weekday()]}" in shift["days"]
            and inside(shift["window"])
            and not any(inside(pause) for pause in shift.get("breaks", []))
            for shift in calendar["shifts"]
        )

    def links(self, order_id, facts, operations):
        for link in facts.get("links", []):
            wait = time(operations[link["to"]]["start_time"]) - time(operations[link["from"]]["end_time"])
            name = f"{order_id}: {link['from']} -> {link['to']}"
            self.expect(wait >= span(link.get("min_wait")), f"{name} waits {wait}, which is too short")
            self.expect("max_wait" not in link or wait <= span(link["max_wait"]), f"{name} waits {wait}, which is too long")

    def visit(self, order_id, facts, visit, planned, operations):
        bay = next(bay for bay in self.shop["bays"] if bay["id"] == planned["bay"])
        name = f"{order_id}/{visit['id']}"
        self.expect(visit["bay_class"] in bay["classes"], f"{name} is in {bay['id']}, which is no {visit['bay_class']}")
        inside = [operations[o["id"]] for o in facts["operations"] if o.get("visit") == visit["id"]]
        self.expect(time(planned["start_time"]) == min(time(o["start_time"]) for o in inside), f"{name} starts oddly")
        self.expect(time(planned["end_time"]) == max(time(o["end_time"]) for o in inside), f"{name} ends oddly")
        return bay["id"]

    def completion(self, order_id, facts, order, operations):
        end = max(time(operation["end_time"]) for operation in operations.values())
        self.expect(time(order["completion_time"]) == end, f"{order_id} is complete at another time")
        late = max(end - time(facts["promise_time"]), timedelta()) if "promise_time" in facts else timedelta()
        self.expect(span(order.get("lateness")) == late, f"{order_id} is late by {late}")

    def no_overlap(self, name, windows):
        windows = sorted(windows)
        for (_, end, one), (start, _, other) in zip(windows, windows[1:]):
            self.expect(end <= start, f"{name}: {one} and {other} overlap")

    def price(self):
        price = {key: int(value) for key, value in self.plan["price"].items()}
        total = price.pop("total", 0)
        self.expect(total == sum(price.values()), "the price is not the sum of its parts")
        late = flow = 0
        for order in self.plan.get("orders", []):
            facts = self.facts["orders"][order["order"].split("/")[-1]]
            late += int(facts.get("late_weight", 3)) * int(span(order.get("lateness")) / MINUTE)
            flow += int((time(order["completion_time"]) - time(facts["arrival_time"])) / MINUTE)
        if not self.plan.get("left_out"):
            self.expect(price.get("lateness", 0) == late, f"lateness costs {price.get('lateness')} instead of {late}")
            self.expect(price.get("flow", 0) == flow, f"flow costs {price.get('flow')} instead of {flow}")
        bound = int(self.plan.get("bound", 0))
        self.expect(0 <= bound <= total, f"bound {bound} is above price {total}")
        gap = (total - bound) / total if total else 0
        self.expect(abs(self.plan.get("gap", 0) - gap) < 1e-9, "the gap does not follow from price and bound")


def tampered(plan):
    """Yields copies of a plan, each broken in one way, with the way."""

    def later(order, operation, delta):
        for field in ("start_time", "end_time"):
            operation[field] = (time(operation[field]) + delta).isoformat()

    ways = {
        "an order is missing": lambda plan: plan["orders"].pop(),
        "an operation starts a day later": lambda plan: later(plan["orders"][0], plan["orders"][0]["operations"][0], 1440 * MINUTE),
        "an operation starts before the plan": lambda plan: later(plan["orders"][0], plan["orders"][0]["operations"][0], -2880 * MINUTE),
        "all cars are in one bay": lambda plan: [v.update(bay="rack") for o in plan["orders"] for v in o["visits"]],
        "one person does everything": lambda plan: [
            op.update(technicians=["ada"] * len(op["technicians"])) for o in plan["orders"] for op in o["operations"] if "technicians" in op
        ],
        "the price is lower": lambda plan: plan["price"].update(total="1"),
        "the bound is higher": lambda plan: plan.update(bound=str(int(plan["price"]["total"]) + 1)),
    }
    for way, change in ways.items():
        copy = json.loads(json.dumps(plan))
        change(copy)
        yield way, copy


def enter(client, facts):
    parent = f"shops/{facts['shop_id']}"
    client.call("ShopService", "CreateShop", shop_id=facts["shop_id"], shop=facts["shop"], request_id=str(uuid.uuid4()))
    for order_id, order in facts["orders"].items():
        request = dict(parent=parent, order_id=order_id, order=order, request_id=str(uuid.uuid4()))
        field = facts["refused"].get(order_id)
        try:
            client.call("OrderService", "CreateOrder", **request)
            assert field is None, f"{order_id} should have been refused for {field}"
        except grpc.RpcError as error:
            assert field and error.code() == grpc.StatusCode.INVALID_ARGUMENT, f"{order_id}: {error.details()}"
            assert field in client.violations(error), f"{order_id}: {client.violations(error)}"
    return parent


def main(address, path):
    facts = json.loads(Path(path).read_text(encoding="utf-8"))
    client = Client(address)
    for service in ("fitup.v1.ShopService", "fitup.v1.OrderService", "fitup.v1.PlanService", "grpc.health.v1.Health"):
        assert service in client.services, f"reflection does not list {service}"
    parent = enter(client, facts)
    run = client.call(
        "PlanService",
        "CreatePlanRun",
        parent=parent,
        limits={"time_limit": "3s", "as_of_time": facts["as_of_time"]},
        request_id=str(uuid.uuid4()),
    )
    states = list(client.stream("PlanService", "WatchPlanRun", name=run["name"]))
    last = states[-1]
    assert last["state"] == "STATE_SUCCEEDED", last
    prices = [int(state["best_price"]) for state in states if "best_price" in state]
    assert prices == sorted(prices, reverse=True), f"prices rise: {prices}"
    plan = client.call("PlanService", "GetPlan", name=last["plan"])
    assert client.call("PlanService", "GetPlan", name=f"{parent}/plans/-") == plan
    broken = Checker(facts, plan).check()
    for message in broken:
        print(f"broken: {message}", file=sys.stderr)
    for way, copy in tampered(plan):
        assert Checker(facts, copy).check(), f"the checks here do not see that {way}"
    count = len(plan.get("orders", []))
    print(f"{count} orders planned in {len(states)} states, price {plan['price'].get('total')}, gap {plan.get('gap', 0):.3f}")
    return 1 if broken else 0


if __name__ == "__main__":
    if len(sys.argv) not in (2, 3):
        sys.exit(__doc__)
    sys.exit(main(sys.argv[1], sys.argv[2] if len(sys.argv) == 3 else Path(__file__).with_name("client_shop.json")))
