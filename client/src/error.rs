//! What can go wrong, with its exit code, its causes and a command to try next.

use std::error::Error;

use tonic::{Code, Status};
use tonic_types::StatusExt;

use crate::file::{Fault, FileError};
use crate::names;

/// Why the program ends with something else than 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum Kind {
    /// The server refused.
    Refused = 1,
    /// The command line or a file is wrong.
    Usage = 2,
    /// There is a plan, but orders are left out, or there is none.
    Incomplete = 3,
    /// No answer; worth a retry.
    NoAnswer = 4,
    /// A bug, of the server or of this program.
    Bug = 70,
}

/// A failure as it is told to people: what, why, and what to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Failure {
    /// Decides the exit code.
    pub kind: Kind,
    /// What went wrong.
    pub message: String,
    /// Why, the nearest first.
    pub causes: Vec<String>,
    /// What to try.
    pub hints: Vec<String>,
}

impl Failure {
    /// Returns a failure without causes and hints.
    pub fn new(kind: Kind, message: impl Into<String>) -> Self {
        Self { kind, message: message.into(), causes: Vec::new(), hints: Vec::new() }
    }

    /// Returns a failure of the command line or a file.
    pub fn usage(message: impl Into<String>) -> Self {
        Self::new(Kind::Usage, message)
    }

    /// Adds a cause.
    pub fn cause(mut self, cause: impl Into<String>) -> Self {
        self.causes.push(cause.into());
        self
    }

    /// Adds a hint.
    pub fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hints.push(hint.into());
        self
    }

    /// Returns all faults of files as one failure.
    pub fn faults(what: &str, faults: &[Fault]) -> Self {
        let count = match faults.len() {
            1 => "1 fault".to_owned(),
            count => format!("{count} faults"),
        };
        let message = format!("{what}: {count}, nothing was changed");
        Self { causes: faults.iter().map(ToString::to_string).collect(), ..Self::usage(message) }
    }
}

impl From<FileError> for Failure {
    fn from(error: FileError) -> Self {
        let mut failure = Self::usage(error.to_string());
        failure.causes.extend(error.source().map(ToString::to_string));
        match error {
            FileError::TooLarge { .. } => failure.hint("split it into several files"),
            FileError::NotUtf8 { .. } => failure.hint("save it as UTF-8 in your editor"),
            FileError::Empty { .. } | FileError::Io { .. } => failure,
        }
    }
}

impl From<Status> for Failure {
    fn from(status: Status) -> Self {
        let kind = match status.code() {
            Code::Unavailable | Code::DeadlineExceeded | Code::ResourceExhausted | Code::Cancelled => Kind::NoAnswer,
            Code::Internal | Code::Unknown | Code::DataLoss => Kind::Bug,
            _ => Kind::Refused,
        };
        let mut failure = Self::new(kind, message_of(&status));
        failure.causes = causes_of(&status);
        failure.hints.extend(hint_of(&status));
        failure
    }
}

fn message_of(status: &Status) -> String {
    match status.code() {
        Code::Unavailable => "the server does not answer".to_owned(),
        Code::DeadlineExceeded => "the server did not answer in time".to_owned(),
        Code::Cancelled => "the server broke off".to_owned(),
        _ if status.message().is_empty() => format!("the server refused: {}", status.code()),
        _ => status.message().to_owned(),
    }
}

fn causes_of(status: &Status) -> Vec<String> {
    let details = status.get_error_details();
    let mut causes = Vec::new();
    if matches!(status.code(), Code::Unavailable | Code::DeadlineExceeded | Code::Cancelled) {
        let mut source = status.source();
        while let Some(error) = source {
            causes.push(error.to_string());
            source = error.source();
        }
        if causes.is_empty() && !status.message().is_empty() {
            causes.push(status.message().to_owned());
        }
        causes.dedup();
    }
    for violation in field_violations(status) {
        causes.push(format!("{}: {}", violation.0, violation.1));
    }
    if let Some(failure) = details.precondition_failure() {
        causes.extend(failure.violations.iter().map(|violation| violation.description.clone()));
    }
    let message = message_of(status);
    causes.retain(|cause| !cause.is_empty() && *cause != message);
    causes
}

/// Returns the fields that the server finds fault with, and why.
pub fn field_violations(status: &Status) -> Vec<(String, String)> {
    let details = status.get_error_details();
    let Some(request) = details.bad_request() else { return Vec::new() };
    request.field_violations.iter().map(|fault| (fault.field.clone(), fault.description.clone())).collect()
}

