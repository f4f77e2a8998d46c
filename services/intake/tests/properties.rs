//! What holds of every order that lines make.

mod support;

use std::collections::{BTreeMap, BTreeSet};

use fitup_intake::safety::{Case, check};
use fitup_intake::{Built, RuleBook, build, merge};
use fitup_model::floor::{Floor, WorkEvent, apply_work};
use fitup_model::order::{OrderLink, Progress};
use fitup_model::take_in::{EstimateLine, Override, TakeInFacts};
use fitup_model::{Order, OrderFacts};
use proptest::prelude::*;
use support::{any_lines, head, shop, start, take_in};

fn sorted(mut links: Vec<OrderLink>) -> Vec<OrderLink> {
    links.sort_by(|a, b| (&a.from, &a.to).cmp(&(&b.from, &b.to)));
    links
}

/// The same order whatever the order of its links.
fn alike(facts: &OrderFacts) -> OrderFacts {
    OrderFacts { links: sorted(facts.links.clone()), ..facts.clone() }
}

fn holds_together(book: &RuleBook, take_in: &TakeInFacts, built: &Built) {
    let checked = Order::new(built.facts.clone(), &shop());
    assert!(checked.is_ok(), "{:#?}\n{:#?}", checked.err(), built.facts.links);
    let cautions = check(&Case { book, take_in, built });
    assert!(cautions.is_ok(), "{:#?}", cautions.err());
}

/// Visits of a car follow one another: none would have to be left and entered again.
fn visits_follow(facts: &OrderFacts) {
    let place = |id: &str| {
        let operation = facts.operation(id).expect("links lead to operations");
        operation.visit.clone().map_or_else(|| format!("operation {id}"), |visit| format!("visit {visit}"))
    };
    let mut after: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for link in &facts.links {
        let (from, to) = (place(&link.from), place(&link.to));
        if from != to {
            after.entry(from).or_default().insert(to);
        }
    }
    for first in after.keys() {
        let (mut seen, mut stack) = (BTreeSet::new(), vec![first]);
        while let Some(at) = stack.pop() {
            for next in after.get(at).into_iter().flatten() {
                assert!(next != first, "{first} would be left and entered again");
                if seen.insert(next) {
                    stack.push(next);
                }
            }
        }
    }
}

/// Starts some operations, each after what it follows: what is done, and perhaps one that runs.
fn under_way(built: &Built, started: usize, runs: bool) -> OrderFacts {
    let mut facts = built.facts.clone();
    let mut done: BTreeSet<String> = BTreeSet::new();
    let mut minute = 0;
    for count in 0..started {
        let ready = facts.operations.iter().position(|operation| {
            operation.progress == Progress::Waiting
                && facts.links.iter().all(|link| link.to != operation.id || done.contains(&link.from))
        });
        let Some(at) = ready else { break };
        let technicians: Vec<String> =
            (0..facts.operations[at].crew.len()).map(|index| format!("tech-{index}")).collect();
        let start_time = start(minute);
        minute += 10;
        let operation = &mut facts.operations[at];
        operation.progress = if runs && count + 1 == started {
            Progress::Running {
                start_time,
                technicians,
                remaining_minutes: operation.work_minutes,
                remaining_time: None,
            }
        } else {
            done.insert(operation.id.clone());
            Progress::Done { start_time, end_time: start(minute), technicians }
        };
        let visit = operation.visit.clone();
        for visit_facts in facts.visits.iter_mut().filter(|other| Some(&other.id) == visit.as_ref()) {
            visit_facts.bay = Some(format!("bay-{}", visit_facts.bay_class));
        }
    }
    facts
}

