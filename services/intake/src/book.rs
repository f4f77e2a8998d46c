//! A rule book: a TOML file that says how lines become operations.
//!
//! | table | says |
//! | --- | --- |
//! | `[book]` | `title`; `works`, `labours`, `features`: the words that lines may use |
//! | `[[panel]]` | which panels are of a `kind`: `names` with `*` for anything; the first that fits holds |
//! | `[[visit]]` | stays in bays: `id`, `class`, `family`, `loose_parts` |
//! | `[[operation]]` | what each kind of operation needs: `id`, `name`, `per_panel`, `own` (leads only to what lines of its panel give to), `hours` (once, besides what lines give), `usual_hours` (where no line gives any), `crew` or `unattended`, `visit`, `uses`, `stops_at_closing`, `same_person`, `approvals`, `hazards`, `does` (what the safety rules look for), `hold` (what must be right before work goes on), `rework` (what is done again, and then the check, when it is not), `again` (done again when what it follows is), `required` (may not be left out) |
//! | `[[follow]]` | that `then` comes after `first`, with a `wait` such as `"30 min"`, `"10 min .. 45 min"`, `"within 4 h"` |
//! | `[[rule]]` | which lines (`work`, `panel`, `labour`, `condition`, `beside`, `feature`) `give` which operations how many percent of their hours, `add` fixed hours, and which operations wait for the part |
//! | `[[bring]]` | which lines, or every car, bring operations besides; all that fit hold |
//! | `[[adhesive]]` | hours until a car with freshly set glass may leave, by temperature and humidity, as its maker says |
//! | `[safety]` | which bay classes and skills the safety rules ask for, and the wait of glass without a table |
//!
//! Each says `why` and from where (`source`).

mod check;
mod read;

use fitup_model::order::{EquipmentNeed, Hazard, SamePersonWish};
use fitup_model::take_in::PartCondition;

/// A rule book takes so many bytes at most: seven of the one that is built in.
pub const LONGEST_TEXT: usize = 256 * 1024;
/// No more faults than this are told: finding the place of each takes a walk through the text.
const MOST_FAULTS: usize = 200;

/// Something wrong in a rule book, and where.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct BookFault {
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// A lowercase phrase that names the thing.
    pub message: String,
}

impl std::fmt::Display for BookFault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}:{}: {}", self.line, self.column, self.message)
    }
}

/// Why something is so, and who says so.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Reason {
    /// Why.
    pub why: String,
    /// A published source, or that there is none.
    pub source: String,
}

/// Panels of one kind.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PanelKind {
    /// The kind.
    pub kind: String,
    /// Names; `*` stands for anything.
    pub names: Vec<String>,
}

/// A stay in a bay.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct VisitTemplate {
    /// Its id.
    pub id: String,
    /// Class of bay.
    pub class: String,
    /// Family for changeovers.
    pub family: Option<String>,
    /// Only parts are in the bay.
    pub loose_parts: bool,
}

/// What an operation does, as far as a safety rule asks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Activity {
    /// Sprays colour or clear.
    Spray,
    /// Sprays primer.
    Prime,
    /// Clears the booth of vapour, and bakes.
    Purge,
    /// Handles refrigerant.
    Refrigerant,
    /// Sets bonded glass.
    SetGlass,
    /// Waits until the adhesive holds.
    HoldGlass,
    /// Drives the car, or hands it over.
    Release,
    /// Makes the high-voltage system safe.
    IsolateHighVoltage,
    /// Welds, cuts or heats the structure.
    StructuralHeat,
    /// Powers the restraint system down.
    PowerDownRestraints,
    /// Unplugs or works beside airbags and belts.
    WorkOnRestraints,
    /// Pulls with chains or clamps.
    Pull,
    /// Aligns the wheels.
    Align,
    /// Aims a camera or radar.
    Calibrate,
    /// Works under a raised or anchored car.
    WorkUnderCar,
}

/// The words for activities.
pub const ACTIVITIES: [(&str, Activity); 15] = [
    ("spray", Activity::Spray),
    ("prime", Activity::Prime),
    ("purge", Activity::Purge),
    ("refrigerant", Activity::Refrigerant),
    ("set-glass", Activity::SetGlass),
    ("hold-glass", Activity::HoldGlass),
    ("release", Activity::Release),
    ("isolate-high-voltage", Activity::IsolateHighVoltage),
    ("structural-heat", Activity::StructuralHeat),
    ("power-down-restraints", Activity::PowerDownRestraints),
    ("work-on-restraints", Activity::WorkOnRestraints),
    ("pull", Activity::Pull),
    ("align", Activity::Align),
    ("calibrate", Activity::Calibrate),
    ("work-under-car", Activity::WorkUnderCar),
];

