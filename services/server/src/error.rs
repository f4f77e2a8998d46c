//! The one mapping of errors to a gRPC status. Every status carries an `ErrorInfo` with a [`Reason`].

use std::collections::HashMap;
use std::error::Error as StdError;
use std::time::Duration;

use fitup_model::Fault;
use fitup_store::{Error as StoreError, Role};
use tonic::{Code, Status};
use tonic_types::{ErrorDetails, FieldViolation, StatusExt};

/// The domain of all reasons.
pub const DOMAIN: &str = "fitup";

/// Whoever is told to retry waits this long first.
const RETRY_DELAY: Duration = Duration::from_secs(1);
/// A place in the queue of plan runs gets free about this often.
const QUEUE_DELAY: Duration = Duration::from_secs(5);

/// Details of a status travel in a header, and common clients take headers of no more than 8 KiB in all; this many bytes
/// of violations leave room for base64 and the rest.
const VIOLATION_BYTES: usize = 4 * 1024;

macro_rules! reasons {
    ($($(#[doc = $doc:literal])* $name:ident = $text:literal, $code:ident, $remedy:literal;)*) => {
        /// Why a call was refused: the `reason` of the `ErrorInfo` in its status.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
        pub enum Reason {
            $(
                $(#[doc = $doc])*
                #[doc = concat!("\n\nRemedy: ", $remedy, ".")]
                $name,
            )*
        }

        impl Reason {
            /// All reasons.
            pub const ALL: &[Reason] = &[$(Reason::$name),*];

            /// Returns the text that stands in the `ErrorInfo`.
            pub const fn text(self) -> &'static str {
                match self { $(Reason::$name => $text,)* }
            }

            /// Returns the code that it comes with.
            pub const fn code(self) -> Code {
                match self { $(Reason::$name => Code::$code,)* }
            }

            /// Returns its cause, a sentence.
            pub const fn cause(self) -> &'static str {
                match self { $(Reason::$name => concat!($($doc),*).trim_ascii(),)* }
            }

            /// Returns what mends it, a phrase.
            pub const fn remedy(self) -> &'static str {
                match self { $(Reason::$name => $remedy,)* }
            }
        }
    };
}

reasons! {
    /// Fields are missing, malformed or contradict one another; the BadRequest lists each with its path.
    FieldsInvalid = "FIELDS_INVALID", InvalidArgument, "correct the fields named, then send again";
    /// The page token does not belong to this list.
    PageTokenInvalid = "PAGE_TOKEN_INVALID", InvalidArgument,
        "send the next_page_token of the page before with the same parent and filters, or begin with an empty one";
    /// The request id was used for another request.
    RequestIdReused = "REQUEST_ID_REUSED", InvalidArgument, "draw a new UUID for each request that is not a repeat";
    /// The message cannot be decoded.
    MessageMalformed = "MESSAGE_MALFORMED", InvalidArgument, "generate the client from the current .proto files";
    /// The message is larger than the server takes.
    MessageTooLarge = "MESSAGE_TOO_LARGE", OutOfRange, "send less at once, or start fitupd with a higher --message-limit";
    /// The resource does not exist; the ResourceInfo names it.
    ResourceNotFound = "RESOURCE_NOT_FOUND", NotFound, "check the name, or list what there is";
    /// The resource exists already; the ResourceInfo names it.
    ResourceExists = "RESOURCE_EXISTS", AlreadyExists, "choose another id, or update the one that exists";
    /// The resource has changed since it was read.
    EtagMismatch = "ETAG_MISMATCH", Aborted, "read it again, repeat the change on what is there now, and retry";
    /// The state of the resource forbids it; the PreconditionFailure says how.
    StateForbids = "STATE_FORBIDS", FailedPrecondition, "bring the resource into a state that allows it; retrying alone will not help";
    /// The shop or its orders have changed since the plan was made.
    PlanStale = "PLAN_STALE", FailedPrecondition, "start a new plan run and publish its plan";
    /// The shop, or all shops together, have as many plan runs that have not ended as the server allows.
    QueueFull = "QUEUE_FULL", ResourceExhausted, "wait for one to end, or cancel one";
    /// The server is about to stop.
    ShuttingDown = "SHUTTING_DOWN", Unavailable, "retry with the same request id; another server, or the next one, answers";
    /// The database does not answer.
    StoreUnavailable = "STORE_UNAVAILABLE", Unavailable, "retry with the same request id after the delay in the RetryInfo";
    /// The deadline of the call passed.
    DeadlinePassed = "DEADLINE_PASSED", DeadlineExceeded,
        "allow more time; whether the change was made says a repeat with the same request id";
    /// The call carries no token, and the server asks for one.
    TokenMissing = "TOKEN_MISSING", Unauthenticated, "send a token as authorization: bearer SECRET; a manager makes one";
    /// The token is not one of this server.
    TokenUnknown = "TOKEN_UNKNOWN", Unauthenticated, "check that the whole secret was copied, and that it is for this server";
    /// The token has expired.
    TokenExpired = "TOKEN_EXPIRED", Unauthenticated, "ask a manager for a new one";
    /// The token was revoked.
    TokenRevoked = "TOKEN_REVOKED", Unauthenticated, "ask a manager for a new one";
    /// The role of the token may not call this.
    RoleForbids = "ROLE_FORBIDS", PermissionDenied, "ask somebody whose role may, or a manager for a token of such a role";
    /// The request is for shops that the token is not for.
    ShopForbids = "SHOP_FORBIDS", PermissionDenied, "use a token that is for these shops";
    /// The token has made as many calls lately as the server allows.
    RateExceeded = "RATE_EXCEEDED", ResourceExhausted, "retry after the delay in the RetryInfo, and call less often";
    /// There is no such method.
    MethodUnknown = "METHOD_UNKNOWN", Unimplemented, "check the method, or update the server";
    /// A bug; details are in the server's log only.
    Internal = "INTERNAL", Internal, "report it with the time of the call";
}

