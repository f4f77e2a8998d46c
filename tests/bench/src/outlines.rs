//! Kinds of repair: the steps of a job with their lengths, people, places and order. Common practice, no source.
//!
//! A step is a line of seven columns:
//! * its name; with `?` and a percentage it occurs in so many jobs only;
//! * booked minutes, from and to;
//! * a skill for each person, joined by `+`; `-` if it needs nobody;
//! * the class of bay; `#2` tells a second stay from the first, `~` marks loose parts instead of the car;
//! * equipment;
//! * `whole` if it cannot pause, `pauses` if it can, `clock` if nobody works on it;
//! * the steps it waits for, with the shortest and perhaps the longest wait: `base+10..45`.

/// A step of an outline.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Step<'o> {
    /// Its name, within the outline.
    pub name: &'o str,
    /// In how many of a hundred jobs it occurs.
    pub percent: i64,
    /// Shortest and longest booked work, in minutes.
    pub minutes: (i64, i64),
    /// Skills joined by `+`, or empty.
    pub crew: &'o str,
    /// The stay, or empty.
    pub visit: &'o str,
    /// The equipment, or empty.
    pub pool: &'o str,
    /// Whether it may pause.
    pub interruptible: bool,
    /// Steps before it.
    pub after: &'o str,
}

impl<'o> Step<'o> {
    /// Returns the skills of the crew.
    pub fn skills(&self) -> impl Iterator<Item = &'o str> {
        self.crew.split('+').filter(|skill| !skill.is_empty())
    }

    /// Returns the class of the bay, if one is needed.
    pub fn class(&self) -> Option<&'o str> {
        let class = self.visit.trim_end_matches('~').split('#').next().unwrap_or("");
        (!class.is_empty()).then_some(class)
    }

    /// Returns the steps before it, each with its shortest and its longest wait.
    pub fn waits(&self) -> impl Iterator<Item = (&'o str, i64, Option<i64>)> {
        self.after.split(',').filter(|wait| !wait.is_empty()).map(|wait| {
            let (name, minutes) = wait.split_once('+').unwrap_or((wait, "0"));
            match minutes.split_once("..") {
                Some((min, max)) => (name, number(min), Some(number(max))),
                None => (name, number(minutes), None),
            }
        })
    }
}

/// Returns the steps of `outline`, one of [`ALL`].
pub fn steps(outline: &str) -> Vec<Step<'_>> {
    outline.lines().map(str::trim).filter(|line| !line.is_empty()).map(step).collect()
}

fn step(line: &str) -> Step<'_> {
    let columns: Vec<&str> = line.split_whitespace().map(|column| if column == "-" { "" } else { column }).collect();
    let &[name, minutes, crew, visit, pool, how, after] = columns.as_slice() else {
        panic!("a step has seven columns: {line}");
    };
    let (name, percent) = name.split_once('?').unwrap_or((name, "100"));
    let (low, high) = minutes.split_once("..").unwrap_or((minutes, minutes));
    Step {
        name,
        percent: number(percent),
        minutes: (number(low), number(high)),
        crew,
        visit,
        pool,
        interruptible: how == "pauses",
        after,
    }
}

fn number(text: &str) -> i64 {
    text.parse().expect("outlines hold whole numbers")
}

/// A hit that bent the structure: straightened on a rack, welded, painted, aligned.
pub const STRUCTURE: &str = "
    strip        60..180  body                   floor    -          pauses  -
    mount        30..60   structural+structural  rack     gauge      whole   strip
    pull         90..300  structural             rack     tower      pauses  mount
    gauge        30..45   structural             rack     gauge      whole   pull
    weld         80..240  structural             rack     welder     pauses  gauge
    unmount      20..30   structural             rack     -          whole   weld
    seal         25..60   body                   floor#2  -          whole   unmount
    seal-cure    60..120  -                      floor#2  -          clock   seal
    smooth       60..200  body                   floor#2  -          pauses  seal-cure
    prime        25..40   refinish               prep     -          whole   smooth
    prime-dry    30..60   -                      prep     lamp       clock   prime+0..30
    sand         40..90   refinish               prep     -          pauses  prime-dry
    base         30..60   refinish               booth    -          whole   sand
    clear        25..45   refinish               booth    -          whole   base+10..60
    bake         40..60   -                      booth    -          clock   clear+10..60
    refit        120..300 body                   floor#3  -          pauses  bake+30
    align        50..75   mechanical             lift     aligner    whole   refit
    aim?70       40..90   calibration            aim      -          whole   align
    road         20..30   mechanical             -        -          whole   aim
    clean        40..90   detail                 wash     -          pauses  road
";

/// Panels repaired and painted on the car.
pub const PANEL: &str = "
    strip        30..120  body                   floor    -          pauses  -
    straighten   90..300  body                   floor    welder     pauses  strip
    fill?80      40..90   body                   floor    -          pauses  straighten
    prime        20..40   refinish               prep     -          whole   fill
    prime-dry    30..60   -                      prep     lamp       clock   prime+0..30
    sand         30..80   refinish               prep     -          pauses  prime-dry
    base         30..50   refinish               booth    -          whole   sand
    clear        25..40   refinish               booth    -          whole   base+10..45
    bake         40..60   -                      booth    -          clock   clear+10..60
    polish?50    30..80   refinish               prep#2   -          pauses  bake+30
    refit        60..180  body                   floor#2  -          pauses  polish,bake+30
    clean        40..70   detail                 wash     -          pauses  refit
";