/// The words for hazards, as in order files.
pub const HAZARDS: [(&str, Hazard); 8] = [
    ("high-voltage", Hazard::HighVoltage),
    ("restraint-system", Hazard::RestraintSystem),
    ("isocyanate", Hazard::Isocyanate),
    ("uncured-glass", Hazard::UncuredGlass),
    ("raised-vehicle", Hazard::RaisedVehicle),
    ("tension", Hazard::Tension),
    ("refrigerant", Hazard::Refrigerant),
    ("welding", Hazard::Welding),
];

/// What an operation of one kind is like.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OperationTemplate {
    /// Its id; followed by the panel's if there is one for each panel.
    pub id: String,
    /// For people.
    pub name: String,
    /// There is one for each panel; otherwise all lines merge into one.
    pub per_panel: bool,
    /// It leads only to what lines of its panel have a part in.
    pub own: bool,
    /// Minutes that it takes once, besides what lines give.
    pub base_minutes: u32,
    /// Minutes that it takes where no line gives it any.
    pub usual_minutes: u32,
    /// A skill for each person; empty if unattended.
    pub crew: Vec<String>,
    /// Id of its visit.
    pub visit: Option<String>,
    /// Equipment.
    pub equipment: Vec<EquipmentNeed>,
    /// Stops at closing.
    pub interruptible: bool,
    /// Whom it wants to see again, by template.
    pub same_person: Option<SamePersonWish>,
    /// Approvals that it waits for, if the order has them.
    pub approvals: Vec<String>,
    /// What asks for caution.
    pub hazards: Vec<Hazard>,
    /// What the safety rules look for.
    pub does: Vec<Activity>,
    /// What must be right before work goes on.
    pub hold: Option<String>,
    /// Ids of templates that are done again when the check fails, before it is checked again; all come before it.
    pub rework: Vec<String>,
    /// Done again when what it follows is done again.
    pub again: bool,
    /// May not be left out by hand.
    pub required: bool,
    /// Why it is there.
    pub reason: Reason,
}

/// That one operation comes after another.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Follow {
    /// Id of the template before.
    pub first: String,
    /// Id of the template after.
    pub then: String,
    /// Shortest wait.
    pub min_wait_minutes: u32,
    /// Longest wait.
    pub max_wait_minutes: Option<u32>,
    /// Why.
    pub reason: Reason,
}

/// Which lines a rule is about; what is empty does not matter.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Match {
    /// What is done.
    pub works: Vec<String>,
    /// Kinds or names of panels.
    pub panels: Vec<String>,
    /// Kinds of labour.
    pub labours: Vec<String>,
    /// Condition of the part of the panel.
    pub condition: Option<PartCondition>,
    /// Another line of the same panel does one of these.
    pub beside: Vec<String>,
    /// The car has one of these.
    pub features: Vec<String>,
}

/// What lines lead to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rule {
    /// Its id.
    pub id: String,
    /// Which lines.
    pub when: Match,
    /// How many percent of the hours go to which template; they add up to 100. Empty if it brings things besides.
    pub give: Vec<(String, u32)>,
    /// Minutes that each line adds to a template.
    pub add: Vec<(String, u32)>,
    /// Templates that come along.
    pub bring: Vec<String>,
    /// Templates that wait for the part of the line.
    pub part: Vec<String>,
    /// What asks for caution.
    pub caution: Option<String>,
    /// Why.
    pub reason: Reason,
}

/// How long the adhesive of one kind takes until a car may leave.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Adhesive {
    /// Its id.
    pub id: String,
    /// Columns, in degrees Celsius, rising.
    pub temperatures: Vec<i32>,
    /// Rows, in percent of relative humidity, rising.
    pub humidities: Vec<i32>,
    /// Minutes, a row for each humidity.
    pub minutes: Vec<Vec<u32>>,
    /// Where the numbers are from.
    pub reason: Reason,
}

/// What the safety rules ask of the shop.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SafetyWords {
    /// Bay classes in which colour and clear are sprayed.
    pub spray_classes: Vec<String>,
    /// Bay classes in which primer is sprayed.
    pub prime_classes: Vec<String>,
    /// Skills of those who spray.
    pub spray_skills: Vec<String>,
    /// Skills of those who handle refrigerant.
    pub refrigerant_skills: Vec<String>,
    /// Skills of those who isolate high voltage.
    pub high_voltage_skills: Vec<String>,
    /// Minutes that glass holds a car where no table says.
    pub glass_minutes: u32,
    /// Minutes from power-down to the first work on restraints.
    pub restraint_minutes: u32,
}