/// Why a token lets nobody in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum TokenRefusal {
    /// There is none.
    #[error("the call carries no token")]
    Missing,
    /// It has not the form of one.
    #[error("what the call carries is no token; send authorization: bearer SECRET")]
    Malformed,
    /// Nobody made it here.
    #[error("the token is not known here")]
    Unknown,
    /// It has expired.
    #[error("the token has expired")]
    Expired,
    /// It was revoked.
    #[error("the token was revoked")]
    Revoked,
}

/// Why a call fails.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// Something is wrong with the request.
    #[error("{} faults", .0.len())]
    Faults(Vec<Fault>),
    /// The page token belongs to another list.
    #[error("the page token does not belong to this list")]
    PageToken,
    /// A published plan was asked for, and there is no plan at all.
    #[error("{name:?} does not exist: no plan was made yet")]
    NoPlan {
        /// The name asked for.
        name: String,
    },
    /// Nobody gets in with this token, or without one.
    #[error(transparent)]
    Token(#[from] TokenRefusal),
    /// The role may not.
    #[error("a {} may not call {method}; these may: {}", role_text(*.role), role_texts(.roles))]
    RoleForbids {
        /// The role of the caller.
        role: Role,
        /// What was called.
        method: String,
        /// Those that may.
        roles: &'static [Role],
    },
    /// The token is not for the shops.
    #[error("the token is not for these shops")]
    ShopForbids,
    /// The token calls too often.
    #[error("the token calls too often")]
    RateExceeded {
        /// How long to wait for the next call.
        wait: Duration,
    },
    /// There is no such method for anybody.
    #[error("there is no such method")]
    NoMethod,
    /// The server stops.
    #[error("the server is about to stop")]
    ShuttingDown,
    /// The deadline passed.
    #[error("the deadline passed before the answer was ready")]
    DeadlinePassed,
    /// The store refuses or fails.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A bug.
    #[error("{0}")]
    Bug(String),
}

impl From<Vec<Fault>> for Error {
    fn from(faults: Vec<Fault>) -> Error {
        Error::Faults(faults)
    }
}

impl From<Fault> for Error {
    fn from(fault: Fault) -> Error {
        Error::Faults(vec![fault])
    }
}