/// Renumbers lines so that each has an id of its own.
fn numbered(lines: Vec<EstimateLine>) -> Vec<EstimateLine> {
    let number = |(index, line): (usize, EstimateLine)| EstimateLine { id: format!("l{index}"), ..line };
    lines.into_iter().enumerate().map(number).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(100))]

    #[test]
    fn built_orders_hold_together(lines in any_lines(), features in support::any_features()) {
        let book = RuleBook::built_in();
        let take_in = TakeInFacts { features, ..take_in(numbered(lines)) };
        let built = build(&book, &take_in, head()).expect("the lines are right");
        holds_together(&book, &take_in, &built);
        visits_follow(&built.facts);
    }

    /// No minute of a line is lost or made up, and each operation says where it is from.
    #[test]
    fn minutes_are_accounted_for(lines in any_lines()) {
        let book = RuleBook::built_in();
        let take_in = take_in(numbered(lines));
        let built = build(&book, &take_in, head()).expect("the lines are right");
        for line in &take_in.lines {
            let given: u32 = built.origins.iter().flat_map(|origin| &origin.shares).filter(|share| {
                share.line == line.id && book.rules.iter().any(|rule| {
                    rule.id == share.rule && !rule.add.iter().any(|(_, minutes)| *minutes == share.minutes)
                })
            }).map(|share| share.minutes).sum();
            let added: u32 = built.origins.iter().flat_map(|origin| &origin.shares)
                .filter(|share| share.line == line.id).map(|share| share.minutes).sum();
            prop_assert!(given <= line.minutes && added >= line.minutes, "{line:?}: {given} {added}");
        }
        for (operation, origin) in built.facts.operations.iter().zip(&built.origins) {
            prop_assert_eq!(&operation.id, &origin.operation);
            prop_assert!(!origin.rules.is_empty() && !origin.reasons.is_empty());
            let given: u32 = origin.shares.iter().map(|share| share.minutes).sum();
            let hold = origin.does.contains(&fitup_intake::book::Activity::HoldGlass);
            prop_assert!(hold || operation.work_minutes >= given);
        }
    }

    /// The order in which lines are given does not matter.
    #[test]
    fn lines_may_be_shuffled(lines in any_lines(), seed in any::<u64>()) {
        let book = RuleBook::built_in();
        let lines = numbered(lines);
        let mut shuffled = lines.clone();
        let turn = (seed as usize) % shuffled.len();
        shuffled.rotate_left(turn);
        if seed % 2 == 0 { shuffled.reverse(); }
        let one = build(&book, &take_in(lines), head()).expect("the lines are right");
        let other = build(&book, &take_in(shuffled), head()).expect("the lines are right");
        prop_assert_eq!(one.facts.operations, other.facts.operations);
        prop_assert_eq!(sorted(one.facts.links), sorted(other.facts.links));
    }

    /// The same lines once more change nothing, however far the order is.
    #[test]
    fn the_same_lines_change_nothing(lines in any_lines(), started in 0_usize..30, runs in any::<bool>()) {
        let book = RuleBook::built_in();
        let take_in = take_in(numbered(lines));
        let built = build(&book, &take_in, head()).expect("the lines are right");
        let stored = under_way(&built, started, runs);
        let merged = merge(&book, &stored, Some(&built), built.clone());
        prop_assert_eq!(alike(&merged.facts), alike(&stored));
    }

    /// An order that remembers its parts by the names they once had gets those of now, and nothing else changes.
    #[test]
    fn parts_are_named_as_the_writer_did(lines in any_lines()) {
        let book = RuleBook::built_in();
        let take_in = take_in(numbered(lines));
        let built = build(&book, &take_in, head()).expect("the lines are right");
        let mut stored = built.facts.clone();
        let parts: Vec<String> = stored.parts.iter().map(|part| part.id.clone()).collect();
        let old = |id: &mut String| if parts.contains(id) { id.insert_str(0, "part-") };
        stored.parts.iter_mut().for_each(|part| old(&mut part.id));
        stored.operations.iter_mut().for_each(|operation| operation.needs.iter_mut().for_each(old));
        let merged = merge(&book, &stored, Some(&built), built.clone());
        prop_assert_eq!(alike(&merged.facts), alike(&built.facts));
        for line in take_in.lines.iter().filter(|line| !line.part_number.is_empty()) {
            let written = line.part_number.to_ascii_lowercase();
            prop_assert!(built.facts.parts.iter().any(|part| part.id == written), "{written}: {parts:?}");
        }
    }

    /// What has started stays, the rest holds together, and a repeat changes nothing.
    #[test]
    fn a_supplement_keeps_what_is_done(
        lines in any_lines(),
        more in any_lines(),
        started in 0_usize..40,
        runs in any::<bool>(),
    ) {
        let book = RuleBook::built_in();
        let before = take_in(numbered(lines.clone()));
        let first = build(&book, &before, head()).expect("the lines are right");
        let mut stored = under_way(&first, started, runs);
        // Somebody knew the hours of then to the minute: low and high give way to those of now, and stay in order.
        for operation in stored.operations.iter_mut().filter(|operation| !operation.crew.is_empty()) {
            operation.low_work_minutes = Some(operation.work_minutes);
            operation.high_work_minutes = Some(operation.work_minutes);
        }
        let after = take_in(numbered(lines.into_iter().chain(more).collect()));
        let second = build(&book, &after, head()).expect("the lines are right");
        let merged = merge(&book, &stored, Some(&first), second.clone());
        for operation in stored.operations.iter().filter(|operation| operation.progress != Progress::Waiting) {
            let kept = merged.facts.operation(&operation.id).expect("what has started stays");
            match (&operation.progress, &kept.progress) {
                (Progress::Running { remaining_minutes: was, .. }, Progress::Running { remaining_minutes: is, .. }) => {
                    prop_assert!(is >= was);
                }
                _ => prop_assert_eq!(kept, operation),
            }
        }
        let checked = Order::new(merged.facts.clone(), &shop());
        prop_assert!(checked.is_ok(), "{:#?}", checked.err());
        // All that lines ask for is there, booked or to come.
        for operation in second.facts.operations.iter().filter(|operation| !operation.crew.is_empty()) {
            let pieces = merged.facts.operations.iter().filter(|other| {
                other.id == operation.id || fitup_intake::merge::whole(&other.id) == operation.id
            });
            prop_assert!(pieces.map(|piece| piece.work_minutes).sum::<u32>() >= operation.work_minutes);
        }
        let again = merge(&book, &merged.facts, Some(&second), second.clone());
        prop_assert_eq!(alike(&again.facts), alike(&merged.facts));
    }

    /// What a person settled is settled after lines have changed, in the order and by flags.
    #[test]
    fn overrides_survive(lines in any_lines(), more in any_lines(), pick in any::<prop::sample::Index>(), minutes in 1_u32..90) {
        let book = RuleBook::built_in();
        let before = take_in(numbered(lines.clone()));
        let first = build(&book, &before, head()).expect("the lines are right");
        let attended: Vec<String> =
            first.facts.operations.iter().filter(|operation| !operation.crew.is_empty()).map(|one| one.id.clone()).collect();
        let operation = attended[pick.index(attended.len())].clone();
        let settled = Override::Work { operation: operation.clone(), minutes };
        let after = TakeInFacts {
            overrides: vec![settled],
            ..take_in(numbered(lines.into_iter().chain(more).collect()))
        };
        let second = build(&book, &after, head()).expect("the lines are right");
        prop_assert_eq!(second.facts.operation(&operation).map(|one| one.work_minutes), Some(minutes));
        let merged = merge(&book, &first.facts, Some(&first), second);
        prop_assert_eq!(merged.facts.operation(&operation).map(|one| one.work_minutes), Some(minutes));
        // The same by hand, in the order itself.
        let mut stored = first.facts.clone();
        for one in stored.operations.iter_mut().filter(|one| one.id == operation) {
            one.work_minutes += 7;
        }
        let plain = TakeInFacts { overrides: Vec::new(), ..after };
        let third = build(&book, &plain, head()).expect("the lines are right");
        let merged = merge(&book, &stored, Some(&first), third);
        let expected = stored.operation(&operation).map(|one| one.work_minutes);
        prop_assert_eq!(merged.facts.operation(&operation).map(|one| one.work_minutes), expected);
    }

    /// Whatever is left out or linked by hand, links have no circles.
    #[test]
    fn links_have_no_circles(
        lines in any_lines(),
        picks in prop::collection::vec((any::<prop::sample::Index>(), any::<prop::sample::Index>(), 0..3), 0..6),
    ) {
        let book = RuleBook::built_in();
        let plain = take_in(numbered(lines));
        let first = build(&book, &plain, head()).expect("the lines are right");
        let id = |index: &prop::sample::Index| {
            first.facts.operations[index.index(first.facts.operations.len())].id.clone()
        };
        let overrides = picks.iter().map(|(one, other, kind)| match kind {
            0 => Override::LeaveOut { operation: id(one) },
            1 => Override::Unlink { from: id(one), to: id(other) },
            _ => Override::Link { from: id(one), to: id(other), min_wait_minutes: 5, max_wait_minutes: None },
        }).collect();
        if let Ok(built) = build(&book, &TakeInFacts { overrides, ..plain }, head()) {
            let checked = Order::new(built.facts.clone(), &shop());
            prop_assert!(checked.is_ok(), "{:#?}", checked.err());
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    /// A failed check brings what the rule book names for it, on its own panel, and the check again; the order still holds
    /// together, and what waited for the check waits for the new one.
    #[test]
    fn a_failed_check_brings_what_the_rule_book_names(lines in any_lines(), which in any::<prop::sample::Index>()) {
        let book = RuleBook::built_in();
        let take_in = take_in(numbered(lines));
        let built = build(&book, &take_in, head()).expect("the lines are right");
        let checks: Vec<&str> = built.facts.operations.iter().filter(|one| one.hold_point.is_some())
            .map(|one| one.id.as_str()).collect();
        let check = which.get(&checks).to_string();
        // All that leads to it is done, and it runs.
        let before = |facts: &OrderFacts, id: &str| {
            let (mut found, mut stack) = (BTreeSet::new(), vec![id.to_owned()]);
            while let Some(at) = stack.pop() {
                let firsts = facts.links.iter().filter(|link| link.to == at).map(|link| link.from.clone());
                stack.extend(firsts.filter(|first| found.insert(first.clone())).collect::<Vec<_>>());
            }
            found
        };
        let mut facts = built.facts.clone();
        let done = before(&facts, &check);
        for (minute, operation) in facts.operations.iter_mut().enumerate() {
            let technicians: Vec<String> = (0..operation.crew.len()).map(|index| format!("tech-{index}")).collect();
            let (start_time, end_time) = (start(minute as i64 * 10), start(minute as i64 * 10 + 5));
            if operation.id == check {
                let (remaining_minutes, remaining_time) = (operation.work_minutes, None);
                operation.progress = Progress::Running { start_time, technicians, remaining_minutes, remaining_time };
            } else if done.contains(&operation.id) {
                operation.progress = Progress::Done { start_time, end_time, technicians };
            } else {
                continue;
            }
            for visit in facts.visits.iter_mut().filter(|visit| Some(&visit.id) == operation.visit.as_ref()) {
                visit.bay = Some(format!("bay-{}", visit.bay_class));
            }
        }
        let (shop, orders) = (shop(), [facts.clone()]);
        let floor = Floor { shop: &shop, orders: &orders, published: None, at: start(5000) };
        let fail = WorkEvent::Check { passed: false, measurement: String::new(), reason: String::new() };
        let (failed, note) = apply_work(&floor, &facts.id, &check, &fail).expect("is allowed");
        let origin = built.origins.iter().find(|origin| origin.operation == check).expect("is from lines");
        let named = &book.operation(&origin.template).expect("is in the book").rework;
        let brought: Vec<String> = built.origins.iter().filter(|other| {
            named.contains(&other.template)
                && (origin.panel.is_none() || other.panel.is_none() || origin.panel == other.panel)
                && done.contains(&other.operation)
        }).map(|other| format!("{}-2", other.operation)).chain([format!("{check}-2")]).collect();
        prop_assert_eq!(&note.added, &brought);
        let whole = Order::new(failed.clone(), &shop);
        prop_assert!(whole.is_ok(), "{:#?}", whole.err());
        let again = before(&failed, &format!("{check}-2"));
        prop_assert!(brought[..brought.len() - 1].iter().all(|id| again.contains(id)));
        for link in facts.links.iter().filter(|link| link.from == check) {
            prop_assert!(before(&failed, &link.to).contains(&format!("{check}-2")), "{} does not wait", link.to);
        }
    }
}
