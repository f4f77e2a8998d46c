//! What a customer is told: the dates of the futures, stretched by what became of earlier ones, when the shop is open.
//!
//! A stretched date may fall into the night or on a closed day, as may one between two futures, or the end of a cure. The car
//! is handed over when somebody is there, so that is told: the next such minute, and never an earlier one. Nobody works in
//! between, so a car that misses the stretched date and meets the one that is told has cured by itself in the meantime: dates
//! are met as often as before, or a little more.

use fitup_model::{Calendar, Problem, Time};

use crate::calibration::{self, Said};

/// Returns what is told where the futures say `futures`, by [`calibration::SHARES`]; `step` is how fast dates learn from
/// `past`, `None` not at all. `None` of a date is after the horizon.
pub fn dates(problem: &Problem, past: &[Said], futures: [Option<Time>; 3], step: Option<f64>) -> [Option<Time>; 3] {
    let stretched = step.map_or(futures, |step| calibration::dates(past, futures, problem.now, step));
    let open = hours(problem);
    stretched.map(|date| handed_over(&open, date?))
}

/// Returns when a shop is open: when anybody works there by the regular hours, overtime left out.
pub fn hours(problem: &Problem) -> Calendar {
    let windows = problem.technicians.values().flat_map(|technician| problem.calendars[technician.calendar].windows());
    Calendar::new(windows.copied().collect())
}

/// Returns the first minute from `time` on at which the shop is open; `None` if there is none that is known of. A car that is
/// complete when the last one leaves is handed over by him, so the minute of closing counts.
pub fn handed_over(open: &Calendar, time: Time) -> Option<Time> {
    let next = open.windows().partition_point(|window| window.end() < time);
    open.windows().get(next).map(|window| window.start().max(time))
}

#[cfg(test)]
mod tests {
    use fitup_model::problem::Technician;
    use fitup_model::{ProblemData, Span, Window};

    use super::*;

    fn time(minutes: i64) -> Time {
        Time::from_minutes(minutes)
    }

    fn calendar(windows: &[(i64, i64)]) -> Calendar {
        let window = |&(start, end): &(i64, i64)| Window::new(time(start), time(end)).expect("ends after it starts");
        Calendar::new(windows.iter().map(window).collect())
    }

    /// A shop in which somebody works in each of these calendars.
    fn shop(people: &[&[(i64, i64)]]) -> Problem {
        let mut data = ProblemData::empty(Span::from_minutes(1), time(1000));
        for windows in people {
            let calendar = data.calendars.push(calendar(windows));
            let name = format!("p-{}", data.technicians.len());
            data.technicians.push(Technician { name, calendar, with_overtime: None, skills: Vec::new() });
        }
        Problem::new(data).expect("a shop without cars is a problem")
    }

    #[test]
    fn closed_time_goes_to_the_next_opening_and_open_time_stays() {
        let open = calendar(&[(100, 200), (300, 400)]);
        let told = |minutes| handed_over(&open, time(minutes)).map(Time::minutes);
        let check = |from: i64, to: Option<i64>| assert_eq!(told(from), to, "{from}");
        for (from, to) in [(0, 100), (99, 100), (100, 100), (150, 150), (200, 200), (201, 300), (300, 300), (400, 400)]
        {
            check(from, Some(to));
        }
        check(401, None);
        assert_eq!(handed_over(&Calendar::default(), time(0)), None);
    }

    #[test]
    fn a_shop_is_open_while_anybody_is_there() {
        assert_eq!(hours(&shop(&[&[(100, 200), (300, 350)], &[(150, 250)]])), calendar(&[(100, 250), (300, 350)]));
        assert_eq!(hours(&shop(&[])), Calendar::default());
    }

    #[test]
    fn what_is_told_is_open_in_order_and_no_earlier_than_what_was_stretched() {
        let problem = shop(&[&[(100, 200), (300, 400), (500, 600)]]);
        let said = |complete| Said { at: time(0), futures: [Some(time(50)); 3], complete: Some(time(complete)) };
        // Met often, or missed often: shorter and longer dates.
        for complete in [40, 90] {
            let past: Vec<Said> = (0..20).map(|_| said(complete)).collect();
            for first in 0..550 {
                let futures = [0, 20, 40].map(|more| Some(time(first + more)));
                let stretched = calibration::dates(&past, futures, problem.now, 0.05);
                let told = dates(&problem, &past, futures, Some(0.05));
                assert!(told.is_sorted_by_key(|date| date.map_or(i64::MAX, Time::minutes)), "{told:?}");
                for (told, stretched) in told.into_iter().zip(stretched) {
                    let stretched = stretched.expect("the futures had one");
                    match told {
                        Some(told) => assert!(told >= stretched && handed_over(&hours(&problem), told) == Some(told)),
                        None => assert!(stretched > time(600)),
                    }
                }
            }
        }
        let as_they_are = dates(&problem, &[said(40)], [Some(time(250)), None, Some(time(700))], None);
        assert_eq!(as_they_are, [Some(time(300)), None, None]);
    }
}