impl From<Error> for Status {
    fn from(error: Error) -> Status {
        match error {
            Error::Faults(faults) | Error::Store(StoreError::Faults(faults)) => fields_invalid(faults),
            Error::PageToken => {
                let message = error.to_string();
                let mut details = ErrorDetails::new();
                details.add_bad_request_violation("page_token", &message);
                status(Reason::PageTokenInvalid, &message, [], details)
            }
            Error::Store(StoreError::RequestIdReused { id }) => {
                let message = error.to_string();
                let mut details = ErrorDetails::new();
                details.add_bad_request_violation("request_id", &message);
                status(Reason::RequestIdReused, &message, [("request_id", id.to_string())], details)
            }
            Error::NoPlan { ref name } | Error::Store(StoreError::NotFound { ref name }) => {
                resource(Reason::ResourceNotFound, name, &error.to_string())
            }
            Error::Store(StoreError::AlreadyExists { ref name }) => {
                resource(Reason::ResourceExists, name, &error.to_string())
            }
            Error::Store(StoreError::EtagMismatch { ref name }) => {
                resource(Reason::EtagMismatch, name, &error.to_string())
            }
            Error::Store(StoreError::Forbidden { ref name, ref message }) => {
                precondition(Reason::StateForbids, name, message, [])
            }
            Error::Store(StoreError::PlanStale { ref name, made_for, revision }) => {
                let metadata = [("made_for", made_for.to_string()), ("revision", revision.to_string())];
                precondition(Reason::PlanStale, name, &error.to_string(), metadata)
            }
            Error::Store(StoreError::QueueFull { ref shop, limit }) => {
                let metadata = [("shop", shop.clone()), ("limit", limit.to_string())];
                retry(Reason::QueueFull, &error.to_string(), QUEUE_DELAY, metadata)
            }
            Error::Store(StoreError::QueuesFull { limit }) => {
                retry(Reason::QueueFull, &error.to_string(), QUEUE_DELAY, [("limit", limit.to_string())])
            }
            Error::Token(refusal) => {
                let reason = match refusal {
                    TokenRefusal::Missing => Reason::TokenMissing,
                    TokenRefusal::Malformed | TokenRefusal::Unknown => Reason::TokenUnknown,
                    TokenRefusal::Expired => Reason::TokenExpired,
                    TokenRefusal::Revoked => Reason::TokenRevoked,
                };
                status(reason, &error.to_string(), [], ErrorDetails::new())
            }
            Error::RoleForbids { role, .. } => {
                let metadata = [("role", role.word().to_owned())];
                status(Reason::RoleForbids, &error.to_string(), metadata, ErrorDetails::new())
            }
            Error::ShopForbids => status(Reason::ShopForbids, &error.to_string(), [], ErrorDetails::new()),
            Error::RateExceeded { wait } => retry(Reason::RateExceeded, &error.to_string(), wait, []),
            Error::NoMethod => status(Reason::MethodUnknown, &error.to_string(), [], ErrorDetails::new()),
            Error::ShuttingDown => retry(Reason::ShuttingDown, &error.to_string(), RETRY_DELAY, []),
            Error::Store(StoreError::Unavailable(_)) => {
                tracing::warn!(error = chain(&error), "the database is not available");
                retry(Reason::StoreUnavailable, &error.to_string(), RETRY_DELAY, [])
            }
            Error::DeadlinePassed => status(Reason::DeadlinePassed, &error.to_string(), [], ErrorDetails::new()),
            Error::Bug(_)
            | Error::Store(
                StoreError::LeaseLost { .. }
                | StoreError::Constraint { .. }
                | StoreError::Corrupt(_)
                | StoreError::Database(_),
            ) => {
                tracing::error!(error = chain(&error), "internal error");
                status(Reason::Internal, "internal error; the server's log has the details", [], ErrorDetails::new())
            }
        }
    }
}

/// Returns the status for what the transport refuses by itself, which has no details yet.
pub fn of_transport(refused: &Status) -> Status {
    let reason = match refused.code() {
        Code::Unimplemented => Reason::MethodUnknown,
        Code::OutOfRange => Reason::MessageTooLarge,
        Code::Cancelled | Code::DeadlineExceeded => Reason::DeadlinePassed,
        Code::Unavailable | Code::ResourceExhausted => {
            return retry(Reason::ShuttingDown, refused.message(), RETRY_DELAY, []);
        }
        // What the codec says about bytes that are no message of the contract.
        Code::Internal | Code::InvalidArgument if refused.message().contains("decode") => Reason::MessageMalformed,
        code => {
            tracing::error!(%code, message = refused.message(), "the transport failed");
            Reason::Internal
        }
    };
    let message = match reason {
        Reason::MethodUnknown => "there is no such method",
        Reason::Internal => "internal error; the server's log has the details",
        _ => refused.message(),
    };
    status(reason, message, [], ErrorDetails::new())
}

