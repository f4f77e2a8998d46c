//! `fitup replan`.

use std::time::Duration;

use clap::{Args, ValueEnum};
use fitup_proto::v1;
use fitup_proto::v1::answer::Kind;

use super::order::word;
use super::plan::publish;
use crate::cli::{Context, ShopAt, seconds};
use crate::connect::request_id;
use crate::error::{Failure, Kind as FailureKind};
use crate::json;
use crate::names::{self, last};
use crate::output::columns;
use crate::wire::minutes;
use crate::words::{count, grouped, proto_when, span};

/// Mend the published plan: up to three checked answers side by side
///
/// Least change keeps everything that can stay; best outcome plans anew; with overtime uses the extra hours that the shop
/// allows. None is published: look at one with `fitup plan diff`, and pick it with `fitup plan publish`.
#[derive(Debug, Args)]
pub struct ReplanArgs {
    /// Plan for this time: nothing new starts before; without it now
    #[arg(long, value_name = "TIME")]
    as_of: Option<String>,
    /// Search at most so long for the best outcome; without it 4 seconds
    #[arg(long, value_name = "SECONDS", value_parser = seconds)]
    seconds: Option<Duration>,
    /// Take so many steps for each answer, in place of time
    #[arg(long, value_name = "COUNT", default_value_t = 0, hide_default_value = true)]
    iterations: i64,
    /// Seed of the search
    #[arg(long, default_value_t = 0)]
    seed: i64,
    /// Publish this answer
    #[arg(long, value_name = "ANSWER")]
    publish: Option<Pick>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Pick {
    /// Everything stays that can stay
    LeastChange,
    /// The best plan without more overtime
    BestOutcome,
    /// The best plan with the overtime that the shop allows
    WithOvertime,
}

impl ReplanArgs {
    /// Asks for the answers and prints them.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let request = v1::ReplanRequest {
            parent: names::shop(&at.id),
            as_of_time: self.as_of.as_deref().map(|time| word::instant("--as-of", time, &at.zone)).transpose()?,
            iteration_limit: self.iterations,
            time_limit: self.seconds.map(|limit| prost_types::Duration {
                seconds: limit.as_secs() as i64,
                nanos: limit.subsec_nanos() as i32,
            }),
            seed: self.seed,
            request_id: request_id(),
        };
        // Least change, the best outcome and what overtime buys are searched for one after the other.
        let link = context.link.patient(2 * self.seconds.unwrap_or_default());
        let answer = link.call(request, async |request| link.replans().replan(request).await).await?;
        if context.output.json {
            answer.answers.iter().for_each(|answer| context.output.object(&json::Answer::from(answer)));
        } else {
            context.output.text(&draw(&answer, &at));
        }
        match self.publish {
            Some(pick) => pick.publish(context, &answer).await,
            None => Ok(()),
        }
    }
}

impl Pick {
    async fn publish(self, context: &Context, response: &v1::ReplanResponse) -> Result<(), Failure> {
        let wanted = match self {
            Self::LeastChange => Kind::LeastChange,
            Self::BestOutcome => Kind::BestOutcome,
            Self::WithOvertime => Kind::WithOvertime,
        };
        let found = response.answers.iter().find(|answer| answer.kind() == wanted);
        let Some(plan) = found.and_then(|answer| answer.plan.as_ref()) else {
            return Err(Failure::new(FailureKind::Refused, format!("there is no answer \"{}\"", name(wanted)))
                .hint("pick one of those above with `fitup plan publish PLAN`"));
        };
        publish(context, &plan.name).await?;
        if !context.output.json {
            context.output.text(&format!("plan {} published", last(&plan.name)));
        }
        Ok(())
    }
}

fn draw(response: &v1::ReplanResponse, at: &ShopAt) -> String {
    let published = last(&response.published_plan);
    let mut rows = vec![["answer", "plan", "price", "late", "moves in 2 days", "moves"].map(str::to_owned).to_vec()];
    for answer in &response.answers {
        let plan = answer.plan.clone().unwrap_or_default();
        let late = match (answer.late_count, &answer.late_time) {
            (0, _) => "none".to_owned(),
            (cars, time) => format!("{cars}, {} in all", span(time.as_ref().map_or(0, minutes))),
        };
        let left =
            if answer.left_out_count > 0 { format!(", {} left out", answer.left_out_count) } else { String::new() };
        rows.push(vec![
            name(answer.kind()).to_owned(),
            last(&plan.name).to_owned(),
            grouped(plan.price.map_or(0, |price| price.total)),
            format!("{late}{left}"),
            format!("{} of {}", answer.soon_moved_count, answer.soon_count),
            answer.moved_count.to_string(),
        ]);
    }
    let mut text = columns(&rows);
    for used in response.answers.iter().filter(|answer| answer.kind() == Kind::WithOvertime).flat_map(|a| &a.overtime) {
        let work = span(used.work.as_ref().map_or(0, minutes));
        text += &format!(
            "overtime: {}, {work} from {} on, buys {}\n",
            used.technician,
            proto_when(used.start_time.as_ref(), &at.zone),
            grouped(used.worth)
        );
    }
    let kinds: Vec<Kind> = response.answers.iter().map(v1::Answer::kind).collect();
    if !kinds.contains(&Kind::BestOutcome) {
        text += "no better outcome was found than that of least change\n";
    }
    if let Some(first) = response.answers.first().and_then(|answer| answer.plan.as_ref()) {
        let id = last(&first.name);
        text += &format!(
            "{} against {published}; see one with `fitup plan diff - {id}`, pick it with `fitup plan publish {id}`\n",
            count(response.answers.len(), "answer")
        );
    }
    text
}

fn name(kind: Kind) -> &'static str {
    match kind {
        Kind::LeastChange => "least change",
        Kind::BestOutcome => "best outcome",
        Kind::WithOvertime => "with overtime",
        Kind::Unspecified => "another",
    }
}