fn hint_of(status: &Status) -> Option<String> {
    let details = status.get_error_details();
    let reason = details.error_info().map_or("", |info| info.reason.as_str());
    let resource = details.resource_info().map_or("", |info| info.resource_name.as_str());
    let id = names::last(resource);
    let hint = match (status.code(), reason) {
        (Code::Unavailable, _) if causes_of(status).iter().any(|cause| cause.contains("certificate")) => {
            "check --server, the authority in --ca, and --cert with --key if the server asks for a certificate"
                .to_owned()
        }
        (Code::Unavailable, _) => "start the server with `fitupd`, or say where it is with --server URL".to_owned(),
        (Code::Unauthenticated, "TOKEN_MISSING") => "set FITUP_TOKEN, or name a file with --token-file".to_owned(),
        (Code::Unauthenticated, _) => "ask a manager for a token; `fitup token create` makes one".to_owned(),
        (Code::NotFound, _) if resource.starts_with("tokens/") => "list the tokens with `fitup token list`".to_owned(),
        (Code::DeadlineExceeded, _) => "give it longer, such as --timeout 60".to_owned(),
        (Code::Unimplemented, _) => "the server is older than this program; update it".to_owned(),
        (Code::Aborted, _) => "somebody else changed it meanwhile; look at it and repeat the command".to_owned(),
        (Code::ResourceExhausted, _) => {
            let delay = details.retry_info().and_then(|info| info.retry_delay);
            let seconds = delay.map_or(5, |delay| delay.as_secs_f64().ceil() as u64);
            format!("try again in {seconds} s")
        }
        (Code::NotFound, _) if resource.contains("/holds/") => "list the holds with `fitup hold list`".to_owned(),
        (Code::NotFound, _) if resource.contains("/orders/") => "list the orders with `fitup order list`".to_owned(),
        (Code::NotFound, _) if resource.contains("/planRuns/") => "list the runs with `fitup plan run list`".to_owned(),
        (Code::NotFound, _) if resource.ends_with("/plans/-") => "make a plan with `fitup plan solve`".to_owned(),
        (Code::NotFound, _) if resource.contains("/plans/") => "list the plans with `fitup plan list`".to_owned(),
        (Code::NotFound, _) if resource.starts_with("shops/") => "list the shops with `fitup shop list`".to_owned(),
        (Code::AlreadyExists, _) if resource.contains("/holds/") => {
            format!("make an order of it with `fitup hold accept {id}`, or give it up with `fitup hold release {id}`")
        }
        (Code::AlreadyExists, _) if resource.contains("/orders/") => {
            format!("change it with `fitup order change {id} FILE`")
        }
        (Code::FailedPrecondition, _) if resource.contains("/plans/") || reason.contains("STALE") => {
            "make a new plan with `fitup plan solve --publish`".to_owned()
        }
        (Code::Internal | Code::Unknown | Code::DataLoss, _) => {
            "this is a bug; the log of fitupd has the details".to_owned()
        }
        _ => return None,
    };
    Some(hint)
}

#[cfg(test)]
mod tests {
    use tonic_types::ErrorDetails;

    use super::*;

    fn check(status: Status, expected: (Kind, &str, &[&str], &[&str])) {
        let failure = Failure::from(status);
        let (causes, hints): (Vec<&str>, Vec<&str>) =
            (failure.causes.iter().map(String::as_str).collect(), failure.hints.iter().map(String::as_str).collect());
        assert_eq!((failure.kind, failure.message.as_str(), &causes[..], &hints[..]), expected);
    }

    #[test]
    fn a_missing_order_leads_to_the_list() {
        let mut details = ErrorDetails::new();
        details.set_resource_info("order", "shops/a/orders/9", "", "");
        check(
            Status::with_error_details(Code::NotFound, "order \"9\" is unknown", details),
            (Kind::Refused, "order \"9\" is unknown", &[], &["list the orders with `fitup order list`"]),
        );
    }

    #[test]
    fn bad_fields_become_causes() {
        let mut details = ErrorDetails::new();
        details.add_bad_request_violation("order.vehicle", "is empty");
        check(
            Status::with_error_details(Code::InvalidArgument, "the order is faulty", details),
            (Kind::Refused, "the order is faulty", &["order.vehicle: is empty"], &[]),
        );
    }

    #[test]
    fn silence_is_worth_a_retry() {
        check(
            Status::unavailable("tcp connect error"),
            (
                Kind::NoAnswer,
                "the server does not answer",
                &["tcp connect error"],
                &["start the server with `fitupd`, or say where it is with --server URL"],
            ),
        );
        let mut details = ErrorDetails::new();
        details.set_retry_info(Some(std::time::Duration::from_millis(1500)));
        check(
            Status::with_error_details(Code::ResourceExhausted, "8 plan runs wait already", details),
            (Kind::NoAnswer, "8 plan runs wait already", &[], &["try again in 2 s"]),
        );
    }

    #[test]
    fn an_internal_error_is_a_bug() {
        check(
            Status::internal("it broke"),
            (Kind::Bug, "it broke", &[], &["this is a bug; the log of fitupd has the details"]),
        );
    }
}