/// Returns an error with all its causes.
pub fn chain(error: &dyn StdError) -> String {
    let mut text = error.to_string();
    let mut source = error.source();
    while let Some(cause) = source {
        text.push_str(": ");
        text.push_str(&cause.to_string());
        source = cause.source();
    }
    text
}

fn status<const N: usize>(
    reason: Reason,
    message: &str,
    metadata: [(&str, String); N],
    mut details: ErrorDetails,
) -> Status {
    let metadata: HashMap<String, String> = metadata.into_iter().map(|(key, value)| (key.to_owned(), value)).collect();
    details.set_error_info(reason.text(), DOMAIN, metadata);
    Status::with_error_details(reason.code(), message, details)
}

fn fields_invalid(faults: Vec<Fault>) -> Status {
    let count = faults.len();
    let message = match faults.first() {
        Some(first) if count == 1 => first.to_string(),
        Some(first) => format!("{first} (and {} more)", count - 1),
        None => "the request is not valid".to_owned(),
    };
    let mut violations: Vec<FieldViolation> = Vec::new();
    let mut bytes = 0;
    for Fault { path, message } in faults {
        bytes += path.len() + message.len() + 8;
        if bytes > VIOLATION_BYTES && !violations.is_empty() {
            let rest = format!("{} more faults are not listed", count - violations.len());
            violations.push(FieldViolation::new("", rest));
            break;
        }
        violations.push(FieldViolation::new(path, shorten(message, VIOLATION_BYTES / 2)));
    }
    let details = ErrorDetails::with_bad_request(violations);
    status(Reason::FieldsInvalid, &shorten(message, 500), [("faults", count.to_string())], details)
}

fn shorten(text: String, bytes: usize) -> String {
    if text.len() <= bytes {
        return text;
    }
    let end = (0..=bytes).rev().find(|&end| text.is_char_boundary(end)).unwrap_or(0);
    format!("{}...", &text[..end])
}

fn resource(reason: Reason, name: &str, message: &str) -> Status {
    let mut details = ErrorDetails::new();
    details.set_resource_info(resource_type(name), name, "", message);
    status(reason, message, [("resource", name.to_owned())], details)
}

fn precondition<const N: usize>(reason: Reason, name: &str, message: &str, metadata: [(&str, String); N]) -> Status {
    let mut details = ErrorDetails::new();
    details.add_precondition_failure_violation(reason.text(), name, message);
    status(reason, message, metadata, details)
}

fn retry<const N: usize>(reason: Reason, message: &str, delay: Duration, metadata: [(&str, String); N]) -> Status {
    let mut details = ErrorDetails::new();
    details.set_retry_info(Some(delay));
    status(reason, message, metadata, details)
}

fn role_text(role: Role) -> String {
    role.word().replace('_', " ")
}

fn role_texts(roles: &[Role]) -> String {
    roles.iter().map(|role| role_text(*role)).collect::<Vec<_>>().join(", ")
}

