use super::*;
use crate::file::write::write_order;

const EXAMPLE: &str = include_str!("../../../examples/orders.toml");

fn read(text: &str) -> OrderFile {
    let zone = TimeZone::get("America/Chicago").expect("is in the time zone database");
    read_orders(&Source { name: "orders.toml".into(), text: text.into() }, &zone)
}

fn check_faults(text: &str, expected: &[&str]) {
    let faults: Vec<String> = read(text).all_faults().iter().map(ToString::to_string).collect();
    assert_eq!(faults, expected, "{text}");
}

#[test]
fn the_example_comes_back_as_it_was() {
    let example = read(EXAMPLE);
    assert_eq!(example.all_faults(), []);
    assert_eq!(example.orders.len(), 2);
    let zone = TimeZone::get("America/Chicago").expect("is in the time zone database");
    for draft in example.orders {
        let text = write_order(&draft.id, &draft.order, &zone);
        let again = read(&text);
        assert_eq!(again.all_faults(), [], "{text}");
        let mut order = again.orders[0].order.clone();
        let mut expected = draft.order.clone();
        for order in [&mut order, &mut expected] {
            order.links.sort_by(|a, b| (&a.to, &a.from).cmp(&(&b.to, &b.from)));
        }
        assert_eq!((&again.orders[0].id, order), (&draft.id, expected), "{text}");
    }
}

#[test]
fn tells_all_faults_with_their_lines() {
    check_faults(
        r#"
[[order]]
id = "1050"
vehicle = "grey hatchback"
arrival = 2031-05-05
promise = "2031-03-09 02:30"
promised = "soon"

[[order.operation]]
id = "pull"
hours = 2.333
crew = "structural"
hazards = ["tensoin"]

[[order.operation]]
id = "bake"
minutes = 30
after = ["pull +", "pull"]

[[order.part]]
name = "fender"

[[order]]
id = "1050"
vehicle = "blue van"
arrival = 2031-05-05T08:00:00
outline = "dor"
"#,
        &[
            "orders.toml:5:11: order \"1050\": `arrival`: \"2031-05-05\" has no time of day; write \"2031-05-05 08:00\"",
            "orders.toml:6:11: order \"1050\": `promise`: 2031-03-09 02:30 does not exist in America/Chicago: the clocks skip it",
            "orders.toml:7:1: order \"1050\": unknown key `promised`; did you mean `promise`?",
            "orders.toml:11:9: order \"1050\", operation \"pull\": `hours`: 2.333 is 139.98 minutes; whole minutes are wanted, such as 140 min",
            "orders.toml:12:8: order \"1050\", operation \"pull\": `crew` must be a list such as [\"structural\"], not a text",
            "orders.toml:13:12: order \"1050\", operation \"pull\": `hazards`: unknown hazard \"tensoin\"; there are high-voltage, restraint-system, isocyanate, uncured-glass, raised-vehicle, tension, refrigerant, welding",
            "orders.toml:15:1: order \"1050\", operation \"bake\": it names no crew; give `crew`, or `unattended = true` if it runs by itself, on the clock",
            "orders.toml:18:10: order \"1050\", operation \"bake\": `after`: \"\" is no time such as \"30 min\", \"1.5 h\" or \"2 d\"",
            "orders.toml:20:1: order \"1050\", part number 1: `id` is missing",
            "orders.toml:24:6: order \"1050\" stands twice in this file",
            "orders.toml:27:11: order \"1050\": there is no outline \"dor\"; did you mean \"door\"?",
        ],
    );
}

#[test]
fn an_outline_gives_what_the_order_does_not_say() {
    let file = read(
        r#"
[[order]]
id = "1051"
vehicle = "red wagon, left door"
arrival = "2031-05-05 08:00"
outline = "door"
hours = { fit = 2, refinish = 1.5, blend = 0 }

[[order.operation]]
id = "strip"
hours = 1
done = { start = "2031-05-05 08:00", end = "2031-05-05 09:00", technicians = ["ines"] }

[[order.operation]]
id = "stripe"
minutes = 30
crew = ["refinish"]
after = ["fit"]

[[order.part]]
id = "door-shell"
received = true
"#,
    );
    assert_eq!(file.all_faults(), []);
    let order = &file.orders[0].order;
    let strip = order.operations.iter().find(|operation| operation.id == "strip").expect("is in the outline");
    assert_eq!(strip.work, Some(text::duration(60)));
    assert_eq!(strip.crew, ["body"]);
    assert!(strip.progress.is_some());
    assert!(order.operations.iter().all(|operation| operation.id != "blend"));
    assert_eq!(order.operations.last().map(|operation| operation.id.as_str()), Some("stripe"));
    assert!(order.parts.iter().any(|part| part.id == "door-shell" && part.received));
}

#[test]
fn an_outline_asks_for_its_hours() {
    check_faults(
        "[[order]]\nid = \"1\"\nvehicle = \"v\"\narrival = \"2031-05-05 08:00\"\noutline = \"door\"\nhours = { fot = 1 }\n",
        &[
            "orders.toml:5:11: order \"1\": the outline asks for the hours of strip, fit, refinish; write hours = { strip = .., fit = .., refinish = .. }",
            "orders.toml:6:17: order \"1\": `hours`: outline \"door\" has no operation \"fot\"; did you mean \"fit\"?",
        ],
    );
}