/// A rule book that holds together.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RuleBook {
    /// What it is called.
    pub title: String,
    /// What lines may do.
    pub works: Vec<String>,
    /// Kinds of labour.
    pub labours: Vec<String>,
    /// What cars may have.
    pub features: Vec<String>,
    /// Kinds of panels.
    pub panels: Vec<PanelKind>,
    /// Stays in bays.
    pub visits: Vec<VisitTemplate>,
    /// Kinds of operations, each after what it follows.
    pub operations: Vec<OperationTemplate>,
    /// What follows what.
    pub follows: Vec<Follow>,
    /// Which lines give what: the first that fits holds.
    pub rules: Vec<Rule>,
    /// What comes along: all that fit hold.
    pub brings: Vec<Rule>,
    /// Tables of adhesives.
    pub adhesives: Vec<Adhesive>,
    /// What the safety rules ask for.
    pub safety: SafetyWords,
}

impl RuleBook {
    /// Reads a rule book.
    ///
    /// # Errors
    /// What is wrong with it, by place: everything, up to a number that nobody reads.
    pub fn parse(text: &str) -> Result<RuleBook, Vec<BookFault>> {
        if text.len() > LONGEST_TEXT {
            let message = format!("the rule book takes {} bytes; at most {LONGEST_TEXT}", text.len());
            return Err(vec![BookFault { line: 1, column: 1, message }]);
        }
        let (mut book, mut faults) = read::read(text);
        if faults.iter().all(|fault| !fault.message.starts_with("not TOML")) {
            check::check(text, &mut book, &mut faults);
        }
        faults.sort();
        faults.dedup();
        if faults.is_empty() { Ok(book) } else { Err(faults) }
    }

    /// Returns the rule book that is there before a shop has one of its own.
    pub fn built_in() -> RuleBook {
        RuleBook::parse(crate::DEFAULT_BOOK).expect("a test reads it")
    }

    /// Returns the template with this id.
    pub fn operation(&self, id: &str) -> Option<&OperationTemplate> {
        self.operations.iter().find(|operation| operation.id == id)
    }

    /// Returns the kind of a panel.
    pub fn panel_kind(&self, panel: &str) -> Option<&str> {
        let found = self.panels.iter().find(|kind| kind.names.iter().any(|name| fits(name, panel)));
        found.map(|kind| kind.kind.as_str())
    }
}

