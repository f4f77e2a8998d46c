//! Who changes something, and how a repeated request is answered.

use fitup_model::Fault;
use jiff::Timestamp;
use uuid::Uuid;

/// Who changes something, and when. Kept in the audit trail, in the transaction of the change itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Change {
    /// When. The store keeps microseconds and drops what is finer.
    pub at: Timestamp,
    /// Who, for people: a person, a token, a worker.
    pub actor: String,
    /// From where: the address that the call came from; `None` for what the service does by itself.
    pub origin: Option<String>,
    /// The request, if its repeat is to be harmless.
    pub request: Option<Request>,
}

/// A request that may be repeated.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Request {
    /// Chosen by whoever asks; each actor has their own.
    pub id: Uuid,
    /// What was asked for, such as `fitup.v1.OrderService/CreateOrder`.
    pub method: String,
    /// Digest of all that was asked.
    pub fingerprint: [u8; 32],
}

/// The answer to a change.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Answer<T> {
    /// It was made now.
    Fresh(T),
    /// It was made before by the same request, with this response.
    Repeated(Vec<u8>),
}

impl<T> Answer<T> {
    /// Returns what was made now, if it was.
    pub fn fresh(self) -> Option<T> {
        match self {
            Answer::Fresh(value) => Some(value),
            Answer::Repeated(_) => None,
        }
    }
}

/// Makes the response that is kept for a repeat of the request. Not called for a change without a request.
pub type Encode<T> = Box<dyn FnOnce(&T) -> Vec<u8> + Send>;

/// Why an edit, called inside the transaction, does not want the change. Nothing is changed then.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Refusal {
    /// The facts would be wrong.
    Faults(Vec<Fault>),
    /// The state of the resource forbids it.
    Forbidden(String),
}

impl From<Vec<Fault>> for Refusal {
    fn from(faults: Vec<Fault>) -> Refusal {
        Refusal::Faults(faults)
    }
}
