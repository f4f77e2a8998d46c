"""The page of results: a summary by family, and every instance, losses too."""

from math import exp, log

ORDER = ["micro", "small", "medium", "large", "xl", "huge", "jsp", "fjsp", "rcpsp", "rcpsp-max", "mm", "wt"]


def page(runs, machine, note):
    """Markdown from the kept runs, of which the last of a case, solver and budget counts."""
    last = {(run["case"], run["solver"], run["seconds"]): run for run in runs}
    best = best_of(runs)
    cases = {run["case"]: run for run in runs}
    budgets = sorted({seconds for _, solver, seconds in last if solver != "rules"})
    dates = sorted({run["date"] for run in last.values()})
    versions = {
        solver: ", ".join(sorted({run["version"] for run in last.values() if run["solver"] == solver}))
        for solver in ("fitup", "cpsat")
    }
    loads = [run["load"] for run in last.values()]
    lines = [
        "# fitup and CP-SAT side by side",
        "",
        f"Written by `tests/bench/run` on {' to '.join(sorted({dates[0], dates[-1]}))}. Machine: {machine}; load"
        f" average while it ran {min(loads)} to {max(loads)}, where 2 is what one run asks for itself. fitup:"
        f" {versions['fitup']}. CP-SAT: OR-Tools {versions['cpsat']}. Both with 2 threads and the same wall time, one"
        " after the other; every plan passed the independent checker, or counts as none. " + note,
        "",
        "Price and bound: smaller prices and larger bounds are better. Gap: (price - bound) / price. Ratio: price of"
        " fitup by price of CP-SAT at the same time, below 1 where fitup is ahead. Best known: the least price of any"
        " run kept, or the published value. Rules: the best of five dispatch rules.",
        "",
    ]
    for seconds in budgets:
        lines += summary(last, cases, best, seconds)
    for seconds in budgets:
        lines += every_case(last, cases, best, seconds)
    return "\n".join(lines)


def best_of(runs):
    """The least price by case; runs that were made over again count, too."""
    best = {}
    for run in runs:
        upper = (run.get("published") or ["", ""])[1]
        for price in (run["price"], int(upper) if upper.isdigit() else None):
            if price is not None:
                best[run["case"]] = min(price, best.get(run["case"], price))
    return best


def by_family(cases):
    families = {}
    for case, run in sorted(cases.items(), key=lambda pair: natural(pair[0])):
        families.setdefault(run["family"], []).append(case)
    return sorted(families.items(), key=lambda pair: (ORDER.index(pair[0]) if pair[0] in ORDER else 99, pair[0]))


def natural(name):
    return [(int(part), "") if part.isdigit() else (-1, part) for part in name.replace("/", "-").split("-")]


def summary(last, cases, best, seconds):
    lines = [
        f"## After {seconds:g} s, by family",
        "",
        "| family | instances | ratio, mean | ratio, worst | ahead, equal, behind | fitup above best known, mean, worst "
        "| gap of fitup, mean, worst | gap of CP-SAT, mean | proven by fitup, CP-SAT | below the rules, mean |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for family, names in by_family(cases):
        pairs = [(last.get((name, "fitup", seconds)), last.get((name, "cpsat", seconds)), name) for name in names]
        ours = [(own, name) for own, _, name in pairs if own]
        if not ours:
            continue
        ratios = [ratio(own, other) for own, other, _ in pairs if ratio(own, other) is not None]
        signs = [sum(sign(r) == wanted for r in ratios) for wanted in (-1, 0, 1)]
        above = [own["price"] / best[name] - 1 for own, name in ours if own["price"] and best.get(name)]
        gaps = [gap(own) for own, _ in ours if gap(own) is not None]
        other_gaps = [gap(other) for _, other, _ in pairs if other and gap(other) is not None]
        proven = [sum(bool(run) and run["status"] in ("optimal", "infeasible") for run in runs)
                  for runs in ([own for own, _, _ in pairs], [other for _, other, _ in pairs])]  # fmt: skip
        rules = [(own, last.get((name, "rules", 0))) for own, name in ours]
        below = [1 - own["price"] / rule["price"] for own, rule in rules if rule and own["price"] and rule["price"]]
        lines.append(
            f"| {family} | {len(ours)} | {geometric(ratios)} | {number(max(ratios, default=None))} "
            f"| {', '.join(map(str, signs))} | {percents(above)} | {percents(gaps)} | {percent(mean(other_gaps))} "
            f"| {proven[0]}, {proven[1]} | {percent(mean(below))} |"
        )
    return lines + [""]


def every_case(last, cases, best, seconds):
    lines = [
        f"## After {seconds:g} s, every instance",
        "",
        "| instance | operations | fitup: price | bound | gap | CP-SAT: price | bound | gap | ratio | best known | rules |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for _, names in by_family(cases):
        for name in names:
            own, other = (last.get((name, solver, seconds)) for solver in ("fitup", "cpsat"))
            if own or other:
                rule = last.get((name, "rules", 0))
                columns = [name, cases[name]["size"], *columns_of(own), *columns_of(other), number(ratio(own, other)),
                           grouped(best.get(name)), grouped(rule and rule["price"])]  # fmt: skip
                lines.append("| " + " | ".join(map(str, columns)) + " |")
    return lines + [""]


def columns_of(run):
    if run is None:
        return ["", "", ""]
    if run["price"] is None:
        return [run["status"], grouped(run["bound"]), ""]
    shown = "proven" if run["status"] == "optimal" else percent(gap(run))
    return [grouped(run["price"]), grouped(run["bound"]), shown]


def gap(run):
    if run["price"] is None or run["bound"] is None:
        return None
    return (run["price"] - run["bound"]) / run["price"] if run["price"] else 0.0


def ratio(own, other):
    if not own or not other or not own["price"] or not other["price"]:
        return None
    return own["price"] / other["price"]


def sign(value):
    return (value > 1) - (value < 1)


def mean(values):
    return sum(values) / len(values) if values else None


def geometric(values):
    return number(exp(mean([log(value) for value in values]))) if values else ""


def number(value):
    return "" if value is None else f"{value:.3f}"


def percent(value):
    return "" if value is None else f"{100 * value:.1f} %"


def percents(values):
    return f"{percent(mean(values))}, {percent(max(values))}" if values else ""


def grouped(value):
    return "" if value is None else f"{value:,}"