/// A door exchanged: the shell is painted inside off the car while the car is prepared.
pub const DOOR: &str = "
    strip        60..120  body                   floor    -          pauses  -
    hang         20..40   body+body              floor    -          whole   strip
    take-off     15..25   body                   floor    -          whole   hang
    jamb-prep    30..60   refinish               prep~    -          pauses  take-off
    jamb-paint   25..40   refinish               booth~   -          whole   jamb-prep
    jamb-bake    30..40   -                      booth~   lamp       clock   jamb-paint+10..60
    wires?40     40..120  mechanical             floor    -          pauses  take-off
    rehang       25..45   body+body              floor#2  -          whole   jamb-bake+20,wires
    mask         25..50   refinish               prep#2   -          whole   rehang
    blend        30..60   refinish               booth#2  -          whole   mask+0..300
    clear        25..40   refinish               booth#2  -          whole   blend+10..45
    bake         40..60   -                      booth#2  -          clock   clear+10..60
    refit        60..180  body                   floor#3  -          pauses  bake+30
    clean        40..70   detail                 wash     -          pauses  refit
";

/// A bumper cover: mended and painted as a loose part while the car waits outside.
pub const BUMPER: &str = "
    take-off     30..60   body                   floor    -          whole   -
    mend?70      40..120  body                   -        -          pauses  take-off
    mend-cure?70 20..40   -                      -        -          clock   mend
    prep         40..80   refinish               prep~    -          pauses  mend-cure,take-off
    base         25..40   refinish               booth~   -          whole   prep
    clear        20..35   refinish               booth~   -          whole   base+10..45
    bake         30..40   -                      booth~   -          clock   clear+10..60
    refit        40..90   body                   floor#2  -          whole   bake+30
    aim?40       40..80   calibration            aim      -          whole   refit
    clean        30..50   detail                 wash     -          pauses  aim
";

/// A bonded windshield. The car is not driven before the adhesive maker's time is over.
pub const GLASS: &str = "
    cut-out      40..80   glass                  floor    -          whole   -
    primer       10..15   glass                  floor    -          whole   cut-out
    set          20..35   glass+body             floor    -          whole   primer+5..30
    stand        60..240  -                      floor    -          clock   set
    aim?60       45..90   calibration            aim      -          whole   stand
    clean        20..40   detail                 wash     -          pauses  stand
";

/// Dents pushed out without paint.
pub const DENTS: &str = "
    chalk        15..30   dent                   floor    -          whole   -
    strip?50     30..60   body                   floor    -          pauses  chalk
    push         90..360  dent                   floor    lamp       pauses  chalk,strip
    refit?50     30..60   body                   floor    -          pauses  push
    clean        25..45   detail                 wash     -          pauses  push,refit
";

/// Suspension and cooling after a front hit.
pub const SUSPENSION: &str = "
    recover?60   30..45   mechanical             lift     refrigerant whole  -
    change       60..240  mechanical             lift     -          pauses  recover
    evacuate?60  40..60   -                      lift     refrigerant clock  change
    charge?60    20..30   mechanical             lift     refrigerant whole  evacuate+0..60
    align        50..75   mechanical             lift#2   aligner    whole   change,charge
    aim          40..90   calibration            aim      -          whole   align
    road         20..30   mechanical             -        -          whole   aim
    clean?60     25..50   detail                 wash     -          pauses  road
";

/// A high-voltage car: made dead by a licensed pair by the maker's procedure, mended, painted without much heat.
pub const HIGH_VOLTAGE: &str = "
    make-dead    30..60   high-voltage+mechanical lift    -          whole   -
    discharge    15..30   -                      lift     -          clock   make-dead
    pack-out?50  60..110  high-voltage+mechanical lift    -          whole   discharge
    straighten   90..240  body                   floor    welder     pauses  discharge,pack-out
    prime        20..40   refinish               prep     -          whole   straighten
    prime-dry    60..120  -                      prep     -          clock   prime
    sand         30..60   refinish               prep     -          pauses  prime-dry
    base         30..50   refinish               booth    -          whole   sand
    clear        25..40   refinish               booth    -          whole   base+10..45
    air-dry      120..240 -                      booth    -          clock   clear
    pack-in?50   60..110  high-voltage+mechanical lift#2  -          whole   air-dry
    refit        60..180  body                   floor#2  -          pauses  air-dry,pack-in
    make-live    30..60   high-voltage           lift#3   -          whole   refit
    aim?60       40..90   calibration            aim      -          whole   make-live
    clean        40..70   detail                 wash     -          pauses  aim
";

/// All outlines, each with how often it comes to a shop.
pub const ALL: [(&str, usize); 8] =
    [(STRUCTURE, 4), (PANEL, 6), (DOOR, 4), (BUMPER, 6), (GLASS, 3), (DENTS, 3), (SUSPENSION, 3), (HIGH_VOLTAGE, 2)];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_wait_for_steps_before_them() {
        for (outline, _) in ALL {
            let steps = steps(outline);
            for (index, step) in steps.iter().enumerate() {
                for (name, min, max) in step.waits() {
                    assert!(steps[..index].iter().any(|before| before.name == name), "{} after {name}", step.name);
                    assert!(max.is_none_or(|max| min <= max));
                }
            }
        }
    }

    #[test]
    fn whole_work_fits_between_the_breaks_of_the_slowest() {
        // A half shift lasts 240 minutes, two people share 150 of one, and the lowest rate is 0.75.
        for (outline, _) in ALL {
            for step in steps(outline).iter().filter(|step| !step.interruptible) {
                let longest = [i64::MAX, 180, 112][step.skills().count()];
                assert!(step.minutes.1 <= longest, "{} may last {} minutes", step.name, step.minutes.1);
            }
        }
    }
}