fn resource_type(name: &str) -> &'static str {
    if name.starts_with("tokens/") {
        return "fitup.v1.Token";
    }
    match name.split('/').nth(2) {
        None => "fitup.v1.Shop",
        Some("ruleBook") => "fitup.v1.RuleBook",
        Some("orders") if name.ends_with("/takeIn") => "fitup.v1.TakeIn",
        Some("orders") => "fitup.v1.Order",
        Some("plans") => "fitup.v1.Plan",
        Some("holds") => "fitup.v1.Hold",
        Some(_) => "fitup.v1.PlanRun",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(error: impl Into<Error>, code: Code, reason: &str) -> ErrorDetails {
        let status = Status::from(error.into());
        let details = status.get_error_details();
        let info = details.error_info().expect("every status has an ErrorInfo");
        assert_eq!((status.code(), info.reason.as_str(), info.domain.as_str()), (code, reason, "fitup"));
        assert!(!status.message().is_empty());
        details
    }

    fn fault(path: &str, message: &str) -> Fault {
        Fault { path: path.into(), message: message.into() }
    }

    #[test]
    fn every_reason_is_documented_and_unique() {
        let mut texts: Vec<&str> = Reason::ALL.iter().map(|reason| reason.text()).collect();
        texts.sort_unstable();
        texts.dedup();
        assert_eq!(texts.len(), Reason::ALL.len());
        for reason in Reason::ALL {
            assert!(reason.cause().ends_with('.') && !reason.remedy().ends_with('.'), "{reason:?}");
        }
    }

    #[test]
    fn faults_become_violations() {
        let details =
            check(vec![fault("a.b[1]", "is odd"), fault("c", "is even")], Code::InvalidArgument, "FIELDS_INVALID");
        let violations = &details.bad_request().unwrap().field_violations;
        let listed: Vec<(&str, &str)> =
            violations.iter().map(|found| (found.field.as_str(), found.description.as_str())).collect();
        assert_eq!(listed, [("a.b[1]", "is odd"), ("c", "is even")]);
    }

    #[test]
    fn thousands_of_faults_still_fit_a_header() {
        let faults: Vec<Fault> = (0..5000).map(|i| fault(&format!("operations[{i}].work"), "is required")).collect();
        let status = Status::from(Error::from(faults));
        assert!(status.details().len() * 4 / 3 + status.message().len() < 7 * 1024, "{}", status.details().len());
        let details = status.get_error_details();
        let violations = &details.bad_request().unwrap().field_violations;
        let listed = violations.len() - 1;
        assert!(listed > 50);
        assert_eq!(violations[listed].description, format!("{} more faults are not listed", 5000 - listed));
        assert_eq!(details.error_info().unwrap().metadata["faults"], "5000");
        let long = Status::from(Error::from(fault("note", &"ä".repeat(100_000))));
        assert!(long.details().len() < 5 * 1024);
    }

    #[test]
    fn resources_are_named() {
        let name = || "shops/a/orders/b".to_owned();
        let details = check(StoreError::NotFound { name: name() }, Code::NotFound, "RESOURCE_NOT_FOUND");
        let resource = details.resource_info().unwrap();
        assert_eq!((resource.resource_type.as_str(), resource.resource_name.as_str()), ("fitup.v1.Order", &*name()));
        check(StoreError::AlreadyExists { name: name() }, Code::AlreadyExists, "RESOURCE_EXISTS");
        check(StoreError::EtagMismatch { name: name() }, Code::Aborted, "ETAG_MISMATCH");
    }

    #[test]
    fn what_will_not_help_to_retry_says_so() {
        let name = || "shops/a/plans/b".to_owned();
        let stale = StoreError::PlanStale { name: name(), made_for: 3, revision: 5 };
        let details = check(stale, Code::FailedPrecondition, "PLAN_STALE");
        assert_eq!(details.precondition_failure().unwrap().violations[0].subject, name());
        let forbidden = StoreError::Forbidden { name: name(), message: "no".into() };
        check(forbidden, Code::FailedPrecondition, "STATE_FORBIDS");
    }

    #[test]
    fn what_helps_to_retry_says_when() {
        let full = StoreError::QueueFull { shop: "a".into(), limit: 3 };
        let details = check(full, Code::ResourceExhausted, "QUEUE_FULL");
        assert!(details.retry_info().unwrap().retry_delay.is_some());
        check(StoreError::QueuesFull { limit: 3 }, Code::ResourceExhausted, "QUEUE_FULL");
        let wait = Duration::from_millis(30);
        let details = check(Error::RateExceeded { wait }, Code::ResourceExhausted, "RATE_EXCEEDED");
        assert_eq!(details.retry_info().unwrap().retry_delay, Some(wait));
        let details = check(Error::ShuttingDown, Code::Unavailable, "SHUTTING_DOWN");
        assert!(details.retry_info().is_some());
    }

    #[test]
    fn bugs_hide_their_details() {
        check(Error::Bug("secret".into()), Code::Internal, "INTERNAL");
        let status = Status::from(Error::from(StoreError::Corrupt("secret".into())));
        assert!(!format!("{status:?}").contains("secret"));
    }

    #[test]
    fn what_the_transport_refuses_gets_a_reason() {
        let reason = |status: Status| of_transport(&status).get_error_details().error_info().unwrap().reason.clone();
        assert_eq!(reason(Status::unimplemented("")), "METHOD_UNKNOWN");
        assert_eq!(reason(Status::out_of_range("too large")), "MESSAGE_TOO_LARGE");
        assert_eq!(reason(Status::internal("failed to decode Protobuf message")), "MESSAGE_MALFORMED");
        assert_eq!(reason(Status::internal("x")), "INTERNAL");
    }
}