/// Tells whether `name` fits a pattern in which `*` stands for any text.
///
/// Takes time by the lengths alone: a pattern of many stars is tried in one way and not in all.
pub fn fits(pattern: &str, name: &str) -> bool {
    let Some((head, rest)) = pattern.split_once('*') else { return pattern == name };
    let (middle, tail) = rest.rsplit_once('*').unwrap_or(("", rest));
    let Some(mut left) = name.strip_prefix(head).and_then(|left| left.strip_suffix(tail)) else { return false };
    // The first place of each part leaves most for those that follow.
    middle.split('*').all(|part| match left.find(part) {
        Some(at) => {
            left = &left[at + part.len()..];
            true
        }
        None => false,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn patterns() {
        assert!(fits("*door*", "front-door-left") && fits("hood", "hood") && fits("fender-*", "fender-left"));
        assert!(!fits("hood", "hood-hinge") && !fits("fender-*", "fender") && !fits("*-door", "door"));
        assert!(fits("*", "") && fits("a*b*c", "a-bb-c") && fits("**é*", "café-x"));
        assert!(!fits("ab*ba", "aba") && !fits("a*b*c", "a-c-b") && !fits("*a*a*", "a"));
    }

    #[test]
    fn patterns_of_many_stars_take_no_time() {
        let pattern = format!("*{}b", "a*".repeat(19));
        assert!(!fits(&pattern, &"a".repeat(38)));
        assert!(fits(&pattern, &format!("{}b", "a".repeat(37))));
    }

    #[test]
    fn the_built_in_rule_book_holds_together() {
        let faults = RuleBook::parse(crate::DEFAULT_BOOK).err().unwrap_or_default();
        let faults: Vec<String> = faults.iter().map(ToString::to_string).collect();
        assert_eq!(faults, [""; 0]);
    }

    /// Each rule, wait and operation names where it is from.
    #[test]
    fn the_built_in_rule_book_gives_its_reasons() {
        let book = RuleBook::built_in();
        let rules = book.rules.iter().chain(&book.brings).map(|rule| (&rule.id, &rule.reason));
        let follows = book.follows.iter().map(|follow| (&follow.then, &follow.reason));
        for (id, reason) in rules.chain(follows) {
            assert!(!reason.why.is_empty() && !reason.source.is_empty(), "{id}: {reason:?}");
        }
        assert!(book.operations.iter().all(|operation| !operation.reason.source.is_empty()));
    }

    #[test]
    fn all_faults_are_told_with_their_places() {
        let faults = RuleBook::parse(
            "[book]\ntitle = 3\nwroks = [\"replace\"]\n\n[[rule]]\nid = \"a\"\nwork = [\"paint\"]\ngive = { x = 40 }\n",
        )
        .expect_err("is refused");
        let told: Vec<String> = faults.iter().map(ToString::to_string).collect();
        assert_eq!(
            told,
            [
                "1:1: the book has no [[operation]]; it makes no order",
                "1:1: the table [safety] is missing",
                "2:9: `title` must be a text",
                "3:1: unknown key `wroks`",
                "5:1: rule \"a\": `give` adds up to 40 percent, not to 100",
                "5:1: rule \"a\": `source` is missing: name where it is from, or \"common practice, no source\"",
                "5:1: rule \"a\": `why` is missing",
                "5:1: rule \"a\": there is no operation \"x\"",
                "5:1: rule \"a\": there is no work \"paint\"",
            ]
        );
        let faults = RuleBook::parse("[book\n").expect_err("is refused");
        assert_eq!((faults.len(), faults[0].line), (1, 1));
    }

    /// Goal: a large text is refused before it costs time. Method: texts that took minutes and gigabytes.
    #[test]
    fn what_is_out_of_all_reason_is_refused_at_once() {
        let refused = |text: &str| RuleBook::parse(text).expect_err("is refused");
        let large = "# x\n".repeat(LONGEST_TEXT / 4 + 1);
        assert_eq!(
            refused(&large)[0].message,
            format!("the rule book takes {} bytes; at most {LONGEST_TEXT}", large.len())
        );
        let keys: String = (0..20_000).map(|key| format!("a{key} = 1\n")).collect();
        assert_eq!(refused(&keys).len(), MOST_FAULTS);
        let names: Vec<String> = (0..3000).map(|name| format!("\"o{name}\"")).collect();
        let names = names.join(", ");
        let why = "why ".repeat(400);
        let pairs = format!("[[follow]]\nfirst = [{names}]\nthen = [{names}]\nwhy = \"{why}\"\nsource = \"x\"\n");
        assert!(refused(&pairs).iter().any(|fault| fault.message.contains("more than 4000 pairs")));
        let long = format!("[[follow]]\nfirst = \"a\"\nthen = \"b\"\nwhy = \"{}\"\nsource = \"x\"\n", why.repeat(2));
        assert!(refused(&long).iter().any(|fault| fault.message.contains("`why` is longer than 2000 bytes")));
    }

    /// What a failed check brings has to be there, and to come before the check.
    #[test]
    fn rework_belongs_to_a_check_and_comes_before_it() {
        let told = |from: &str, to: &str| -> Vec<String> {
            let text = crate::DEFAULT_BOOK.replacen(from, to, 1);
            assert_ne!(text, crate::DEFAULT_BOOK);
            let faults = RuleBook::parse(&text).expect_err("is refused");
            faults.into_iter().map(|fault| fault.message).collect()
        };
        let polish = "rework = [\"polish\", \"clean\"]";
        assert_eq!(
            told(polish, "rework = [\"clean\", \"clean\", \"quality\", \"wash\", \"align\", \"edge\"]"),
            [
                "operation \"quality\": `rework` names \"clean\" twice",
                "operation \"quality\": `rework` names \"quality\" itself; it is checked again anyhow",
                "operation \"quality\": `rework`: there is no operation \"wash\"",
            ]
        );
        assert_eq!(
            told("id = \"mask\"", "id = \"mask\"\nrework = \"polish\""),
            [
                "operation \"mask\": `rework` belongs to a check: say with `hold` what must be right",
                "operation \"mask\": `rework`: no [[follow]] leads from \"polish\" to \"mask\"",
            ]
        );
        assert_eq!(
            told("hold = \"vacuum holds\"", "hold = \"vacuum holds\"\nrework = \"evacuate-on\""),
            ["operation \"evacuate\": `rework` wants a `crew`: somebody has to say that the check failed"]
        );
    }

    #[test]
    fn circles_are_refused() {
        let circle = "\n[[follow]]\nfirst = \"clean\"\nthen = \"strip\"\nwhy = \"x\"\nsource = \"x\"\n";
        let faults = RuleBook::parse(&format!("{}{circle}", crate::DEFAULT_BOOK)).expect_err("is refused");
        assert_eq!(faults.len(), 1);
        assert!(faults[0].message.starts_with("these operations wait for one another: "), "{}", faults[0]);
    }
}
