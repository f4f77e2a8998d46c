//! What stands before all services: one span a request, its deadline, and details for what the transport refuses.
//!
//! Between this layer and the services stands the gate, which lets callers in: [`crate::access::gate`].

use std::future::Future;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::{Duration, Instant};

use tonic::Status;
use tonic::body::Body;
use tonic::codegen::http::{HeaderMap, Request, Response};
use tower::{Layer, Service};
use tracing::{Instrument, Span, field};
use uuid::Uuid;

use crate::error::{self, Error};
use crate::metrics::Metrics;

/// Puts [`Requests`] in front of a service.
#[derive(Debug, Clone)]
pub struct RequestLayer(pub Arc<Metrics>);

impl<S> Layer<S> for RequestLayer {
    type Service = Requests<S>;

    fn layer(&self, inner: S) -> Requests<S> {
        Requests { inner, metrics: Arc::clone(&self.0) }
    }
}

/// Traces each request, ends it at its deadline, and sees to it that every refusal has details.
#[derive(Debug, Clone)]
pub struct Requests<S> {
    inner: S,
    metrics: Arc<Metrics>,
}

impl<S, B> Service<Request<B>> for Requests<S>
where
    S: Service<Request<B>, Response = Response<Body>> + Clone + Send + 'static,
    S::Future: Send,
    B: Send + 'static,
{
    type Response = Response<Body>;
    type Error = S::Error;
    type Future = Pin<Box<dyn Future<Output = Result<Response<Body>, S::Error>> + Send>>;

    fn poll_ready(&mut self, context: &mut Context<'_>) -> Poll<Result<(), S::Error>> {
        self.inner.poll_ready(context)
    }

    fn call(&mut self, request: Request<B>) -> Self::Future {
        let clone = self.inner.clone();
        let mut inner = std::mem::replace(&mut self.inner, clone);
        let method = request.uri().path().trim_start_matches('/').to_owned();
        let id = request_id(request.headers());
        let span = tracing::info_span!("request", method, id, shop = field::Empty);
        // Starts to run before the transport's own timer, so that it is this one that ends the call.
        let deadline = deadline(request.headers()).map(|time| tokio::time::sleep(time.saturating_sub(MARGIN)));
        let metrics = Arc::clone(&self.metrics);
        let answer = async move {
            let started = Instant::now();
            let response = match deadline {
                None => inner.call(request).await?,
                Some(deadline) => tokio::select! {
                    biased;
                    response = inner.call(request) => response?,
                    () = deadline => Status::from(Error::DeadlinePassed).into_http(),
                },
            };
            let response = with_details(response);
            report(&metrics, &method, &response, started.elapsed());
            Ok(response)
        };
        Box::pin(answer.instrument(span))
    }
}

/// Notes in the span of the request which shop it is about.
pub fn note_shop(shop: &str) {
    Span::current().record("shop", shop);
}

const MARGIN: Duration = Duration::from_millis(2);

fn report(metrics: &Metrics, method: &str, response: &Response<Body>, passed: Duration) {
    let status = Status::from_header_map(response.headers());
    let code = status.map_or(tonic::Code::Ok, |status| status.code());
    metrics.called(method, code, passed);
    let ms = u64::try_from(passed.as_millis()).unwrap_or(u64::MAX);
    // Probes come every few seconds, and say nothing new.
    if method.starts_with("fitup.") {
        tracing::info!(?code, ms, "answered");
    } else {
        tracing::debug!(?code, ms, "answered");
    }
}

/// Returns the id that the caller has given the request, for the log, or a new one.
fn request_id(headers: &HeaderMap) -> String {
    let given = headers.get("x-request-id").and_then(|id| id.to_str().ok());
    let given = given.filter(|id| (1..=64).contains(&id.len()) && id.bytes().all(|byte| byte.is_ascii_graphic()));
    given.map_or_else(|| Uuid::new_v4().to_string(), str::to_owned)
}

/// Returns how long the caller waits: `grpc-timeout`, up to eight digits and a unit.
/// <https://github.com/grpc/grpc/blob/master/doc/PROTOCOL-HTTP2.md>
fn deadline(headers: &HeaderMap) -> Option<Duration> {
    let text = headers.get("grpc-timeout")?.to_str().ok()?;
    let (digits, unit) = text.split_at_checked(text.len().checked_sub(1)?)?;
    let value: u64 = if digits.len() <= 8 { digits.parse().ok()? } else { return None };
    match unit {
        "H" => Some(Duration::from_secs(value * 3600)),
        "M" => Some(Duration::from_secs(value * 60)),
        "S" => Some(Duration::from_secs(value)),
        "m" => Some(Duration::from_millis(value)),
        "u" => Some(Duration::from_micros(value)),
        "n" => Some(Duration::from_nanos(value)),
        _ => None,
    }
}

/// Gives a refusal by the transport, which knows no reasons, the details that all refusals have.
fn with_details(response: Response<Body>) -> Response<Body> {
    match Status::from_header_map(response.headers()) {
        Some(status) if status.code() != tonic::Code::Ok && status.details().is_empty() => {
            error::of_transport(&status).into_http()
        }
        _ => response,
    }
}

#[cfg(test)]
mod tests {
    use tonic_types::StatusExt;

    use super::*;

    #[test]
    fn deadlines() {
        let check = |text: &str, expected: Option<Duration>| {
            let headers = HeaderMap::from_iter([("grpc-timeout".parse().unwrap(), text.parse().unwrap())]);
            assert_eq!(deadline(&headers), expected, "{text}");
        };
        check("3S", Some(Duration::from_secs(3)));
        check("250m", Some(Duration::from_millis(250)));
        check("99999999H", Some(Duration::from_secs(99_999_999 * 3600)));
        check("999999999S", None);
        check("S", None);
        check("", None);
        check("3x", None);
        check("-3S", None);
    }

    #[tokio::test]
    async fn who_waits_no_longer_is_told_so() {
        let slow = tower::service_fn(async |_: Request<()>| {
            tokio::time::sleep(Duration::from_secs(3600)).await;
            Ok::<_, std::convert::Infallible>(Response::new(Body::empty()))
        });
        let mut service = RequestLayer(Arc::default()).layer(slow);
        let request = Request::builder().header("grpc-timeout", "20m").body(()).unwrap();
        let answer = tokio::time::timeout(Duration::from_secs(10), service.call(request)).await.unwrap().unwrap();
        let status = Status::from_header_map(answer.headers()).unwrap();
        assert_eq!(status.code(), tonic::Code::DeadlineExceeded);
        assert_eq!(status.get_error_details().error_info().unwrap().reason, "DEADLINE_PASSED");
    }

    #[test]
    fn refusals_get_details_once() {
        let details = |response: Response<Body>| {
            Status::from_header_map(with_details(response).headers()).unwrap().get_error_details()
        };
        let reason = |response| details(response).error_info().unwrap().reason.clone();
        assert_eq!(reason(Status::unimplemented("").into_http()), "METHOD_UNKNOWN");
        assert_eq!(reason(Status::from(Error::PageToken).into_http()), "PAGE_TOKEN_INVALID");
        let fine = with_details(Response::new(Body::empty()));
        assert!(Status::from_header_map(fine.headers()).is_none());
    }
}
